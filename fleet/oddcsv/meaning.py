"""What the columns of an odd file mean, by their names, units and values; what cannot be told is asked."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from fleet.oddcsv import choices as say
from fleet.oddcsv.choices import Choices, signature_of
from fleet.oddcsv.numbers import DECIMAL_MARKS, plain_number
from fleet.oddcsv.stamps import is_clock, is_date, is_stamp, orders_of_all, parts_of
from fleet.oddcsv.text import HEAD_ROWS, Shape, parts, shape_of, without_empty_end
from fleet.refusal import Refused

SHARE = 0.9  # of the cells that are not empty have to look like what the column is taken for
DATE_ROWS = 200_000  # rows whose dates may tell day from month
# Rooms are seldom outside these degrees: a column without a unit is taken for °C within them, else asked.
ROOM_C = (8.0, 38.0)
HIGHEST_FRACTION = 1.0

_HUMIDITY = re.compile(r"%\s?r\.?h|\br\.?h\b|\brh(um)?|hum|feucht|vochtig|\brel\b|\br\.f\.|\brf\b", re.ASCII)
_TEMPERATURE = re.compile(r"temp|dry.?bulb|celsius|fahrenheit|deg\b|[°º]\s?[cf]\b|^t\b|^[cf]$")
_NOT_THE_AIR = re.compile(
    r"dew|taupunkt|rosee|wet.?bulb|abs|co2|press|source|uncert|flag|code|quality|set.?point|alarm|batt"
    r"|\bmin\b|\bmax\b|index|surface|volt|signal|ratio"
)
_ROOM = re.compile(r"^(room|raum|zimmer|sala|salle|location|place|ort|standort)\b")
_FAHRENHEIT = re.compile(r"[°º]\s?f\b|\(f\)|\[f\]|fahrenheit|deg\s?f\b|_f$|[\s,]f$|^f$")
_CELSIUS = re.compile(r"[°º]\s?c\b|\(c\)|\[c\]|celsius|deg\s?c\b|_c$|[\s,]c$|^c$|grad c")
_ORDER_SAID = {
    "dmy": re.compile(r"\bd{1,2}\W?m{1,3}\W?y{2,4}|\bt{1,2}\W?m{1,2}\W?j{2,4}"),
    "mdy": re.compile(r"\bm{1,2}\W?d{1,2}\W?y{2,4}"),
    "ymd": re.compile(r"\by{2,4}\W?m{1,2}\W?d{1,2}|\bj{2,4}\W?m{1,2}\W?t{1,2}"),
}
_OFFSET_SAID = re.compile(r"\b(?:utc|gmt)\s?([+-]\d{1,2})(?::?(\d{2}))?\b")
_UTC_SAID = re.compile(r"\b(utc|gmt)\b")


@dataclass(frozen=True)
class Recognised:
    """What a file is taken for: its header and first rows, the choices, and what has to be asked.

    Attributes
    ----------
    orders : the orders of day, month and year in which all its dates are dates
    dates : a date of the file, to be shown in each of the orders
    signature : by what the header is known again
    """

    header: list[str]
    rows: list[tuple[int, list[str]]]
    choices: Choices
    orders: tuple[str, ...]
    example_date: str
    signature: str


def recognise(path: Path, shape: Shape | None = None) -> Recognised:
    """Recognise an odd file.

    Raises
    ------
    Refused
        Where it is no table of rows under a header.
    """
    shape = shape or shape_of(path)
    header, rows = head_of(path, shape)
    names = [plain_name(name) for name in header]
    columns = [
        [cells[place].strip() for _, cells in rows if len(cells) > place] for place in range(len(header))
    ]
    meanings = _meanings(names, columns)
    choices = Choices(
        *(shape.encoding, shape.delimiter, shape.header_line),
        meanings=tuple(meanings),
        decimal=_decimal(columns, meanings),
        clock=_clock(names, columns, meanings),
    )
    orders, example = _orders(path, choices)
    said = _order_said(names, choices, orders)
    return Recognised(
        header=header,
        rows=rows,
        choices=choices.changed(order=said or (next(iter(orders)) if len(orders) == 1 else "")),
        orders=tuple(sorted(orders)),
        example_date=example,
        signature=signature_of(header),
    )


def head_of(path: Path, shape: Shape) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Return the header and the first rows with their physical lines.

    Raises
    ------
    Refused
        Where there is no header on the line, or no row below it.
    """
    header: list[str] | None = None
    rows: list[tuple[int, list[str]]] = []
    for lines, cells in parts(path, shape.encoding, shape.delimiter, HEAD_ROWS):
        for line, row in zip(lines, cells, strict=True):
            if line == shape.header_line:
                header = [name.strip() for name in without_empty_end(row)]
            elif line > shape.header_line and len(rows) < HEAD_ROWS:
                rows.append((line, row))
        if len(rows) == HEAD_ROWS:
            break
    if not header or len(header) > say.MOST_COLUMNS:
        raise Refused(
            "no header row",
            line=shape.header_line,
            value=header and len(header),
            accepted=f"a line with the names of at most {say.MOST_COLUMNS} columns",
        )
    if not rows:
        raise Refused("no readings below the header", line=shape.header_line, accepted="rows of readings")
    return header, rows


