"""What the next years need: services and hours to keep every instrument in tolerance, with a range."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet.models import Site
from fleet.refusal import Refused
from fleet.weeks import monday_before, mondays
from scheduling import forecasting
from scheduling.asked_work import OPEN, Cancelled, Reporter, carry_out
from scheduling.engine.forecast import FleetModel
from scheduling.engine.subjects import Days, Floats
from scheduling.inputs import FleetFacts, fleet_facts, hours_offered
from scheduling.models import SeasonsAhead
from scheduling.season_changes import Author

MOST_YEARS = 3
STRETCHES_A_YEAR = 4
WEEKS = 13  # of a stretch; four of them are a year of 52 weeks
LOW, HIGH = 0.1, 0.9  # ends of the range, as shares of the simulated futures
HUNDREDTH = Decimal("0.01")
TELL_EVERY = 25  # lines


@transaction.atomic
def ask(site: Site, years: int, by: Author, at: datetime) -> SeasonsAhead:
    """Ask for the need of some years; the same that still waits or runs is not asked for twice.

    Raises
    ------
    fleet.refusal.Refused
        Where the years are out of range.
    """
    if not 1 <= years <= MOST_YEARS:
        raise Refused("years out of range", value=years, accepted=f"1 to {MOST_YEARS}")
    waiting = SeasonsAhead.objects.of_site(site).filter(state__in=OPEN, years=years).first()
    return waiting or SeasonsAhead.objects.create(
        site=site, years=years, asked_at=at, asked_by=by.user, asker=by.name
    )


def compute(work_id: int) -> SeasonsAhead | None:
    """Compute what was asked for, unless that was done, is being done, or is no longer wanted."""
    return carry_out(SeasonsAhead, work_id, _compute)


def _compute(work: SeasonsAhead, reporter: Reporter) -> None:
    today = work.site.local_date(timezone.now())
    begins = stretches_of(today, work.years)
    last = begins[-1] + timedelta(weeks=WEEKS) - timedelta(days=1)
    reporter.say(_("reading what is known"))
    facts = fleet_facts(work.site, today, (last - today).days)
    reporter.say(_("following air and wood"))
    model = forecasting.model_of(facts)
    hours = _simulated(facts, model, _places(today, begins, last), reporter)
    SeasonsAhead.objects.filter(pk=work.pk).update(
        today=today,
        stretches=_stretches(work.site, today, begins, hours),
        needs=_needs(hours),
        years_range=_ranges(hours, work.years),
    )


def stretches_of(today: date, years: int) -> list[date]:
    """Return the Mondays on which the stretches begin, the first on or before today."""
    first = monday_before(today)
    return [first + timedelta(weeks=WEEKS * n) for n in range(STRETCHES_A_YEAR * years)]


def _places(today: date, begins: list[date], last: date) -> Days:
    """Which stretch every day from today to the last belongs to; 0 is today alone, what is out already."""
    day = today.toordinal() + np.arange((last - today).days + 1)
    place = 1 + (day - begins[0].toordinal()) // (7 * WEEKS)
    place[0] = 0
    return np.asarray(place, np.int64)


class _Sums:
    """Services and hours of one kind of service, by stretch and simulated future."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.services: Floats = np.zeros(shape)
        self.hours: Floats = np.zeros(shape)

    def add(self, counts: Days, hours: float) -> None:
        """Add one instrument's services."""
        self.services += counts
        self.hours += counts * hours


def _simulated(facts: FleetFacts, model: FleetModel, places: Days, reporter: Reporter) -> dict[str, _Sums]:
    sums: dict[str, _Sums] = {}
    needed = model.services_needed(places, forecasting.SEED)
    for done, (row, counts) in enumerate(needed, start=1):
        line = facts.lines[row]
        sums.setdefault(line.subject.service, _Sums(counts.shape)).add(counts, line.hours)
        if done % TELL_EVERY == 0:
            reporter.say(_("%(done)d of %(all)d services followed") % {"done": done, "all": len(facts.lines)})
        if reporter.must_stop():
            raise Cancelled
    return sums


def _stretches(site: Site, today: date, begins: list[date], sums: dict[str, _Sums]) -> list[dict[str, str]]:
    offered = ["", *(str(hours) for hours in _offered(site, today, begins))]
    days = [(today, today)]
    days += [(max(begin, today), begin + timedelta(days=7 * WEEKS - 1)) for begin in begins]
    return [
        {
            "first": str(first),
            "last": str(last),
            "offered": hours_there,
            "low": str(_exact(float(np.quantile(hours, LOW)))),
            "high": str(_exact(float(np.quantile(hours, HIGH)))),
        }
        for (first, last), hours_there, hours in zip(
            days, offered, _total(sums, len(begins) + 1), strict=True
        )
    ]


def _offered(site: Site, today: date, begins: list[date]) -> list[Decimal]:
    """Hours offered in each stretch, as people, absences and reserve stand today [h]."""
    found = hours_offered(site, mondays(begins[0], WEEKS * len(begins)), today)
    if found is None:
        return [Decimal("0.00")] * len(begins)
    by_week = [_exact(value) for value in found.hours.sum(axis=0)]
    return [sum(by_week[WEEKS * n : WEEKS * (n + 1)], Decimal(0)) for n in range(len(begins))]


def _needs(sums: dict[str, _Sums]) -> list[list[object]]:
    rows: list[list[object]] = []
    for service, found in sums.items():
        for place, (services, hours) in enumerate(
            zip(found.services.mean(axis=1), found.hours.mean(axis=1), strict=True)
        ):
            rows.append([place, service, str(_exact(float(services))), str(_exact(float(hours)))])
    return sorted(rows, key=lambda row: (row[0], row[1]))


def _ranges(sums: dict[str, _Sums], years: int) -> list[list[str]]:
    """Low and high end of the hours of each year; what is out today belongs to the first."""
    total = _total(sums, STRETCHES_A_YEAR * years + 1)
    by_year: dict[int, Floats] = defaultdict(lambda: np.zeros(total.shape[1]))
    for place, hours in enumerate(total):
        by_year[max(place - 1, 0) // STRETCHES_A_YEAR] += hours
    ends = ([float(np.quantile(by_year[n], share)) for share in (LOW, HIGH)] for n in range(years))
    return [[str(_exact(low)), str(_exact(high))] for low, high in ends]


def _total(sums: dict[str, _Sums], stretches: int) -> Floats:
    """Hours of all services by stretch and future; one future without any where there is no instrument."""
    if not sums:
        return np.zeros((stretches, 1))
    return np.asarray(sum(found.hours for found in sums.values()))


def _exact(value: float) -> Decimal:
    return Decimal(repr(float(value))).quantize(HUNDREDTH, ROUND_HALF_UP)
