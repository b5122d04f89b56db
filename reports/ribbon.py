"""The season ribbon: a year of wood moisture around today, with planned work and concerts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Avg, Sum
from django.utils import timezone

from fleet.models import Booking, ClimateDay, Site
from fleet.weeks import monday_before
from reports.axis import Mark, TimeAxis
from reports.queries.plans import plan_number_for
from reports.wood import RUN_UP_DAYS, AirDay, wood_moisture
from scheduling.engine.priors import SOUNDBOARD_TAU
from scheduling.models import PlannedVisit

HALF_YEAR = timedelta(weeks=26)
YEAR = timedelta(weeks=52)
WIDTH, HEIGHT = 1000, 100
MARGIN = 0.002  # fraction of moisture left free above and below the curve


@dataclass(frozen=True)
class Tick:
    """Planned work of one week: its place, and where its top ends, both in percent."""

    at: float
    from_top: float


@dataclass(frozen=True)
class Ribbon:
    """Everything the ribbon draws; places in percent, paths in a box of 1000 by 100."""

    today: float
    months: tuple[Mark, ...]
    ticks: tuple[Tick, ...]
    concerts: tuple[float, ...]
    area: str
    line: str
    year_ago: str
    moisture_now: float | None
    moisture_low: float | None
    moisture_high: float | None


def build_ribbon(site: Site, today: date) -> Ribbon:
    """Read a site's year and lay it out: four queries whatever the size of the fleet."""
    middle = monday_before(today)
    axis = TimeAxis(middle - HALF_YEAR, middle + HALF_YEAR)
    moisture = _site_moisture(site, axis.first - timedelta(days=RUN_UP_DAYS) - HALF_YEAR, today)
    past = {day: value for day, value in moisture.items() if axis.first <= day <= today}
    ago = {day + YEAR: value for day, value in moisture.items() if today <= day + YEAR <= axis.last}
    shown = [*past.values(), *ago.values()]
    low, high = (min(shown), max(shown)) if shown else (None, None)
    scale = (low - MARGIN, high + MARGIN) if low is not None and high is not None else (0.0, 1.0)
    line = _path(past, axis, scale)
    return Ribbon(
        today=axis.place(today),
        months=tuple(axis.months()),
        ticks=tuple(_ticks(site, today, axis)),
        concerts=tuple(_concerts(site, axis)),
        area=_closed(line, past, axis),
        line=line,
        year_ago=_path(ago, axis, scale),
        moisture_now=past[max(past)] if past else None,
        moisture_low=low,
        moisture_high=high,
    )


def _site_moisture(site: Site, first: date, last: date) -> dict[date, float]:
    rows = (
        ClimateDay.objects.of_site(site)
        .filter(date__gte=first, date__lte=last, rh_mean__isnull=False, temp_c_mean__isnull=False)
        .values_list("date")
        .annotate(Avg("temp_c_mean"), Avg("rh_mean"))
        .order_by("date")
    )
    return wood_moisture([AirDay(*row) for row in rows], SOUNDBOARD_TAU)


def _path(points: Mapping[date, float], axis: TimeAxis, scale: tuple[float, float]) -> str:
    """Return an SVG path; a gap of more than three days lifts the pen."""
    low, high = scale
    steps: list[str] = []
    before: date | None = None
    for day in sorted(points):
        pen = "L" if before and (day - before).days <= 3 else "M"
        height = HEIGHT * (1 - (points[day] - low) / (high - low))
        steps.append(f"{pen}{axis.place(day) * WIDTH / 100:.1f} {height:.1f}")
        before = day
    return "".join(steps)


def _closed(line: str, points: Mapping[date, float], axis: TimeAxis) -> str:
    """Return the area under a line, each stretch between gaps closed by itself."""
    if not points:
        return ""
    stretches = [f"M{part}" for part in line.split("M") if part]
    return "".join(
        f"{part}L{_last_x(part)} {HEIGHT}L{part[1:].split(' ', 1)[0]} {HEIGHT}Z" for part in stretches
    )


def _last_x(stretch: str) -> str:
    return stretch.rsplit("L", 1)[-1].lstrip("M").split(" ", 1)[0]


def _ticks(site: Site, today: date, axis: TimeAxis) -> list[Tick]:
    plan = plan_number_for(site, today)
    if plan is None:
        return []
    weeks: Sequence[tuple[date, float]] = list(
        PlannedVisit.objects.filter(plan=plan, week__gte=axis.first, week__lte=axis.last)
        .values_list("week")
        .annotate(Sum("hours"))
        .order_by("week")
    )
    most = max((hours for _, hours in weeks), default=1.0)
    return [
        Tick(axis.place(week + timedelta(days=2)), round(80 * (1 - hours / most), 1)) for week, hours in weeks
    ]


def _concerts(site: Site, axis: TimeAxis) -> list[float]:
    starts = (
        Booking.objects.of_site(site)
        .filter(performance=True, starts_at__date__gte=axis.first, starts_at__date__lte=axis.last)
        .values_list("starts_at", flat=True)
    )
    return sorted({axis.place(timezone.localdate(start)) for start in starts})
