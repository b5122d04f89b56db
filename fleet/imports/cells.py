"""Cells of the folder's files: how a text is read, what is accepted, and the text that reads back."""

# ruff: noqa: D102 - reading and writing are described once, at Cell

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal, InvalidOperation
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from fleet.days_off import countries
from fleet.keyboard import read_compass
from fleet.models.sites import check_time_zone
from fleet.notes import read_notes
from fleet.weeks import monday_of, week_of

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,9}", re.ASCII)
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_TIME = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}.*", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})", re.ASCII)
_SLUG = re.compile(r"[-\w]+", re.ASCII)
_DAY_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

#: Times and dates outside these years are slips of a keyboard or of a logger's clock.
FIRST_DAY_YEAR, FIRST_YEAR, LAST_YEAR = 1400, 1900, 2199


class Cell:
    """A kind of cell; ``read`` raises ValueError with what is accepted, ``write`` is its inverse."""

    def read(self, text: str) -> Any:
        """Return the value of a text that is not empty."""
        raise NotImplementedError

    def write(self, value: Any) -> str:
        """Return the text of a value."""
        return str(value)


@dataclass(frozen=True)
class Text(Cell):
    """Any text up to a length, kept to the letter."""

    longest: int | None = None

    def read(self, text: str) -> str:
        if self.longest is not None and len(text) > self.longest:
            raise ValueError(f"at most {self.longest} characters")
        return text


@dataclass(frozen=True)
class Slug(Cell):
    """A kind that a site may add: letters, digits, hyphen and underscore."""

    longest: int = 40

    def read(self, text: str) -> str:
        if not _SLUG.fullmatch(text.strip()) or len(text.strip()) > self.longest:
            raise ValueError(f"letters, digits, - and _, at most {self.longest}")
        return text.strip()


@dataclass(frozen=True)
class Number(Cell):
    """A number within bounds, with a decimal point; exactly the float that is stored."""

    low: float = -math.inf
    high: float = math.inf
    above: bool = False  # the low bound itself is left out

    def read(self, text: str) -> float:
        value = float(text) if _NUMBER.fullmatch(text.strip()) else math.nan
        if not math.isfinite(value) or not self.low <= value <= self.high:
            raise ValueError(self.accepted)
        if self.above and value == self.low:
            raise ValueError(self.accepted)
        return value

    def write(self, value: float) -> str:
        return repr(float(value)).removesuffix(".0")

    @property
    def accepted(self) -> str:
        """What is taken, in words."""
        said = "a number with a decimal point"
        if self.low > -math.inf:
            said += f", above {self.low:g}" if self.above else f", at least {self.low:g}"
        return said + (f", at most {self.high:g}" if self.high < math.inf else "")


@dataclass(frozen=True)
class Percent(Number):
    """A percentage in the file, a fraction in the tables; the point moves in decimal, so nothing is lost."""

    def read(self, text: str) -> float:
        Number.read(self, text)
        return float(Decimal(text.strip()).scaleb(-2))

    def write(self, value: float) -> str:
        text = format(Decimal(repr(float(value))).scaleb(2), "f")
        return text.rstrip("0").rstrip(".") if "." in text else text


@dataclass(frozen=True)
class Whole(Cell):
    """A whole number within bounds."""

    low: int
    high: int

    def read(self, text: str) -> int:
        if not _WHOLE.fullmatch(text.strip()) or not self.low <= int(text) <= self.high:
            raise ValueError(f"a whole number from {self.low} to {self.high}")
        return int(text)


class Money(Cell):
    """An amount of at least zero with two decimals."""

    def read(self, text: str) -> Decimal:
        try:
            value = Decimal(text.strip()) if _NUMBER.fullmatch(text.strip()) else Decimal(-1)
        except InvalidOperation:
            value = Decimal(-1)
        if not 0 <= value < 1_000_000 or value != round(value, 2):
            raise ValueError("an amount from 0 to 999999.99 with at most two decimals")
        return round(value, 2)

    def write(self, value: Decimal) -> str:
        return f"{value:.2f}"


class Day(Cell):
    """A date."""

    def read(self, text: str) -> date:
        try:
            value = date.fromisoformat(text.strip()) if _DAY.fullmatch(text.strip()) else date.min
        except ValueError:
            value = date.min
        if not FIRST_DAY_YEAR <= value.year <= LAST_YEAR:
            raise ValueError(f"a date such as 2026-11-25, from {FIRST_DAY_YEAR} to {LAST_YEAR}")
        return value

    def write(self, value: date) -> str:
        return value.isoformat()


