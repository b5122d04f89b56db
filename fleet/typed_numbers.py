"""Numbers as people type them: with a decimal comma or point, and a minus of any kind."""

from __future__ import annotations

import math
import re

from django.utils.translation import gettext as _

_NUMBER = re.compile(r"[+-]?(\d{1,7}([.,]\d{0,6})?|[.,]\d{1,6})", re.ASCII)
_MINUS = str.maketrans(
    {"\N{MINUS SIGN}": "-", "\N{EN DASH}": "-", "\N{HYPHEN}": "-", "\N{NO-BREAK SPACE}": " "}
)


def read_number(text: str) -> float | None:
    """Return a typed number, None for nothing.

    Raises
    ------
    ValueError
        Where it is not one number; says what is accepted.
    """
    tidy = text.translate(_MINUS).strip()
    if not tidy:
        return None
    if not _NUMBER.fullmatch(tidy):
        raise ValueError(
            _("“%(text)s” is not a number: write it like 3.5 or 3,5") % {"text": text.strip()[:20]}
        )
    value = float(tidy.replace(",", "."))
    return value if math.copysign(1, value) > 0 or value else 0.0


def write_number(value: float | None) -> str:
    """Return a number as it stands in a field, without needless decimals."""
    return "" if value is None else f"{value:.6f}".rstrip("0").rstrip(".")
