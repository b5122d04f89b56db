"""What the columns of a table mean: told by their names, else by what stands in them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy as _

from fleet.sheets.reading import Table
from fleet.sheets.values import INSTRUMENT_KINDS, SERVICE_KINDS, USES, Words, plain

SAMPLE = 400  # rows looked at
MOST_VALUES = 40  # different words of a column that can be matched on a page


@dataclass(frozen=True)
class Meaning:
    """What a column can mean: its name in the folder's files, words for people, and names it goes by.

    ``needed`` has to be told for every row, by a column or by one answer for all. ``words`` are the values
    that are matched, for columns of a few words.
    """

    name: str
    words: Any
    names: tuple[str, ...]
    needed: bool = False
    values: Words | None = None
    dated: bool = False


INSTRUMENT_MEANINGS = (
    Meaning(
        "instrument",
        _("inventory tag"),
        (
            "instrument",
            "tag",
            "inventory",
            "inventory tag",
            "inventory no",
            "inventory number",
            "inv no",
            "id",
        )
        + ("number", "no", "nr", "inventarnummer", "inventar nr", "inv nr", "nummer", "asset"),
        needed=True,
    ),
    Meaning(
        "kind",
        _("kind of instrument"),
        (
            "kind",
            "type",
            "instrument type",
            "kind of instrument",
            "art",
            "typ",
            "instrumentenart",
            "category",
        ),
        needed=True,
        values=INSTRUMENT_KINDS,
    ),
    Meaning(
        "year_built",
        _("year built"),
        ("year built", "year", "built", "made", "year of manufacture", "baujahr", "jahr", "date built"),
        needed=True,
    ),
    Meaning(
        "in_service_since",
        _("in service since"),
        ("in service since", "in service", "since", "acquired", "purchased", "bought", "purchase date")
        + ("anschaffung", "gekauft", "im dienst seit", "date acquired"),
        needed=True,
        dated=True,
    ),
    Meaning(
        "room",
        _("room"),
        ("room", "location", "place", "where", "raum", "standort", "zimmer", "saal"),
        needed=True,
    ),
    Meaning("building", _("building of the room"), ("building", "house", "site", "gebaude", "haus", "wing")),
    Meaning(
        "use_class",
        _("use"),
        ("use class", "use", "usage", "used for", "purpose", "nutzung", "verwendung", "zweck", "class"),
        needed=True,
        values=USES,
    ),
    Meaning(
        "hours_played_per_week",
        _("hours played a week"),
        ("hours played per week", "hours played", "hours per week", "playing hours", "hours a week")
        + ("stunden pro woche", "spielstunden", "hours week"),
    ),
    Meaning("maker", _("maker"), ("maker", "make", "manufacturer", "brand", "hersteller", "marke", "firma")),
    Meaning("model", _("model"), ("model", "modell")),
    Meaning(
        "serial", _("serial number"), ("serial", "serial number", "serial no", "seriennummer", "serien nr")
    ),
    Meaning("pitch_hz", _("pitch of A4, Hz"), ("pitch hz", "pitch", "a4", "stimmton", "kammerton")),
)
SERVICE_MEANINGS = (
    Meaning("instrument", _("inventory tag"), INSTRUMENT_MEANINGS[0].names, needed=True),
    Meaning(
        "kind",
        _("kind of service"),
        ("kind", "service", "work", "type", "job", "kind of service", "arbeit", "leistung", "art", "typ"),
        needed=True,
        values=SERVICE_KINDS,
    ),
    Meaning(
        "date",
        _("date"),
        ("date", "day", "done on", "when", "service date", "datum", "tag der arbeit", "am"),
        needed=True,
        dated=True,
    ),
    Meaning("minutes", _("minutes worked"), ("minutes", "min", "duration", "time spent", "minuten", "dauer")),
    Meaning(
        "technician", _("who did it"), ("technician", "by", "who", "done by", "tuner", "techniker", "von")
    ),
    Meaning("found", _("found, in the kind's unit"), ("found", "as found", "before", "vorher", "gefunden")),
    Meaning("left", _("left, in the kind's unit"), ("left", "as left", "after", "nachher", "hinterlassen")),
    Meaning(
        "note", _("note"), ("note", "notes", "remark", "remarks", "comment", "comments", "bemerkung", "notiz")
    ),
)
MEANINGS = {"instruments": INSTRUMENT_MEANINGS, "services": SERVICE_MEANINGS}


def recognise(table: Table, kind: str) -> list[str]:
    """Return the meaning of every column, empty where none is told; each meaning is given once."""
    found = [""] * len(table.header)
    for fits in (_same_name, _part_of_name, _same_words):
        for meaning in MEANINGS[kind]:
            if meaning.name in found:
                continue
            free = [place for place, name in enumerate(found) if not name]
            place = next((place for place in free if fits(table, place, meaning)), None)
            if place is not None:
                found[place] = meaning.name
    return found


def _same_name(table: Table, place: int, meaning: Meaning) -> bool:
    return plain(table.header[place]) in meaning.names


def _part_of_name(table: Table, place: int, meaning: Meaning) -> bool:
    name = f" {plain(table.header[place])} "
    return any(f" {known} " in name for known in meaning.names if len(known) > 3)


def _same_words(table: Table, place: int, meaning: Meaning) -> bool:
    """Whether most cells of a column are words that this meaning knows."""
    if meaning.values is None:
        return False
    cells = [cells[place] for _, cells in table.rows[:SAMPLE] if cells[place]]
    known = sum(bool(meaning.values.guess(cell)) for cell in cells)
    return len(cells) >= 3 and known > 0.8 * len(cells)


def words_of(table: Table, place: int) -> list[str]:
    """Return the different words of a column, the commonest first, as many as a page can ask about."""
    seen = Counter(cells[place] for _, cells in table.rows if cells[place])
    return [word for word, _count in seen.most_common(MOST_VALUES + 1)]


def samples(table: Table, place: int, number: int = 3) -> list[str]:
    """Return the first different cells of a column that hold something."""
    return list(dict.fromkeys(cells[place] for _, cells in table.rows[:SAMPLE] if cells[place]))[:number]


def meanings_in(choices: Sequence[str], kind: str) -> list[str]:
    """Return the meanings that have still to be told for a table of a kind."""
    return [one.name for one in MEANINGS[kind] if one.needed and one.name not in choices]
