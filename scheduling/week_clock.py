"""The week of a site in slots of a quarter of an hour that passes, whatever its clocks do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from scheduling.engine.said import On, worded
from scheduling.engine.week import Span
from scheduling.engine.week.rules import SLOT_MINUTES

SLOT = timedelta(minutes=SLOT_MINUTES)


@dataclass(frozen=True)
class WeekClock:
    """Slots of a week from its Monday's midnight on the wall; the day of a clock change is an hour off."""

    monday: date
    zone: ZoneInfo

    @cached_property
    def begins(self) -> datetime:
        """The week's first instant."""
        return self.instant(self.monday, time.min)

    @cached_property
    def days(self) -> tuple[int, ...]:
        """First slot of each day, and the end of the week."""
        return tuple(
            self.slot(self.instant(self.monday + timedelta(days=number), time.min)) for number in range(8)
        )

    def instant(self, day: date, at: time) -> datetime:
        """Return when the wall shows a time; one that the clocks skip counts as the hour after."""
        return datetime.combine(day, at, self.zone).astimezone(UTC)

    def slot(self, instant: datetime, up: bool = False) -> int:
        """Return the slot in which an instant lies, or with ``up`` the first that begins at or after it."""
        passed = instant.astimezone(UTC) - self.begins
        return -(-passed // SLOT) if up else passed // SLOT

    def at(self, slot: int) -> datetime:
        """Return when a slot begins."""
        return self.begins + slot * SLOT

    def within(self, first: int, last: int) -> Span | None:
        """Return what of a stretch lies in the week, if anything."""
        first, last = max(first, self.days[0]), min(last, self.days[-1])
        return Span(first, last) if first < last else None

    def work(self, day: date, begins: time, ends: time) -> Span | None:
        """Return the whole slots between two times of a day."""
        return self.within(self.slot(self.instant(day, begins), up=True), self.slot(self.instant(day, ends)))

    def taken(self, begins: datetime, ends: datetime) -> Span | None:
        """Return every slot that a stretch touches."""
        return self.within(self.slot(begins), self.slot(ends, up=True))

    def in_words(self, begins: datetime, ends: datetime) -> str:
        """Return a stretch as the wall shows it: ``Tue 24 Nov 09:00 to 11:00``."""
        first, last = begins.astimezone(self.zone), ends.astimezone(self.zone)
        style = "time" if last.date() == first.date() else "short time"
        return worded("%(first)s to %(last)s", first=On(first, "short time"), last=On(last, style))