class Week(Cell):
    """An ISO week, kept as its Monday."""

    def read(self, text: str) -> date:
        try:
            return monday_of(text)
        except ValueError:
            raise ValueError("an ISO week that its year has, such as 2027-W05") from None

    def write(self, value: date) -> str:
        return week_of(value)


class Instant(Cell):
    """A time: aware where it has an offset, else naive and the site's local time."""

    def read(self, text: str) -> datetime:
        try:
            value = datetime.fromisoformat(text.strip()) if _TIME.fullmatch(text.strip()) else None
        except ValueError:
            value = None
        if value is None or not FIRST_YEAR <= value.year <= LAST_YEAR:
            raise ValueError(
                f"a time such as 2026-11-25T08:30 or 2026-11-25T07:30:00+00:00, {FIRST_YEAR} to {LAST_YEAR}"
            )
        return value

    def write(self, value: datetime) -> str:
        return value.astimezone(UTC).isoformat()


@dataclass(frozen=True)
class Choice(Cell):
    """One of a few words."""

    words: Sequence[str]

    def read(self, text: str) -> str:
        if text.strip() not in self.words:
            raise ValueError(", ".join(self.words))
        return text.strip()


class YesNo(Cell):
    """Yes or no."""

    def read(self, text: str) -> bool:
        if text.strip().lower() not in {"yes", "no"}:
            raise ValueError("yes or no")
        return text.strip().lower() == "yes"

    def write(self, value: bool) -> str:
        return "yes" if value else "no"


class Country(Cell):
    """A country whose public holidays are known."""

    def read(self, text: str) -> str:
        if text.strip() and text.strip() not in countries():
            raise ValueError("an ISO 3166-1 code of two letters whose holidays are known, such as AT")
        return text.strip()


class Email(Cell):
    """An address for letters."""

    def read(self, text: str) -> str:
        try:
            validate_email(text.strip())
        except ValidationError:
            raise ValueError("an e-mail address") from None
        if len(text.strip()) > 254:
            raise ValueError("an e-mail address of at most 254 characters")
        return text.strip()


class Zone(Cell):
    """A time zone by name."""

    def read(self, text: str) -> str:
        try:
            check_time_zone(text.strip())
        except ValidationError:
            raise ValueError("a name of the time zone database such as Europe/Vienna") from None
        return text.strip()


@dataclass(frozen=True)
class Words(Cell):
    """Kinds, separated by spaces or semicolons; a word may stand for none listed."""

    none_listed: str = ""

    def read(self, text: str) -> list[str]:
        words = text.replace(";", " ").split()
        if words == [self.none_listed]:
            return []
        if len(set(words)) != len(words) or not all(_SLUG.fullmatch(word) for word in words):
            raise ValueError("kinds separated by spaces, each once")
        return words

    def write(self, value: list[str]) -> str:
        return " ".join(value) or self.none_listed


class Weekdays(Cell):
    """Weekdays as digits from 1 for Monday, as short names, or ``none``."""

    def read(self, text: str) -> list[int]:
        if text.strip().lower() == "none":
            return []
        words = text.replace(";", " ").lower().split()
        marks = list(words[0]) if len(words) == 1 and words[0].isdecimal() else words
        known = {name: day for day, name in enumerate(_DAY_NAMES)} | {str(day + 1): day for day in range(7)}
        days = [known.get(mark, -1) for mark in marks]
        if -1 in days or len(set(days)) != len(days):
            raise ValueError("weekdays each once, such as 12345, Mon Tue, or none")
        return days

    def write(self, value: list[int]) -> str:
        return "".join(str(day + 1) for day in value) or "none"


class TimeOfDay(Cell):
    """A time on the wall, hours and minutes."""

    def read(self, text: str) -> time:
        found = _CLOCK.fullmatch(text.strip())
        if not found or int(found[1]) > 23 or int(found[2]) > 59:
            raise ValueError("a time of day such as 08:30")
        return time(int(found[1]), int(found[2]))

    def write(self, value: time) -> str:
        return value.strftime("%H:%M")


class Notes(Cell):
    """Notes of the keyboard, separated by spaces."""

    def read(self, text: str) -> list[str]:
        try:
            return read_notes(text)
        except ValueError as error:
            raise ValueError(f"notes from A0 to C8 separated by spaces ({error})") from None

    def write(self, value: list[str]) -> str:
        return " ".join(value)


class LowestToHighest(Cell):
    """The compass of a keyboard."""

    def read(self, text: str) -> str:
        try:
            return "-".join(read_compass(text))
        except ValueError as error:
            raise ValueError(f"lowest and highest note such as F1-F6 ({error})") from None
