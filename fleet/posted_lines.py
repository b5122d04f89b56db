"""The body that a logger posts, as CSV or as JSON, read into lines of named cells."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from fleet.imports.readings import CELLS, HUMIDITY
from fleet.refusal import Refused

LARGEST_BODY = 2_000_000  # bytes
MOST_LINES = 10_000
NEEDED = ("time", HUMIDITY)


@dataclass(frozen=True)
class Line:
    """One posted line: its number, and its cells as texts, or why there are none."""

    number: int
    cells: dict[str, str] = field(default_factory=dict)
    refused: Refused | None = None


def lines_of_csv(text: str, needed: Sequence[str] = NEEDED) -> list[Line]:
    """Return the lines of a CSV body with the columns of readings.csv, numbered as lines of the text.

    Raises
    ------
    Refused
        Where the header is wrong or the text is no CSV.
    """
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    try:
        header = [cell.strip() for cell in next(reader, [])]
        _check_header(header, needed)
        lines: list[Line] = []
        for cells in reader:
            if not cells:
                continue
            if len(lines) == MOST_LINES:
                raise _too_many()
            lines.append(_csv_line(reader.line_num, header, cells))
        return lines
    except csv.Error as error:
        raise Refused(
            f"not CSV ({error})", line=max(reader.line_num, 1), accepted="quoted cells closed again"
        ) from None


def _csv_line(number: int, header: list[str], cells: list[str]) -> Line:
    if len(cells) == len(header):
        return Line(number, dict(zip(header, cells, strict=True)))
    reason = Refused(
        f"{len(cells)} cells where the header has {len(header)}",
        line=number,
        value=",".join(cells),
        accepted=f"{len(header)} cells separated by commas",
    )
    return Line(number, refused=reason)


def _check_header(header: list[str], needed: Sequence[str]) -> None:
    """Refuse unknown, doubled and missing columns."""
    for name in header:
        if name not in CELLS:
            raise Refused("an unknown column", line=1, column=name, accepted=", ".join(CELLS))
        if header.count(name) > 1:
            raise Refused("the column is there twice", line=1, column=name, value=",".join(header))
    for name in needed:
        if name not in header:
            raise Refused(
                "a column is missing",
                line=1,
                column=name,
                value=",".join(header),
                accepted=", ".join([*needed, "one of temperature_c and temperature_f"]),
            )


def lines_of_json(text: str) -> list[Line]:
    """Return the lines of a JSON list of objects named as the columns of readings.csv, numbered from 1.

    Raises
    ------
    Refused
        Where the text is no JSON list.
    """
    try:
        # Numbers stay as they were written, so that 45.1 percent becomes 0.451 and nothing beside it.
        items = json.loads(text.removeprefix("\ufeff"), parse_float=str, parse_int=str, parse_constant=str)
    except json.JSONDecodeError as error:
        raise Refused(f"not JSON ({error.msg})", line=error.lineno, accepted="a list of objects") from None
    except RecursionError:
        raise Refused("not JSON (nested too deeply)", accepted="a list of objects") from None
    if isinstance(items, dict):
        items = [items]
    if not isinstance(items, list):
        raise Refused("not a list", value=text[:80], accepted="a list of objects")
    if len(items) > MOST_LINES:
        raise _too_many()
    return [_json_line(number, item) for number, item in enumerate(items, start=1)]


def _json_line(number: int, item: Any) -> Line:
    if not isinstance(item, dict):
        reason = Refused("not an object", line=number, value=item, accepted="an object with named values")
        return Line(number, refused=reason)
    for name, value in item.items():
        if name not in CELLS:
            reason = Refused("an unknown column", line=number, column=name, accepted=", ".join(CELLS))
            return Line(number, refused=reason)
        if not isinstance(value, str | None):
            reason = Refused(
                "neither text nor number", line=number, column=name, value=value, accepted="text or number"
            )
            return Line(number, refused=reason)
    return Line(number, {name: value for name, value in item.items() if value is not None})


def _too_many() -> Refused:
    return Refused("too many lines", accepted=f"at most {MOST_LINES:,} in one request")
