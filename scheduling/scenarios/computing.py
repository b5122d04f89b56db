"""Computing a scenario: the same season by the same steps as a plan, from changed inputs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np

from fleet.models import Person, Site
from scheduling import forecasting, planning
from scheduling.engine.forecast import FleetModel
from scheduling.engine.season import SeasonResult
from scheduling.engine.subjects import Days, Floats
from scheduling.inputs import read_catalogue, visit_measures, with_more
from scheduling.plan_moves import path_days
from scheduling.planning import Wanted
from scheduling.scenarios.changes import Change
from scheduling.scenarios.start import Start
from scheduling.season_problem import Season, SeasonSetup, season_setup

CENT = Decimal("0.01")
Say = Callable[[str], None]


@dataclass(frozen=True)
class SomeOf:
    """The model of a fleet, asked about some of its lines."""

    model: FleetModel
    kept: Sequence[int]

    def out_probability(
        self, service_days: Days, days: Days, rows: Sequence[int] | None = None
    ) -> tuple[Floats, Floats]:
        """As the whole model, with rows counted among those kept.

        All lines are asked for: in the fifth place a line's figures hang on those asked for with it.
        """
        asked = list(self.kept) if rows is None else [self.kept[row] for row in rows]
        since_last, after = self.model.out_probability(service_days, days)
        return since_last[asked], after[asked]


@dataclass(frozen=True)
class Worked:
    """A scenario worked out: the problem, its answer, and what the answer takes in money."""

    setup: SeasonSetup
    result: SeasonResult
    money: Decimal | None
    hours_without_price: float

    def figures(self) -> dict[str, Any]:
        """Return the figures by the names of the row's fields."""
        season, result = self.setup.season, self.result
        by_kind = days_out_by_kind(self.setup, result)
        return {
            "today": season.today,
            "outcome": str(result.outcome),
            "cost": float(result.cost),
            "bound": float(result.bound),
            "days_out": sum(by_kind.values()),
            "days_out_by_kind": by_kind,
            "visits": len(result.visits) + len(self.setup.wishes.dated),
            "hours_offered": self.setup.offered.hours.sum(axis=0).tolist(),
            "hours_used": used_by_week(self.setup, result).tolist(),
            "hour_worth": result.hour_worth.tolist(),
            "money": self.money,
            "hours_without_price": self.hours_without_price,
            "put_off": put_off_rows(self.setup, result),
            "notes": list(self.setup.wishes.notes),
        }


def work_out(
    site: Site,
    wanted: Wanted,
    changes: Sequence[Change],
    today: date,
    say: Say = lambda line: None,
    must_stop: Callable[[], bool] | None = None,
) -> Worked:
    """Compute a season with changes; without any it is the season a plan would be made from.

    Raises
    ------
    fleet.refusal.Refused
        Where the season cannot be meant, nobody offers hours or held visits cannot be done.
    """
    planning.check(wanted, today)
    season = Season(wanted.start, wanted.weeks, today)
    say("reading what is known")
    start = Start.unchanged(season, planning.facts_of(site, season), read_catalogue(site))
    for change in changes:
        start = change.apply(start)
    setup = _set_up(site, wanted, start, say)
    result = planning.solve(setup, wanted.time_limit, say, must_stop)
    money, unpriced = price(site, setup, result)
    return Worked(setup, result, money, unpriced)


def _set_up(site: Site, wanted: Wanted, start: Start, say: Say) -> SeasonSetup:
    season = start.season
    offered = planning.offered_or_refused(site, season, wanted.hours_per_week, start.also_away)
    if np.any(start.more):
        offered = with_more(offered, start.more, visit_measures(site, offered.people))
    say("forecasting every instrument")
    facts, model = start.facts, forecasting.model_of(start.facts)
    # Who has gone still taught what is known of those that are like it.
    kept = [n for n, line in enumerate(facts.lines) if line.instrument_id not in start.gone]
    facts = replace(facts, lines=tuple(facts.lines[n] for n in kept))
    before = planning.worked_by(site, season).weeks
    return season_setup(site, season, facts, SomeOf(model, kept), offered, True, before, start.gone)


def used_by_week(setup: SeasonSetup, result: SeasonResult) -> Any:
    """Hours used in each week, tunings for performances included [h]."""
    used = result.hours_used.copy()
    for tuning in setup.wishes.dated:
        used[setup.season.week(tuning.day) - 1] += setup.lines[tuning.line].hours
    return used


def days_out_by_kind(setup: SeasonSetup, result: SeasonResult) -> dict[str, float]:
    """Expected days out of tolerance without weights, by kind of service [d]."""
    weeks: dict[int, list[int]] = defaultdict(list)
    for visit in result.visits:
        weeks[visit.job].append(visit.week)
    days: dict[str, float] = defaultdict(float)
    for n, line in enumerate(setup.lines):
        days[line.subject.service] += path_days(setup, n, weeks[n])
    return dict(days)


def put_off_rows(setup: SeasonSetup, result: SeasonResult) -> list[list[Any]]:
    """What has no visit, dearest first: tag, kind, days out, weighted days."""
    dated = {tuning.line for tuning in setup.wishes.dated}
    return [
        [
            setup.lines[row.job].subject.instrument,
            setup.lines[row.job].subject.service,
            float(row.days_out),
            float(row.cost),
        ]
        for row in result.put_off
        if row.job not in dated
    ]


def price(site: Site, setup: SeasonSetup, result: SeasonResult) -> tuple[Decimal | None, float]:
    """Return what the hours used cost, by each person's own price or the site's, and the hours without one.

    None where no hour has a price.
    """
    hours: dict[int, Decimal] = defaultdict(Decimal)
    for visit in result.visits:
        hours[visit.person] += _decimal(visit.hours)
    for tuning in setup.wishes.dated:
        hours[tuning.person] += _decimal(setup.lines[tuning.line].hours)
    total, priced, unpriced = Decimal(0), False, Decimal(0)
    for person, worked in hours.items():
        rate = _rate(site, setup.offered.people[person])
        if rate is None:
            unpriced += worked
        else:
            total, priced = total + worked * rate, True
    known = priced or (not hours and site.hour_cost is not None)
    return (total.quantize(CENT) if known else None), float(unpriced)


def _rate(site: Site, person: Person | None) -> Decimal | None:
    return site.hour_cost if person is None or person.hour_cost is None else person.hour_cost


def _decimal(hours: float) -> Decimal:
    """Hours as decimals: to the minute's hundredth, so that sums of floats leave no trace."""
    return Decimal(str(round(hours, 4)))
