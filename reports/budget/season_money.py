"""What an administrator reads first: hours and money of the week and of the season, planned and done."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from fleet.models import Site
from reports.budget.ledger import Entry, Stand, read_ledger
from scheduling.models import SeasonPlan


@dataclass(frozen=True)
class Sum:
    """Hours and what they cost [currency of the site]; `cost` is None where some hour has no price."""

    hours: Decimal
    cost: Decimal | None


@dataclass(frozen=True)
class SeasonMoney:
    """Pairs of planned and done: in the week shown, up to that week's end, and over the whole plan."""

    week: tuple[Sum, Sum]
    so_far: tuple[Sum, Sum]
    whole: tuple[Sum, Sum]
    first: date
    last: date
    currency: str

    @property
    def unpriced(self) -> bool:
        """Whether some hour has no price."""
        return any(one.cost is None for pair in (self.week, self.so_far, self.whole) for one in pair)


def season_money(site: Site, plan: SeasonPlan, monday: date) -> SeasonMoney:
    """Sum up a plan's weeks from the entries of the budget, so that both agree to the cent."""
    first, last = plan.start, plan.start + timedelta(days=7 * plan.weeks - 1)
    entries = read_ledger(site, first, last, names=False, waiting=False, by="week").entries
    return SeasonMoney(
        week=_pair(entry for entry in entries if entry.week == monday),
        so_far=_pair(entry for entry in entries if entry.week is not None and entry.week <= monday),
        whole=_pair(entries),
        first=first,
        last=last,
        currency=site.currency,
    )


def _pair(entries: Iterable[Entry]) -> tuple[Sum, Sum]:
    found = list(entries)
    return _sum(found, Stand.PLANNED), _sum(found, Stand.DONE)


def _sum(entries: list[Entry], stand: Stand) -> Sum:
    those = [entry for entry in entries if entry.stand == stand]
    costs = [entry.cost for entry in those]
    known = [cost for cost in costs if cost is not None]
    return Sum(
        sum((entry.hours for entry in those), Decimal(0)),
        sum(known, Decimal(0)) if len(known) == len(costs) else None,
    )
