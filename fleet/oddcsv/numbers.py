"""Numbers as loggers write them: decimal point or comma, perhaps with a unit behind."""

from __future__ import annotations

import re
from decimal import Decimal

DECIMAL_MARKS = (".", ",")
_NUMBER = re.compile(
    r"([+-]?\d{1,9}(?:[.,]\d{0,15})?|[+-]?[.,]\d{1,15})\s?(?:%\s?(?:r\.?h\.?)?|[°º]\s?[CFcf]?|[CFcf])?",
    re.ASCII | re.IGNORECASE,
)
_WITH = {
    mark: re.compile(rf"[+-]?(?:\d{{1,9}}(?:\{mark}\d{{0,15}})?|\{mark}\d{{1,15}})") for mark in DECIMAL_MARKS
}


def plain_number(cell: str) -> str | None:
    """Return a number's text without its unit, whatever its decimal mark; None where it is no number."""
    found = _NUMBER.fullmatch(cell.strip().replace("\N{MINUS SIGN}", "-"))
    return found[1] if found else None


def read_number(cell: str, mark: str, shift: int = 0) -> float:
    """Return a number written with a decimal mark, the mark moved by so many places.

    Raises
    ------
    ValueError
        With what is accepted.
    """
    text = plain_number(cell)
    if text is None or not _WITH[mark].fullmatch(text):
        raise ValueError(f"a number with a decimal {'comma' if mark == ',' else 'point'}")
    # In decimal, so that 45.1 percent is the 0.451 that a folder's file would give.
    return float(Decimal(text.replace(",", ".")).scaleb(shift))
