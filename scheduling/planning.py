"""Season plans as a service: make a draft from the facts, approve one, find the one that people work by."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
from django.utils import timezone

from fleet.models import Site
from fleet.refusal import Refused
from fleet.weeks import monday_before, week_of
from scheduling import forecasting
from scheduling.engine.season import SeasonResult, plan_season
from scheduling.engine.season import write_model as write_mps
from scheduling.engine.season.calendar_rule import calendar_plan
from scheduling.engine.season.solver import SolverError
from scheduling.inputs import fleet_facts, hours_offered
from scheduling.models import SeasonPlan
from scheduling.plan_rows import store_plan
from scheduling.season_problem import Season, SeasonSetup, calendar_intervals, season_setup

MOST_WEEKS = 60
RULES = ("all", "none")
TIME_LIMIT = 60.0
UNNAMED = "unnamed technician"

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Wanted:
    """What a season plan is asked for.

    ``hours_per_week`` is for all people together; without it everybody's own hours count, less the site's
    reserve. Rules "none" leave only paths and hours: no held, barred or dated visit, no order of services.
    """

    start: date
    weeks: int
    hours_per_week: float | None = None
    rules: str = "all"
    time_limit: float = TIME_LIMIT


def make_season_plan(
    site: Site,
    wanted: Wanted,
    today: date,
    write_model: Path | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> SeasonPlan:
    """Make, store and return a draft of a season plan; a path given is written the integer model in MPS.

    Raises
    ------
    fleet.refusal.Refused
        Where what is wanted is out of range, nobody offers hours, or held visits cannot be done.
    """
    check(wanted, today)
    run = forecasting.refresh(site, today, progress=progress, now=now)
    setup = set_up(site, wanted, today)
    if write_model is not None:
        _write(setup, write_model)
    result = solve(setup, wanted.time_limit, progress or (lambda line: None))
    rival = calendar_plan(setup.problem, calendar_intervals(setup))
    return store_plan(site, setup, run, wanted.rules, result, rival.cost, now or timezone.now())


def check(wanted: Wanted, today: date) -> None:
    """Refuse a season that cannot be meant.

    Raises
    ------
    fleet.refusal.Refused
        Naming what is out of range and what is accepted.
    """
    if wanted.start.weekday() != 0:
        raise Refused(
            "a season starts on a Monday", value=wanted.start, accepted=str(monday_before(wanted.start))
        )
    if not 1 <= wanted.weeks <= MOST_WEEKS:
        raise Refused("weeks out of range", value=wanted.weeks, accepted=f"1 to {MOST_WEEKS}")
    if wanted.hours_per_week is not None and not 0 <= wanted.hours_per_week < np.inf:
        raise Refused("hours per week out of range", value=wanted.hours_per_week, accepted="0 or more")
    if wanted.rules not in RULES:
        raise Refused("unknown rules", value=wanted.rules, accepted=" or ".join(RULES))
    last = Season(wanted.start, wanted.weeks, today).last_day
    furthest = today + timedelta(days=forecasting.LONGEST_HORIZON_DAYS)
    if not today <= last <= furthest:
        raise Refused("the season's last day is out of range", value=last, accepted=f"{today} to {furthest}")


def set_up(site: Site, wanted: Wanted, today: date) -> SeasonSetup:
    """Return a site's season as the planner's problem.

    Raises
    ------
    fleet.refusal.Refused
        Where nobody offers hours, or a fact is refused by the engine.
    """
    season = Season(wanted.start, wanted.weeks, today)
    offered = hours_offered(site, season.mondays, today, wanted.hours_per_week)
    if offered is None:
        raise Refused(
            "no technician of the site has hours a week, and every visit needs somebody who does it",
            accepted="people.csv with role technician and hours_per_week, or --hours-per-week",
        )
    ahead = (season.last_day - today).days + 1
    facts = fleet_facts(site, today, max(forecasting.HORIZON_DAYS, ahead))
    model = forecasting.model_of(facts)
    return season_setup(
        site, season, facts, model, offered, wanted.rules == "all", approved_weeks(site, season)
    )


def approved_weeks(site: Site, season: Season) -> dict[tuple[int, str], tuple[int, ...]]:
    """Return the weeks to come in which the approved plan, if there is one, has each service."""
    first = max(season.start, monday_before(season.today))
    plan = current_plan(site, first)
    if plan is None or plan.state != SeasonPlan.State.APPROVED:
        return {}
    weeks: dict[tuple[int, str], tuple[int, ...]] = defaultdict(tuple)
    rows = plan.visits.filter(week__gte=first, week__lte=season.last_day).order_by("week")
    for instrument, kind, week in rows.values_list("instrument_id", "kind", "week"):
        weeks[instrument, kind] += (season.week(week),)
    return dict(weeks)


def solve(setup: SeasonSetup, time_limit: float, say: Progress) -> SeasonResult:
    """Return the best plan found within the time limit.

    Raises
    ------
    fleet.refusal.Refused
        Where held visits do not fit the hours; the words name them.
    """
    try:
        return plan_season(setup.problem, time_limit, lambda step, gap: say(f"{step}, gap {gap:.2%}"))
    except ValueError as error:
        first = week_of(setup.season.start)
        raise Refused(f"the season cannot be planned: {error} (week 1 is {first})") from error


def _write(setup: SeasonSetup, path: Path) -> None:
    """Write the plan's own problem; the price on moving visits steers the choice and is no part of it."""
    if path.suffix != ".mps" or not path.absolute().parent.is_dir():
        raise Refused(
            "the model cannot be written", value=path, accepted="a file .mps in a folder that exists"
        )
    try:
        write_mps(replace(setup.problem, moving_price=0.0), path)
    except (SolverError, OSError) as error:
        raise Refused(f"the model cannot be written: {error}") from error


def approve(plan: SeasonPlan, at: datetime) -> SeasonPlan:
    """Make a draft the plan that people work by; approving it again changes nothing."""
    SeasonPlan.objects.filter(pk=plan.pk, state=SeasonPlan.State.DRAFT).update(
        state=SeasonPlan.State.APPROVED, approved_at=at
    )
    plan.refresh_from_db(fields=["state", "approved_at"])
    return plan


def current_plan(site: Site, week_monday: date) -> SeasonPlan | None:
    """Return the newest approved plan that covers a week, else the newest draft, else None."""
    covering = SeasonPlan.objects.of_site(site).filter(
        start__lte=week_monday, start__gt=week_monday - timedelta(weeks=MOST_WEEKS)
    )
    newest = (
        (SeasonPlan.State.APPROVED, ("-approved_at", "-pk")),
        (SeasonPlan.State.DRAFT, ("-made_at", "-pk")),
    )
    for state, order in newest:
        for plan in covering.filter(state=state).order_by(*order).iterator(50):
            if week_monday < plan.start + timedelta(weeks=plan.weeks):
                return plan
    return None
