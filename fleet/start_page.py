"""What the page of something brought shows: its columns, what has still to be said, what would be stored."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.models import Arrival, ArrivalKind, ArrivalState
from fleet.models.instruments import KNOWN_KINDS, UseClass
from fleet.sheets.meaning import MEANINGS, MOST_VALUES, Meaning

FILE_WORDS = {
    "site.csv": gettext_lazy("the site"),
    "rooms.csv": gettext_lazy("rooms"),
    "instruments.csv": gettext_lazy("instruments"),
    "services.csv": gettext_lazy("past services"),
    "people.csv": gettext_lazy("people"),
}
ORDER_WORDS = {
    "ymd": gettext_lazy("year, month, day"),
    "dmy": gettext_lazy("day, month, year"),
    "mdy": gettext_lazy("month, day, year"),
}
# Words of the answers that hold for all rows.
ANSWERS = {
    "kind": KNOWN_KINDS,
    "use_class": tuple(UseClass.values),
    "in_service_since": ("year_built",),
}


@dataclass(frozen=True)
class ColumnAsked:
    """A column of the table: its place, its name, some cells, and its meaning."""

    place: int
    name: str
    samples: list[str]
    meaning: str


@dataclass(frozen=True)
class WordsAsked:
    """The words of a column that are matched: the meaning, and every word with what it is taken for."""

    meaning: Meaning
    words: list[tuple[int, str, str]]
    known: tuple[str, ...]


@dataclass(frozen=True)
class AnswerAsked:
    """What no column tells: an answer for all rows, with choices where there are few."""

    meaning: Meaning
    said: str
    choices: tuple[str, ...]
    open: bool


@dataclass(frozen=True)
class ArrivalPage:
    """Everything the page shows."""

    columns: list[ColumnAsked] = field(default_factory=list)
    meanings: list[tuple[str, str]] = field(default_factory=list)
    words: list[WordsAsked] = field(default_factory=list)
    answers: list[AnswerAsked] = field(default_factory=list)
    orders: list[tuple[str, str, bool]] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    files: list[tuple[str, dict[str, int]]] = field(default_factory=list)
    asks: bool = False


def arrival_page(arrival: Arrival) -> ArrivalPage:
    """Lay out what was brought."""
    files = [
        (str(FILE_WORDS.get(name, name)), counts) for name, counts in arrival.result.get("files", {}).items()
    ]
    at_rest = arrival.state in (ArrivalState.OPEN, ArrivalState.LOOKED)
    if arrival.kind == ArrivalKind.FOLDER or not arrival.head or not at_rest:
        return ArrivalPage(files=files)
    head, choices, known = arrival.head, arrival.choices, MEANINGS[arrival.kind]
    return ArrivalPage(
        columns=[
            ColumnAsked(place, name or _("column %(number)d") % {"number": place + 1}, samples, meaning)
            for place, (name, samples, meaning) in enumerate(
                zip(head["header"], head["samples"], choices["meanings"], strict=True)
            )
        ],
        meanings=[("", _("not used")), *((one.name, str(one.words)) for one in known)],
        words=[_words(one, choices["values"][one.name]) for one in known if one.name in choices["values"]],
        answers=[_answer(one, choices) for one in known if one.needed and one.name != "instrument"],
        orders=[(one, str(ORDER_WORDS[one]), one == choices["order"]) for one in head["orders"]],
        questions=[_question(what, name, known) for what, name in head["unsaid"]],
        files=files,
        asks=True,
    )


def _words(one: Meaning, said: dict[str, str]) -> WordsAsked:
    assert one.values is not None
    words = [(place, word, known) for place, (word, known) in enumerate(sorted(said.items()))]
    return WordsAsked(one, words[:MOST_VALUES], tuple(one.values.known))


def _answer(one: Meaning, choices: dict[str, Any]) -> AnswerAsked:
    told = one.name in choices["meanings"]
    return AnswerAsked(one, choices["answers"].get(one.name, ""), ANSWERS.get(one.name, ()), not told)


def _question(what: str, name: str, known: tuple[Meaning, ...]) -> str:
    words = {one.name: str(one.words) for one in known}
    if what == "order":
        return _("In which order do dates say day, month and year?")
    if what == "words":
        return _("What do the words in the column “%(name)s” mean?") % {"name": words[name]}
    if name == "instrument":
        return _("Which column holds the inventory tag? Without one, instruments cannot be told apart.")
    return _("No column tells “%(name)s”: which is it, or what holds for all?") % {"name": words[name]}
