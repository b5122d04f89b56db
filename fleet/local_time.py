"""Clock changes of a time zone as arrays, so that a million local times are placed in milliseconds."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

Micros = NDArray[np.int64]
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SECOND = 1_000_000
HOUR = 3600 * SECOND
DAY = 24 * HOUR


def micros(instant: datetime) -> int:
    """Return an aware instant, or a naive local time, as microseconds from 1970 on its own clock."""
    start = EPOCH if instant.tzinfo else EPOCH.replace(tzinfo=None)
    return (instant - start) // timedelta(microseconds=1)


def instant_of(us: int) -> datetime:
    """Return the aware UTC instant of so many microseconds from 1970."""
    return EPOCH + timedelta(microseconds=int(us))


def day_number(day: date) -> int:
    """Return the days from 1970-01-01 to a date."""
    return day.toordinal() - EPOCH.toordinal()


class LocalClock:
    """The clock on the wall of a time zone over a stretch of days.

    Parameters
    ----------
    zone : the time zone
    first, last : dates between which times are asked for; a few days around them are added

    Notes
    -----
    Local times are microseconds from 1970-01-01 00:00 on the wall. Where a time is skipped or repeated, the
    first reading of it counts the offset before the change and the second the offset after it, as in
    PEP 495. Two changes within one UTC day would be seen as one; the time zone database has none since 1900
    (common practice, no source).
    """

    def __init__(self, zone: tzinfo, first: date, last: date) -> None:
        days = range(first.toordinal() - 3, last.toordinal() + 4)
        midnights = [datetime.combine(date.fromordinal(day), datetime.min.time(), UTC) for day in days]
        offsets = [_offset(zone, midnight) for midnight in midnights]
        changes = [
            (_change(zone, midnights[i], midnights[i + 1]), offsets[i], offsets[i + 1])
            for i in range(len(offsets) - 1)
            if offsets[i] != offsets[i + 1]
        ]
        self.changes = np.array([change for change, _, _ in changes], np.int64)
        self.offsets = np.array([offsets[0], *(after for _, _, after in changes)], np.int64)
        before, after = self.offsets[:-1], self.offsets[1:]
        # On the wall, the offset before counts until here at the first reading, until there at the second.
        self._first_until = self.changes + np.maximum(before, after)
        self._second_until = self.changes + np.minimum(before, after)

    def to_local(self, utc: Micros) -> Micros:
        """Return what the wall shows at UTC instants [µs], same shape."""
        return utc + self.offsets[np.searchsorted(self.changes, utc, side="right")]

    def to_utc(self, local: Micros, second: NDArray[np.bool_] | bool = False) -> Micros:
        """Return UTC instants of local times [µs], of the second reading of a repeated one where asked."""
        return local - np.where(second, self._offset_second(local), self._offset_first(local))

    def skipped(self, local: Micros) -> NDArray[np.bool_]:
        """Return which local times the clock never shows."""
        return self._offset_first(local) < self._offset_second(local)

    def repeated(self, local: Micros) -> NDArray[np.bool_]:
        """Return which local times the clock shows twice."""
        return self._offset_first(local) > self._offset_second(local)

    def second_readings(self, groups: NDArray[np.int64], local: Micros) -> NDArray[np.bool_]:
        """Return which repeated local times are second readings, told apart by the order of the rows.

        Within a group, such as a room, the first pass through a repeated hour is taken for the first reading
        until the time stands still or goes back. A group whose last row is earlier than its first is read
        from its end.
        """
        second = np.zeros(len(local), bool)
        repeated = self.repeated(local)
        change = np.searchsorted(self._second_until, local, side="right")
        for group in np.unique(groups[repeated]):
            rows = np.flatnonzero(groups == group)
            if local[rows[-1]] < local[rows[0]]:
                rows = rows[::-1]
            before, again = None, False
            for row in rows[repeated[rows]]:
                same_change = before is not None and change[before] == change[row]
                again = same_change and bool(again or local[row] <= local[before])
                second[row], before = again, row
        return second

    def midnight(self, days: NDArray[np.int64]) -> Micros:
        """Return the UTC instants [µs] at which local days, counted from 1970-01-01, begin."""
        return self.to_utc(days * DAY)

    def _offset_first(self, local: Micros) -> Micros:
        return self.offsets[np.searchsorted(self._first_until, local, side="right")]

    def _offset_second(self, local: Micros) -> Micros:
        return self.offsets[np.searchsorted(self._second_until, local, side="right")]


def _offset(zone: tzinfo, instant: datetime) -> int:
    """Return the offset of a zone at an instant [µs]."""
    offset = instant.astimezone(zone).utcoffset()
    assert offset is not None
    return offset // timedelta(microseconds=1)


def _change(zone: tzinfo, early: datetime, late: datetime) -> int:
    """Return the instant [µs] between two at which the offset changes, found by halving to the second."""
    before = _offset(zone, early)
    while late - early > timedelta(seconds=1):
        middle = early + timedelta(seconds=(late - early) // timedelta(seconds=2))
        early, late = (middle, late) if _offset(zone, middle) == before else (early, middle)
    return micros(late)
