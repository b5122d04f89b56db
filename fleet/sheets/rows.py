"""Cells as the files of the folder would say them, row by row; what cannot be said is refused by line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from fleet.oddcsv.stamps import day_of, orders_of_all
from fleet.refusal import Refused
from fleet.sheets.meaning import MEANINGS, Meaning, recognise, words_of
from fleet.sheets.reading import Table

EPOCH = date(1970, 1, 1).toordinal()
ORDERS = ("ymd", "dmy", "mdy")
ERRORS = ("#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!")
_YEAR = re.compile(r"\d{4}", re.ASCII)
_NUMBER_COLUMNS = ("hours_played_per_week", "pitch_hz", "minutes", "found", "left")


@dataclass(frozen=True)
class Choices:
    """What was said of a table: the meaning of every column, and what its cells alone do not tell.

    Attributes
    ----------
    meanings : tuple of str
        By column; empty where it is not used.
    order : str
        Of day, month and year in dates that are written out.
    values : mapping
        By meaning, the known word for each word of the table; empty where it has not been matched.
    answers : mapping
        By meaning, one answer for all rows where no column tells it, and for empty cells.
    sheet : str
        Of a workbook.
    """

    meanings: tuple[str, ...]
    order: str = ""
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    answers: Mapping[str, str] = field(default_factory=dict)
    sheet: str = ""

    def document(self) -> dict[str, Any]:
        """Return the same as plain values."""
        return {
            "meanings": list(self.meanings),
            "order": self.order,
            "values": {name: dict(words) for name, words in self.values.items()},
            "answers": dict(self.answers),
            "sheet": self.sheet,
        }


def choices_of(document: Mapping[str, Any]) -> Choices:
    """Return the choices that a document holds."""
    return Choices(
        tuple(document["meanings"]),
        document["order"],
        document["values"],
        document["answers"],
        document["sheet"],
    )


def guessed(table: Table, kind: str) -> Choices:
    """Return what can be told of a table without asking."""
    meanings = recognise(table, kind)
    return matched(table, kind, Choices(tuple(meanings), sheet=table.sheet))


def matched(table: Table, kind: str, choices: Choices) -> Choices:
    """Return choices with the order of dates and the words guessed where nobody has said them."""
    values = {}
    for one in MEANINGS[kind]:
        if one.values is not None and one.name in choices.meanings:
            said = choices.values.get(one.name, {})
            words = words_of(table, choices.meanings.index(one.name))
            values[one.name] = {word: said.get(word) or one.values.guess(word) for word in words}
    orders = orders_in(table, kind, choices)
    order = choices.order if choices.order in orders else orders[0] if len(orders) == 1 else ""
    return replace(choices, values=values, order=order)


def orders_in(table: Table, kind: str, choices: Choices) -> list[str]:
    """Return the orders in which all written dates are dates; all of them where there is none to tell.

    A date that begins with its year tells its order by itself; one with full stops has the day first.
    """
    dated = [one.name for one in MEANINGS[kind] if one.dated and one.name in choices.meanings]
    cells = {cells[choices.meanings.index(name)] for name in dated for _, cells in table.rows}
    dates = [cell for cell in cells if cell and not _YEAR.match(cell)]
    if not dates:
        return ["ymd"]
    if all(cell.count(".") == 2 for cell in dates):
        return ["dmy"]
    found = orders_of_all(dates)
    return [order for order in ORDERS if order in found] or list(ORDERS)


def unsaid(table: Table, kind: str, choices: Choices) -> list[tuple[str, str]]:
    """Return what has still to be said: meanings that are needed, words not matched, the order of dates."""
    open_: list[tuple[str, str]] = []
    for one in MEANINGS[kind]:
        if one.needed and one.name not in choices.meanings and not choices.answers.get(one.name):
            open_.append(("column", one.name))
        elif one.values is not None and not all(choices.values.get(one.name, {}).values()):
            open_.append(("words", one.name))
    if not choices.order and orders_in(table, kind, choices):
        open_.append(("order", "date"))
    return open_


@dataclass(frozen=True)
class Line:
    """A row of the table as the folder would write it: column to text, and where each text came from."""

    number: int
    texts: dict[str, str]
    places: dict[str, tuple[str, str]]  # column to (name in the table's header, text of the cell)


def lines_of(table: Table, kind: str, choices: Choices) -> Iterator[Line | Refused]:
    """Give every row, or why it is refused."""
    for number, cells in table.rows:
        try:
            yield _line(table, kind, choices, number, cells)
        except Refused as reason:
            yield reason


def _line(table: Table, kind: str, choices: Choices, number: int, cells: Sequence[str]) -> Line:
    texts: dict[str, str] = {}
    places: dict[str, tuple[str, str]] = {}
    for one in MEANINGS[kind]:
        header, raw = "", ""
        if one.name in choices.meanings:
            place = choices.meanings.index(one.name)
            header, raw = table.header[place] or f"column {place + 1}", cells[place]
        if raw in ERRORS:
            raise _refused("an error of the spreadsheet", number, header, raw, "a value")
        text = _said(one, raw, choices, number, header) if raw else choices.answers.get(one.name, "")
        if text:
            texts[one.name] = text
        places[one.name] = header or one.name, raw
    _fill(texts)
    return Line(number, texts, places)


def _said(one: Meaning, raw: str, choices: Choices, number: int, header: str) -> str:
    """Return a cell's text as the folder would write it."""
    if one.values is not None:
        word = choices.values.get(one.name, {}).get(raw) or one.values.guess(raw)
        if not word:
            raise _refused("a word that is not matched", number, header, raw, ", ".join(one.values.known))
        return word
    if one.dated:
        return _dated(raw, choices.order or "ymd", number, header)
    if one.name == "year_built" and len(raw) > 4 and (day := _ordinal(raw, choices.order or "ymd")):
        return str(date.fromordinal(day).year)
    if one.name in _NUMBER_COLUMNS and "," in raw and "." not in raw:
        return raw.replace(",", ".")
    return raw


def _dated(raw: str, order: str, number: int, header: str) -> str:
    if _YEAR.fullmatch(raw):
        return f"{raw}-01-01"
    day = _ordinal(raw, order)
    if day is None:
        raise _refused(
            "no date in this order", number, header, raw, f"a date in the order {order}, or a year"
        )
    return date.fromordinal(day).isoformat()


def _ordinal(raw: str, order: str) -> int | None:
    """Return the day of a text: ISO dates whatever the order, else in the order said; a time is left off."""
    for text in (raw, raw.split(" ")[0]):
        day = day_of(text, "ymd") if re.match(r"\d{4}-", text) else day_of(text, order)
        if day is not None:
            return EPOCH + day
    return None


def _fill(texts: dict[str, str]) -> None:
    """Take the year built for the beginning of service where that was the answer."""
    if texts.get("in_service_since") == "year_built":
        year = texts.get("year_built", "")
        texts["in_service_since"] = f"{year}-01-01" if _YEAR.fullmatch(year) else ""
    if texts.get("in_service_since") == "":
        del texts["in_service_since"]


def _refused(message: str, number: int, header: str, raw: str, accepted: str) -> Refused:
    return Refused(message, line=number, column=header, value=raw, accepted=accepted)
