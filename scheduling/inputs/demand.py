"""What others ask of a season: rooms booked solid, performances, and visits that people have fixed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from fleet.access import SiteQuerySet
from fleet.models import Booking, HeldVisit, Instrument, Site
from fleet.weeks import monday_before
from scheduling.engine.said import On, worded

Span = tuple[datetime, datetime]
WORKDAY_STARTS, WORKDAY_ENDS = time(8), time(18)
WORKING_DAYS = 5
# Share of a week's working hours from which on a room leaves no time for a visit; common practice, no source.
BOOKED_SOLID = 0.8


@dataclass(frozen=True)
class Performance:
    """That an instrument is played in public on a day."""

    instrument_id: int
    day: date
    title: str


def booked_solid(site: Site, mondays: Sequence[date]) -> set[tuple[str, date]]:
    """Return the (name of a room, Monday) pairs in which bookings leave no time for a visit."""
    seconds: dict[tuple[str, date], float] = defaultdict(float)
    for (room, day), spans in _booked(site, mondays).items():
        seconds[room, monday_before(day)] += _covered(spans)
    day_length = datetime.combine(mondays[0], WORKDAY_ENDS) - datetime.combine(mondays[0], WORKDAY_STARTS)
    limit = BOOKED_SOLID * WORKING_DAYS * day_length.total_seconds()
    return {pair for pair, booked in seconds.items() if booked >= limit - 1}


def _booked(site: Site, mondays: Sequence[date]) -> dict[tuple[str, date], list[Span]]:
    spans = defaultdict(list)
    rows = _bookings(site, mondays).values_list("room__name", "starts_at", "ends_at")
    opens, closes = (instant.replace(tzinfo=None) for instant in _window(site, mondays))
    for room, starts, ends in rows:
        begin, end = (instant.astimezone(site.zone).replace(tzinfo=None) for instant in (starts, ends))
        for day, first, last in _by_day(max(begin, opens), min(end, closes)):
            spans[room, day].append((first, last))
    return spans


def _window(site: Site, mondays: Sequence[date]) -> Span:
    ends = mondays[-1] + timedelta(days=7)
    return datetime.combine(mondays[0], time.min, site.zone), datetime.combine(ends, time.min, site.zone)


def _bookings(site: Site, mondays: Sequence[date]) -> SiteQuerySet[Booking]:
    first, last = _window(site, mondays)
    return Booking.objects.of_site(site).filter(ends_at__gt=first, starts_at__lt=last).order_by("starts_at")


def _by_day(begin: datetime, end: datetime) -> Iterator[tuple[date, datetime, datetime]]:
    """Cut a booking into its parts within the working hours of Monday to Friday."""
    day = begin.date()
    while day <= end.date():
        first = max(begin, datetime.combine(day, WORKDAY_STARTS))
        last = min(end, datetime.combine(day, WORKDAY_ENDS))
        if first < last and day.weekday() < WORKING_DAYS:
            yield day, first, last
        day += timedelta(days=1)


def _covered(spans: list[Span]) -> float:
    """Seconds covered by at least one span; spans that overlap count once."""
    total, reached = 0.0, datetime.min
    for first, last in sorted(spans):
        first = max(first, reached)
        if last > first:
            total += (last - first).total_seconds()
            reached = last
    return total


def performances(site: Site, mondays: Sequence[date]) -> list[Performance]:
    """Return who is played in public when, by day and instrument.

    A performance that names no instrument is taken to be played on the instruments of its room that are kept
    for concerts, or on those kept for recitals where there are none.
    """
    bookings = _bookings(site, mondays).filter(performance=True).prefetch_related("instruments")
    standing: dict[int, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    rows = Instrument.objects.of_site(site).filter(use_class__in=("concert", "recital"))
    for pk, room_id, use_class in rows.order_by("tag").values_list("pk", "room_id", "use_class"):
        standing[room_id][use_class].append(pk)
    found: dict[tuple[date, int], Performance] = {}
    for booking in bookings:
        here = standing[booking.room_id]
        named = [instrument.pk for instrument in booking.instruments.all()]
        day = site.local_date(booking.starts_at)
        if mondays[0] <= day < mondays[-1] + timedelta(days=7):
            for pk in named or here["concert"] or here["recital"]:
                found.setdefault((day, pk), Performance(pk, day, booking.title))
    return [found[key] for key in sorted(found)]


def silent_performances(site: Site, mondays: Sequence[date]) -> list[str]:
    """Return a sentence on each performance for which nothing is tuned, repeats of one told together.

    They name no instrument, and none kept for concerts or recitals stands in their room.
    """
    standing = Instrument.objects.of_site(site).filter(use_class__in=("concert", "recital"), retired_on=None)
    rows = _bookings(site, mondays).filter(performance=True, instruments=None)
    days: dict[tuple[str, str], list[date]] = defaultdict(list)
    for title, room, starts in rows.exclude(room__in=standing.values("room")).values_list(
        "title", "room__name", "starts_at"
    ):
        day = site.local_date(starts)
        if mondays[0] <= day < mondays[-1] + timedelta(days=7):
            days[title or worded("the performance"), room].append(day)
    return [
        worded(
            "%(title)s on %(days)s in %(room)s: no instrument is named, and none for concerts or recitals "
            "stands there, so nothing is tuned for it",
            title=title,
            days=_days(when),
            room=room,
        )
        for (title, room), when in days.items()
    ]


def held_visits(site: Site, mondays: Sequence[date]) -> list[HeldVisit]:
    """Return the visits that people have fixed within these weeks."""
    rows = HeldVisit.objects.of_site(site).filter(week__gte=mondays[0], week__lte=mondays[-1])
    return list(rows.select_related("instrument").order_by("week", "instrument__tag", "kind"))


def _days(days: Sequence[date]) -> str:
    first = On(days[0], "weekday")
    if len(days) == 1:
        return worded("%(day)s", day=first)
    return worded("%(day)s and %(number)s more", day=first, number=len(days) - 1)
