"""Dates and times in the styles that loggers use, and which orders of day, month and year a date allows."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from datetime import date

from fleet.local_time import DAY, HOUR, SECOND, day_number

ORDERS = ("ymd", "dmy", "mdy", "epoch")
FIRST_YEAR, LAST_YEAR = 1900, 2199
MINUTE = 60 * SECOND
CACHED = 20_000  # texts; a day has 86,400 seconds, a year of days 366

_DATE = r"(?P<date>\d{8}|[^\W_]+(?:[-./, ]{1,2}[^\W_]+){2})"
_CLOCK = r"(?P<clock>\d{1,2}[:h]\d{2}(?::\d{2}(?:[.,]\d{1,9})?)?(?:\s?[AaPp]\.?[Mm]\.?)?)"
_OFFSET = r"(?:\s?(?P<offset>Z|UTC|GMT|[+-][0-9]{2}:?(?:[0-9]{2})?))?"
_BOTH = re.compile(rf"{_DATE}(?:[T,; ]\s?){_CLOCK}{_OFFSET}")
_PACKED = re.compile(rf"(?P<date>\d{{8}})[T ]?(?P<clock>\d{{4}}(?:\d{{2}})?){_OFFSET}")
_ONLY_DATE = re.compile(_DATE)
_ONLY_CLOCK = re.compile(rf"{_CLOCK}{_OFFSET}")
_CLOCK_PARTS = re.compile(
    r"(\d{1,2})[:h]?(\d{2})(?::?(\d{2})(?:[.,](\d{1,9}))?)?(?:\s?([AaPp])\.?[Mm]\.?)?", re.ASCII
)
_EPOCH = re.compile(r"\d{9,10}(?:\.\d+)?|\d{12,13}", re.ASCII)
# First letters of the months, without accents, in English, German, French, Spanish, Italian and Dutch.
_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan gen ene",
            "feb fev",
            "mar maa",
            "apr avr abr",
            "may mai mag mei",
            "jun giu juin",
            "jul lug juil",
            "aug aou ago",
            "sep set",
            "oct okt ott",
            "nov",
            "dec dez dic",
        ),
        start=1,
    )
    for name in names.split()
}


def day_of(text: str, order: str) -> int | None:
    """Return the day, counted from 1970-01-01, that a date is in an order; None where it is none."""
    if len(text) == 8 and _plain(text):
        parts = [text[:4], text[4:6], text[6:]] if order == "ymd" else []
    else:
        parts = re.split(r"[-./, ]+", text)
    if len(parts) != 3:
        return None
    told = dict(zip(order, parts, strict=True))
    if not _plain(told.get("y", "")) or len(told["y"]) not in (2, 4):
        return None
    if not _plain(told["d"]) or len(told["d"]) > 2:
        return None
    month = _month(told["m"])
    year = int(told["y"]) + (2000 if len(told["y"]) == 2 else 0)
    if month is None or not FIRST_YEAR <= year <= LAST_YEAR:
        return None
    try:
        return day_number(date(year, month, int(told["d"])))
    except ValueError:
        return None


def _plain(text: str) -> bool:
    """Return whether a text is of the digits 0 to 9 alone; a raised two is a digit to Python as well."""
    return text.isascii() and text.isdigit()


def _month(text: str) -> int | None:
    if _plain(text):
        return int(text) if len(text) <= 2 else None
    plain = unicodedata.normalize("NFKD", text.lower()).encode("ascii", "ignore").decode()
    return _MONTHS.get(plain[:4], _MONTHS.get(plain[:3]))


def clock_of(text: str) -> int | None:
    """Return how far into the day a time of day is [µs]; 24:00 is the day's end, None is no time."""
    found = _CLOCK_PARTS.fullmatch(text)
    if not found:
        return None
    hour, minute, second = (int(part or 0) for part in found.group(1, 2, 3))
    half = (found.group(5) or "").lower()
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    micro = int((found.group(4) or "0").ljust(6, "0")[:6])
    if minute > 59 or second > 59 or hour > 24 or (hour == 24 and (minute or second or micro)):
        return None
    return hour * HOUR + minute * MINUTE + second * SECOND + micro