def plain_name(name: str) -> str:
    """Return the name of a column in small letters without accents."""
    plain = unicodedata.normalize("NFKD", name.replace("°", "\x00").replace("º", "\x00").lower())
    kept = "".join(one for one in plain if not unicodedata.combining(one))
    return kept.replace("\x00", "°").strip()


def _share(cells: Sequence[str], test: Callable[[str], bool]) -> float:
    filled = [cell for cell in cells if cell]
    return sum(map(test, filled)) / len(filled) if filled else 0.0


def _meanings(names: list[str], columns: list[list[str]]) -> list[str]:
    """Return the meaning of each column; where several could be the one, none of them is."""
    found = [say.IGNORE] * len(names)
    for place, meaning in _when(names, columns).items():
        found[place] = meaning
    numeric = [_share(cells, lambda cell: plain_number(cell) is not None) >= SHARE for cells in columns]
    free = [place for place in range(len(names)) if found[place] == say.IGNORE]
    air = [place for place in free if numeric[place] and not _NOT_THE_AIR.search(names[place])]
    damp = [place for place in air if _HUMIDITY.search(names[place]) and not _CELSIUS.search(names[place])]
    warm = [place for place in air if place not in damp and _TEMPERATURE.search(names[place])]
    if len(damp) == 1:
        found[damp[0]] = _humidity_unit(names[damp[0]], columns[damp[0]])
    if len(warm) == 1:
        found[warm[0]] = _temperature_unit(names[warm[0]], columns[warm[0]])
    rooms = [place for place in free if _ROOM.search(names[place]) and not numeric[place]]
    if len(rooms) == 1:
        found[rooms[0]] = say.ROOM
    return found


def _when(names: list[str], columns: list[list[str]]) -> dict[int, str]:
    """Return which columns say when: one of both, or one of dates and one of times of day."""
    kinds = {say.STAMP: is_stamp, say.DATE: is_date, say.CLOCK: is_clock}
    places = {
        kind: [place for place, cells in enumerate(columns) if _share(cells, test) >= SHARE]
        for kind, test in kinds.items()
    }
    stamps = places[say.STAMP]
    # A count of seconds from 1970 looks like any large number, so that its name has to say what it is.
    named = [place for place in stamps if re.search(r"time|date|zeit|datum|stamp|epoch|unix", names[place])]
    stamps = [place for place in stamps if place in named or not _all_digits(columns[place])]
    if len(places[say.DATE]) == 1 and len(places[say.CLOCK]) == 1:
        return {places[say.DATE][0]: say.DATE, places[say.CLOCK][0]: say.CLOCK}
    if len(stamps) == 1 or (stamps and len(named) == 1):
        return {(stamps if len(stamps) == 1 else named)[0]: say.STAMP}
    return {}


def _all_digits(cells: Sequence[str]) -> bool:
    return all(cell.replace(".", "").isdigit() for cell in cells if cell)


