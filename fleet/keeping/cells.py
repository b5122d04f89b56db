"""Values of tables as plain JSON that reads the same whichever database they came from, and back."""

from __future__ import annotations

import base64
import json
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.db import models
from django.db.models import Field

Cell = Any  # what JSON holds: None, bool, int, float or str
Turn = Callable[[Any], Cell]
WHOLE_FROM = 1e16  # from here on a float is written as a whole number by one database and not by another
SECOND_US = 1_000_000


@dataclass(frozen=True)
class Cells:
    """How a column is read from SQLite, from the text PostgreSQL makes of it, and written to both."""

    from_sqlite: Turn
    from_text: Turn
    to_sqlite: Turn
    to_text: Turn


def cells_of(field: Field[Any, Any]) -> Cells:
    """Return how the values of a model's field are turned."""
    while isinstance(field, models.ForeignKey):
        field = field.target_field
    for kinds, cells in _KINDS:
        if isinstance(field, kinds):
            return cells
    if isinstance(field, models.DecimalField):
        return _decimals(field.decimal_places or 0)
    return _TEXT


def _same(value: Any) -> Any:
    return value


def _instant(text: str) -> str:
    """Return an instant in UTC without a zone, its fraction with six digits or none."""
    whole, _, fraction = text.removesuffix("+00").partition(".")
    return f"{whole}.{fraction:0<6}" if fraction.strip("0") else whole


def _clock(text: Any) -> str:
    return _instant(str(text))


def _json(text: str) -> str:
    """Return JSON with its names in order and its numbers as either database gives them back."""
    return json.dumps(json.loads(text, parse_float=_number), sort_keys=True, separators=(",", ":"))


def _number(text: str) -> float | int:
    value = float(text) + 0.0  # PostgreSQL keeps no sign of a zero
    return int(Decimal(text)) if abs(value) >= WHOLE_FROM else value


def _span_of_text(text: str) -> int:
    days, _, clock = text.rpartition(" day")
    hours, minutes, seconds = clock.removeprefix("s").strip().split(":")
    span = timedelta(days=int(days or 0), hours=int(hours), minutes=int(minutes), seconds=float(seconds))
    return round(span / timedelta(microseconds=1))


def _decimals(places: int) -> Cells:
    def told(value: Any) -> str:
        return f"{Decimal(str(value)):.{places}f}"

    return Cells(told, told, _same, _same)


_WHOLE = Cells(int, int, _same, str)
_FLOAT = Cells(float, float, _same, repr)
_TRUTH = Cells(bool, lambda text: text in ("t", "true"), int, lambda value: "t" if value else "f")
_TEXT = Cells(str, str, _same, _same)
_INSTANT = Cells(_instant, _instant, _same, lambda text: f"{text}+00")
_CLOCK = Cells(_clock, _clock, _same, _same)
_JSON = Cells(_json, _json, lambda text: json.dumps(json.loads(text)), _same)
_BYTES = Cells(
    lambda raw: base64.b64encode(raw).decode(),
    lambda text: base64.b64encode(bytes.fromhex(text[2:])).decode(),
    base64.b64decode,
    lambda text: "\\x" + base64.b64decode(text).hex(),
)
_UUID = Cells(
    lambda text: str(uuid.UUID(text)), str, lambda text: uuid.UUID(text).hex, _same
)  # SQLite keeps its 32 digits
_SPAN = Cells(int, _span_of_text, _same, lambda us: f"{us // SECOND_US}.{us % SECOND_US:06d} seconds")
_ADDRESS = Cells(str, lambda text: text.partition("/")[0], _same, _same)

_KINDS: tuple[tuple[Any, Cells], ...] = (
    (models.BooleanField, _TRUTH),
    ((models.IntegerField, models.AutoField), _WHOLE),
    (models.FloatField, _FLOAT),
    (models.DateTimeField, _INSTANT),
    (models.DateField, _TEXT),
    (models.TimeField, _CLOCK),
    (models.JSONField, _JSON),
    (models.BinaryField, _BYTES),
    (models.UUIDField, _UUID),
    (models.DurationField, _SPAN),
    (models.GenericIPAddressField, _ADDRESS),
)
