"""Scenarios side by side: what each comes to, and how far that is from the season as it is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext as _

from fleet.access import row_number
from fleet.models import Site
from scheduling.models import Scenario

MOST_COLUMNS = 6
SHOWN = 8
# Fewer days spared are no ground for a price of one.
LEAST_SPARED = 0.5


@dataclass(frozen=True)
class Figure:
    """One figure of a scenario, and its difference from that of the first column; ``better`` where good."""

    value: float | Decimal | None
    difference: float | Decimal | None
    digits: int
    better: bool | None


@dataclass(frozen=True)
class Measure:
    """One row: a measure with its unit, and the figure of every column."""

    words: str
    unit: str
    figures: list[Figure]
    part: bool = False


@dataclass(frozen=True)
class Column:
    """One scenario: weighted days it spares against the first column, at what price, what else it puts off.

    ``newly`` are the services put off here and not there, ``no_longer`` the other way round.
    """

    scenario: Scenario
    first: bool
    spared: float
    price: Decimal | None
    price_a_day: Decimal | None
    newly: list[tuple[str, str]]
    no_longer: list[tuple[str, str]]

    @property
    def newly_shown(self) -> list[tuple[str, str]]:
        """The dearest of those newly put off."""
        return self.newly[:SHOWN]

    @property
    def no_longer_shown(self) -> list[tuple[str, str]]:
        """The dearest of those no longer put off."""
        return self.no_longer[:SHOWN]


@dataclass(frozen=True)
class Comparison:
    """Scenarios of one season; ``doubt`` is what the searches have not proven [weighted days]."""

    columns: list[Column]
    measures: list[Measure]
    doubt: float
    days: bool

    @property
    def chosen(self) -> set[int]:
        """The scenarios shown."""
        return {column.scenario.pk for column in self.columns}


@dataclass(frozen=True)
class WhatIf:
    """All saved scenarios, newest first, and those compared."""

    scenarios: list[Scenario]
    comparison: Comparison | None

    @property
    def any_open(self) -> bool:
        """Whether one still waits or is computed."""
        return any(one.open for one in self.scenarios)


def what_if_page(site: Site, chosen: Sequence[str]) -> WhatIf:
    """Lay out a site's scenarios: one query whatever their number."""
    scenarios = list(Scenario.objects.of_site(site).select_related("site").order_by("-asked_at", "-pk"))
    ordered = in_order(picked([one for one in scenarios if one.cost is not None], chosen))
    return WhatIf(scenarios, compare(ordered) if ordered else None)


def picked(done: Sequence[Scenario], chosen: Sequence[str]) -> list[Scenario]:
    """Return the computed scenarios that were chosen by number, else those of the newest season."""
    wanted = {row_number(number) for number in chosen} - {0}
    found = [one for one in done if one.pk in wanted] if wanted else _newest_season(done)
    return found[:MOST_COLUMNS]


def in_order(scenarios: Sequence[Scenario]) -> list[Scenario]:
    """Return scenarios in the order of their columns: the season as it is first."""
    return sorted(scenarios, key=lambda one: (bool(one.changes), one.pk))


def _newest_season(done: Sequence[Scenario]) -> list[Scenario]:
    """Return those of the same season as the newest, among them the season as it is."""
    same = [one for one in done if _season(one) == _season(done[0])]
    plain = [one for one in same if not one.changes][:1]
    return plain + [one for one in same if one not in plain]


def _season(one: Scenario) -> tuple[object, ...]:
    return one.start, one.weeks, one.hours_per_week


def compare(scenarios: Sequence[Scenario]) -> Comparison:
    """Set computed scenarios side by side, differences against the first."""
    money = [one.money for one in scenarios]
    currency = scenarios[0].site.currency
    rows: list[tuple[str, str, list[float | Decimal | None], int, int, bool]] = [
        (_("Weighted days out of tolerance"), "", [one.cost for one in scenarios], 1, -1, False),
        (_("no plan can be below"), "", [one.bound for one in scenarios], 1, 0, True),
        (
            _("Days out of tolerance, unweighted"),
            _("days"),
            [one.days_out for one in scenarios],
            0,
            -1,
            False,
        ),
        *_by_kind(scenarios),
        (_("Services done"), "", [one.visits for one in scenarios], 0, 0, False),
        (_("Services put off"), "", [len(one.put_off) for one in scenarios], 0, -1, False),
        (_("Hours used"), "h", [sum(one.hours_used) for one in scenarios], 1, 0, False),
        (_("Hours offered"), "h", [sum(one.hours_offered) for one in scenarios], 1, 0, False),
    ]
    if any(value is not None for value in money):
        rows.append((_("Hours used, in money"), currency, list(money), 2, 0, False))
    return Comparison(
        columns=[_column(one, scenarios[0]) for one in scenarios],
        measures=[Measure(words, unit, _figures(*rest), part) for words, unit, *rest, part in rows],  # type: ignore[arg-type]
        doubt=max((one.cost or 0.0) - (one.bound or 0.0) for one in scenarios),
        days=len({one.today for one in scenarios}) > 1,
    )


def _by_kind(
    scenarios: Sequence[Scenario],
) -> Iterable[tuple[str, str, list[float | Decimal | None], int, int, bool]]:
    kinds = dict.fromkeys(kind for one in scenarios for kind in one.days_out_by_kind)
    for kind in kinds:
        values: list[float | Decimal | None] = [one.days_out_by_kind.get(kind, 0.0) for one in scenarios]
        yield _("in %(kind)s") % {"kind": kind}, "", values, 0, -1, True


def _figures(values: Sequence[float | Decimal | None], digits: int, good: int) -> list[Figure]:
    first = values[0]
    found = []
    for place, value in enumerate(values):
        difference = None if place == 0 or value is None or first is None else value - first  # type: ignore[operator]
        shown = difference is not None and round(difference, digits) != 0
        better = difference * good > 0 if shown and good and difference is not None else None
        found.append(Figure(value, difference if shown else None, digits, better))
    return found


def _column(one: Scenario, first: Scenario) -> Column:
    mine = {(tag, kind): cost for tag, kind, _days, cost in one.put_off}
    theirs = {(tag, kind): cost for tag, kind, _days, cost in first.put_off}
    spared = (first.cost or 0.0) - (one.cost or 0.0)
    price = None if one.money is None or first.money is None else one.money - first.money
    return Column(
        scenario=one,
        first=one is first,
        spared=spared,
        price=price,
        price_a_day=price / Decimal(str(spared)) if price and price > 0 and spared >= LEAST_SPARED else None,
        newly=[key for key in mine if key not in theirs],
        no_longer=[key for key in theirs if key not in mine],
    )