def offset_of(text: str) -> int | None:
    """Return an offset from UTC [µs]; None where it is none on earth."""
    if text in ("Z", "UTC", "GMT"):
        return 0
    digits = text[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 14 or minutes > 59:
        return None
    return (-1 if text[0] == "-" else 1) * (hours * HOUR + minutes * MINUTE)


def parts_of(text: str) -> tuple[str, str, str] | None:
    """Split a date with its time into date, clock and offset, the last empty where there is none."""
    found = _BOTH.fullmatch(text) or _PACKED.fullmatch(text)
    return (found["date"], found["clock"], found["offset"] or "") if found else None


def is_stamp(text: str) -> bool:
    """Return whether a text is a date with its time in any order."""
    split = parts_of(text)
    if split is None:
        return bool(_EPOCH.fullmatch(text)) and _epoch(text) is not None
    return bool(orders_of(split[0])) and clock_of(split[1]) is not None


def is_date(text: str) -> bool:
    """Return whether a text is a date alone in any order."""
    return bool(_ONLY_DATE.fullmatch(text)) and bool(orders_of(text))


def is_clock(text: str) -> bool:
    """Return whether a text is a time of day alone."""
    found = _ONLY_CLOCK.fullmatch(text)
    return bool(found) and clock_of(found["clock"]) is not None  # type: ignore[index]


def orders_of(text: str) -> frozenset[str]:
    """Return the orders of day, month and year in which a date is one."""
    return frozenset(order for order in ("ymd", "dmy", "mdy") if day_of(text, order) is not None)


def orders_of_all(dates: Iterable[str]) -> frozenset[str]:
    """Return the orders in which all dates are dates; none where they are of different styles.

    Where two orders read every date as the same day, as on the third of March, one of them stands for both.
    """
    texts = set(dates)
    fitting = frozenset(("ymd", "dmy", "mdy"))
    for text in texts:
        fitting &= orders_of(text)
    if len(fitting) < 2:
        return fitting
    kept: dict[tuple[int | None, ...], str] = {}
    for order in sorted(fitting):
        kept.setdefault(tuple(day_of(text, order) for text in sorted(texts)), order)
    return frozenset(kept.values())


def _epoch(text: str) -> int | None:
    """Return an instant counted in seconds or milliseconds from 1970 [µs]."""
    milliseconds = len(text) >= 12 and "." not in text
    us = int(text) * 1000 if milliseconds else round(float(text) * SECOND)
    return us if us < day_number(date(LAST_YEAR, 12, 31)) * DAY else None


class StampReader:
    """Reads date and time of many rows; every different date and time of day is worked out once.

    Parameters
    ----------
    order : the order of day, month and year, or ``epoch`` for seconds from 1970
    """

    def __init__(self, order: str) -> None:
        self.order = order
        self._days: dict[str, int | None] = {}
        self._clocks: dict[str, int | None] = {}

    def read(self, text: str) -> tuple[int, int | None] | None:
        """Return time [µs] and offset [µs] of a date with its time; None where it is none.

        The time is UTC where there is an offset, which is None where there is none.
        """
        text = text.strip()
        if self.order == "epoch":
            us = _epoch(text) if _EPOCH.fullmatch(text) else None
            return None if us is None else (us, 0)
        split = parts_of(text)
        return None if split is None else self._joined(*split)

    def read_two(self, day: str, clock: str) -> tuple[int, int | None] | None:
        """Return the same from a column of dates and one of times."""
        found = _ONLY_CLOCK.fullmatch(clock.strip())
        if not found:
            return None
        # A spreadsheet writes a date with a time of midnight beside the time proper.
        date_text = re.sub(r"[T ]0{1,2}:00(:00)?$", "", day.strip())
        return self._joined(date_text, found["clock"], found["offset"] or "")

    def _joined(self, day: str, clock: str, offset: str) -> tuple[int, int | None] | None:
        days, within = self._day(day), self._clock(clock)
        if days is None or within is None:
            return None
        us = days * DAY + within
        if not offset:
            return us, None
        away = offset_of(offset)
        return None if away is None else (us - away, away)

    def _day(self, text: str) -> int | None:
        if text not in self._days:
            if len(self._days) > CACHED:
                self._days.clear()
            self._days[text] = day_of(text, self.order)
        return self._days[text]

    def _clock(self, text: str) -> int | None:
        if text not in self._clocks:
            if len(self._clocks) > CACHED:
                self._clocks.clear()
            self._clocks[text] = clock_of(text)
        return self._clocks[text]