def _humidity_unit(name: str, cells: list[str]) -> str:
    """Return percent or fraction; ignore where the name has no unit and the values allow both."""
    values = _values(cells)
    if "%" in name or "percent" in name or "prozent" in name or any("%" in cell for cell in cells):
        return say.PERCENT
    if max(values) > HIGHEST_FRACTION:
        return say.PERCENT
    return say.FRACTION if re.search(r"frac|anteil|0.?-.?1", name) else say.IGNORE


def _temperature_unit(name: str, cells: list[str]) -> str:
    """Return degrees of which scale; ignore where the name has no unit and the values allow both."""
    text = f"{name} {' '.join(cells[:20]).lower()}"
    if _FAHRENHEIT.search(name) or re.search(r"[°º]\s?f\b", text):
        return say.FAHRENHEIT
    if _CELSIUS.search(name) or re.search(r"[°º]\s?c\b", text):
        return say.CELSIUS
    values = _values(cells)
    if min(values) >= ROOM_C[0] and max(values) <= ROOM_C[1]:
        return say.CELSIUS
    return say.IGNORE


def _values(cells: list[str]) -> list[float]:
    texts = [plain_number(cell) for cell in cells]
    return [float(text.replace(",", ".")) for text in texts if text is not None]


def _decimal(columns: list[list[str]], meanings: list[str]) -> str:
    """Return the decimal mark that the numbers of the air have; a point where they have none."""
    marks = [mark for mark in DECIMAL_MARKS if any(mark in cell for cell in _air_cells(columns, meanings))]
    return marks[0] if len(marks) == 1 else "."


def _air_cells(columns: list[list[str]], meanings: list[str]) -> Iterator[str]:
    known = [place for place, one in enumerate(meanings) if one in (*say.TEMPERATURES, *say.HUMIDITIES)]
    for place in known or range(len(columns)):
        if known or _share(columns[place], lambda cell: plain_number(cell) is not None) >= SHARE:
            yield from columns[place]


def _clock(names: list[str], columns: list[list[str]], meanings: list[str]) -> str:
    """Return whose clock wrote the times: their own offset, the zone in the name, else the site's."""
    place = next((p for p, one in enumerate(meanings) if one in (say.STAMP, say.CLOCK)), None)
    if place is None:
        return say.SITE_CLOCK
    cells = [cell for cell in columns[place] if cell]
    if cells and _all_digits(cells):
        return say.WRITTEN_CLOCK
    if cells and all((parts_of(cell) or ("", "", ""))[2] for cell in cells):
        return say.WRITTEN_CLOCK
    told = _OFFSET_SAID.search(names[place])
    if told:
        offset = f"{int(told[1]):+03d}:{told[2] or '00'}"
        return offset if offset in say.OFFSETS else say.SITE_CLOCK
    return say.UTC_CLOCK if _UTC_SAID.search(names[place]) else say.SITE_CLOCK


def _orders(path: Path, choices: Choices) -> tuple[frozenset[str], str]:
    """Return in which orders the dates of the file are dates, and one that shows the difference."""
    place = choices.column(say.DATE, say.STAMP)
    if place is None:
        return frozenset(), ""
    dates: set[str] = set()
    count = 0
    for lines, rows in parts(path, choices.encoding, choices.delimiter):
        for line, cells in zip(lines, rows, strict=True):
            if line > choices.header_line and len(cells) > place and cells[place].strip():
                text = cells[place].strip()
                split = parts_of(text)
                dates.add(split[0] if split else re.sub(r"[T ]0{1,2}:00(:00)?$", "", text))
        count += len(rows)
        if count >= DATE_ROWS:
            break
    if all(is_stamp(date) for date in dates):
        return frozenset(["epoch"]), ""
    real = {date for date in dates if is_date(date)}
    return orders_of_all(real), min(real, default="")


def _order_said(names: list[str], choices: Choices, orders: frozenset[str]) -> str:
    """Return the order that the name of the column of dates spells out, where the dates allow it."""
    place = choices.column(say.DATE, say.STAMP)
    if place is None:
        return ""
    told = [order for order, spelt in _ORDER_SAID.items() if spelt.search(names[place])]
    return told[0] if len(told) == 1 and (told[0] in orders or len(orders) > 1) else ""
