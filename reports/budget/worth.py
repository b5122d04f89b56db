"""What one more hour a week is worth, in weighted days out of tolerance and in money."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from fleet.models import Person, Role, Site
from reports.queries.plans import plan_for

CENT = Decimal("0.01")
LEAST_SPARED = 0.05  # weighted days over all weeks; less is said to be nothing


@dataclass(frozen=True)
class HourWorth:
    """One more hour in each week of a plan that is to come.

    Attributes
    ----------
    hours : int
        One for each week to come [h].
    spared : float
        Weighted days out of tolerance that these hours would spare together [d]; the plan's own figure for
        the first hour more, of which each further one spares less.
    rate, money : Decimal or None
        Price of an hour, and of all of them; None where nobody has said.
    """

    last: date
    hours: int
    spared: float
    rate: Decimal | None

    @property
    def for_each_hour(self) -> float:
        """Weighted days that an hour spares [d/h]."""
        return self.spared / self.hours

    @property
    def money(self) -> Decimal | None:
        """Price of all the hours."""
        return None if self.rate is None else (self.rate * self.hours).quantize(CENT, ROUND_HALF_UP)

    @property
    def price_of_a_day(self) -> Decimal | None:
        """Money for each weighted day spared; None where there is no price, or next to nothing is spared."""
        if self.money is None or self.spared < LEAST_SPARED:
            return None
        return (self.money / Decimal(repr(self.spared))).quantize(CENT, ROUND_HALF_UP)

    @property
    def spares_something(self) -> bool:
        """Whether more hours would spare anything worth saying."""
        return self.spared >= LEAST_SPARED


def hour_worth(site: Site, today: date, wages: bool) -> HourWorth | None:
    """Return what an hour more in every week to come of the plan in hand would spare; None without a plan.

    An hour costs what the site says, else the mean of its technicians' prices by their hours where who asks
    may see wages.
    """
    plan = plan_for(site, today)
    if plan is None:
        return None
    weeks = [plan.start + timedelta(weeks=n) for n in range(len(plan.hour_worth))]
    worth = [
        value for week, value in zip(weeks, plan.hour_worth, strict=True) if week + timedelta(days=6) >= today
    ]
    if not worth:
        return None
    return HourWorth(weeks[-1] + timedelta(days=6), len(worth), float(sum(worth)), hour_price(site, wages))


def hour_price(site: Site, wages: bool) -> Decimal | None:
    """Return what an hour costs at a site where nobody is named; None where that cannot be told."""
    if site.hour_cost is not None or not wages:
        return site.hour_cost
    people = Person.objects.of_site(site).filter(role=Role.TECHNICIAN, hours_per_week__gt=0)
    priced = [
        (Decimal(repr(hours)), cost)
        for hours, cost in people.values_list("hours_per_week", "hour_cost")
        if cost is not None
    ]
    total = sum((hours for hours, _ in priced), Decimal(0))
    money = sum((hours * cost for hours, cost in priced), Decimal(0))
    return (money / total).quantize(CENT, ROUND_HALF_UP) if total else None
