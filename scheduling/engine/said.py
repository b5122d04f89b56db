"""Sentences that remember their words and values, so that they can be said again in another language."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime


@dataclass(frozen=True)
class Figure:
    """A number with the format in which it is written, such as ``.1f`` or ``g``."""

    value: float
    spec: str = "g"


@dataclass(frozen=True)
class On:
    """A day, or an instant as the wall shows it, with the style in which it is written."""

    day: date
    style: str


@dataclass(frozen=True)
class Term:
    """A word of the trade, or a name that somebody gave, in whose place another language may have its own."""

    word: str


Value = str | int | date | Figure | On | Term
STYLES = {
    "long": lambda day: f"{day.day} {day:%B %Y}",
    "weekday": lambda day: f"{day:%A} {day.day} {day:%B}",
    "short": lambda day: f"{day:%a} {day.day} {day:%b}",
    "short time": lambda day: f"{day:%a} {day.day} {day:%b %H:%M}",
    "day time": lambda day: f"{day:%d %B, %H:%M}",
    "day": lambda day: f"{day.day} {day:%B}",
    "day of month": lambda day: f"{day:%d %B}",
    "time": lambda day: f"{day:%H:%M}",
}


@dataclass(frozen=True)
class Sayable:
    """Words with places for values; ``many`` and ``number`` where the words depend on how many there are."""

    words: str
    values: Mapping[str, Value] = field(default_factory=dict)
    many: str = ""
    number: int = 1


class Said(str):
    """A sentence in one language, which it is as text, with what it takes to say it in another."""

    source: Sayable

    def __new__(cls, text: str, source: Sayable) -> Said:
        """Keep the text and what it was made of."""
        made = super().__new__(cls, text)
        made.source = source
        return made

    def __getnewargs__(self) -> tuple[str, Sayable]:  # type: ignore[override]
        """Let copies and other processes keep what it was made of."""
        return str(self), self.source


def worded(words: str, **values: Value) -> Said:
    """Say words in English with values in their places, ``%(name)s`` each."""
    return _in_english(Sayable(words, values))


def worded_many(one: str, many: str, number: int, **values: Value) -> Said:
    """Say the words for one, or those for many, with ``%(number)s`` in its place."""
    return _in_english(Sayable(one, {"number": number, **values}, many, number))


def joined(separator: str, parts: Iterable[str]) -> str:
    """Return parts in a row, those that are empty left out; they keep what each was made of."""
    there = [part for part in parts if part]
    if len(there) < 2:
        return there[0] if there else ""
    values = {f"p{number}": part for number, part in enumerate(there)}
    return worded(separator.join(f"%({name})s" for name in values), **values)


def _in_english(source: Sayable) -> Said:
    words = source.many if source.many and source.number != 1 else source.words
    values = {name: _written(value) for name, value in source.values.items()}
    return Said(words % values if values else words, source)


def _written(value: Value) -> str:
    if isinstance(value, Figure):
        return format(value.value, value.spec)
    if isinstance(value, On):
        return STYLES[value.style](value.day)
    if isinstance(value, Term):
        return value.word
    if isinstance(value, date) and not isinstance(value, datetime):
        return STYLES["long"](value)
    return str(value)
