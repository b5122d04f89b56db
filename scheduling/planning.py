"""Season plans as a service: make a draft from the facts, approve one, find the one that people work by."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
from django.db import transaction
from django.db.models import Case, QuerySet, When
from django.db.models.functions import Coalesce
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet.models import Site
from fleet.refusal import Refused
from fleet.weeks import monday_before, mondays, week_of
from scheduling import forecasting
from scheduling.engine.season import SeasonResult, plan_season
from scheduling.engine.season import write_model as write_mps
from scheduling.engine.season.calendar_rule import calendar_plan
from scheduling.engine.season.solver import SolverError
from scheduling.inputs import Away, FleetFacts, HoursOffered, fleet_facts, hours_offered
from scheduling.models import SeasonPlan
from scheduling.plan_rows import Before, store_plan
from scheduling.season_problem import Previous, Season, SeasonSetup, calendar_intervals, season_setup

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
    must_stop: Callable[[], bool] | None = None,
    stored: Callable[[SeasonPlan], None] | None = None,
) -> SeasonPlan:
    """Make, store and return a draft of a season plan; a path given is written the integer model in MPS.

    Whoever has to note that it is there does so in ``stored``, within the transaction that stores it: both
    are kept or neither.

    Raises
    ------
    fleet.refusal.Refused
        Where what is wanted is out of range, nobody offers hours, or held visits cannot be done.
    """
    check(wanted, today)
    run = forecasting.refresh(site, today, progress=progress, now=now)
    before = worked_by(site, Season(wanted.start, wanted.weeks, today))
    setup = set_up(site, wanted, today, before.weeks)
    if write_model is not None:
        _write(setup, write_model)
    result = solve(setup, wanted.time_limit, progress or (lambda line: None), must_stop)
    rival = calendar_plan(setup.problem, calendar_intervals(setup))
    if wanted.rules == "none":
        before = replace(before, weeks={})
    with transaction.atomic():
        plan = store_plan(site, setup, run, wanted.rules, result, rival.cost, now or timezone.now(), before)
        if stored is not None:
            stored(plan)
    return plan


def check(wanted: Wanted, today: date) -> None:
    """Refuse a season that cannot be meant.

    Raises
    ------
    fleet.refusal.Refused
        Naming what is out of range and what is accepted.
    """
    if wanted.start.weekday() != 0:
        raise Refused(
            _("a season starts on a Monday"), value=wanted.start, accepted=str(monday_before(wanted.start))
        )
    if not 1 <= wanted.weeks <= MOST_WEEKS:
        raise Refused(
            _("weeks out of range"),
            value=wanted.weeks,
            accepted=_("1 to %(most_weeks)s") % {"most_weeks": MOST_WEEKS},
        )
    if wanted.hours_per_week is not None and not 0 <= wanted.hours_per_week < np.inf:
        raise Refused(_("hours per week out of range"), value=wanted.hours_per_week, accepted=_("0 or more"))
    if wanted.rules not in RULES:
        raise Refused(_("unknown rules"), value=wanted.rules, accepted=" or ".join(RULES))
    last = Season(wanted.start, wanted.weeks, today).last_day
    furthest = today + timedelta(days=forecasting.LONGEST_HORIZON_DAYS)
    if not today <= last <= furthest:
        raise Refused(
            _("the season's last day is out of range"),
            value=last,
            accepted=_("%(today)s to %(furthest)s") % {"today": today, "furthest": furthest},
        )


def set_up(site: Site, wanted: Wanted, today: date, before: Previous | None = None) -> SeasonSetup:
    """Return a site's season as the planner's problem.

    Raises
    ------
    fleet.refusal.Refused
        Where nobody offers hours, or a fact is refused by the engine.
    """
    season = Season(wanted.start, wanted.weeks, today)
    offered = offered_or_refused(site, season, wanted.hours_per_week)
    facts = facts_of(site, season)
    model = forecasting.model_of(facts)
    if before is None:
        before = worked_by(site, season).weeks
    return season_setup(site, season, facts, model, offered, wanted.rules == "all", before)


def offered_or_refused(
    site: Site, season: Season, hours_per_week: float | None, also_away: Sequence[Away] = ()
) -> HoursOffered:
    """Return the hours of a season's weeks.

    Raises
    ------
    fleet.refusal.Refused
        Where nobody offers any.
    """
    offered = hours_offered(site, season.mondays, season.today, hours_per_week, also_away)
    if offered is None:
        raise Refused(
            _("no technician of the site has hours a week, and every visit needs somebody who does it"),
            accepted=_("people.csv with role technician and hours_per_week, or --hours-per-week"),
        )
    return offered


def facts_of(site: Site, season: Season) -> FleetFacts:
    """Return what is known of a site, for a forecast that reaches to the season's end."""
    ahead = (season.last_day - season.today).days + 1
    return fleet_facts(site, season.today, max(forecasting.HORIZON_DAYS, ahead))


def worked_by(site: Site, season: Season) -> Before:
    """Return the approved plan that people work by, if any, with the weeks to come of each service."""
    first = max(season.start, monday_before(season.today))
    plan = current_plan(site, first)
    if plan is None or plan.state != SeasonPlan.State.APPROVED:
        return Before(None, {})
    weeks: dict[tuple[int, str], tuple[int, ...]] = defaultdict(tuple)
    rows = plan.visits.filter(week__gte=first, week__lte=season.last_day).order_by("week")
    for instrument, kind, week in rows.values_list("instrument_id", "kind", "week"):
        weeks[instrument, kind] += (season.week(week),)
    return Before(plan, dict(weeks))


def solve(
    setup: SeasonSetup, time_limit: float, say: Progress, must_stop: Callable[[], bool] | None = None
) -> SeasonResult:
    """Return the best plan found within the time limit.

    Raises
    ------
    fleet.refusal.Refused
        Where held visits do not fit the hours; the words name them.
    """
    try:
        return plan_season(
            setup.problem, time_limit, lambda step, gap: say(f"{step}, gap {gap:.2%}"), must_stop
        )
    except ValueError as error:
        first = week_of(setup.season.start)
        raise Refused(
            _("the season cannot be planned: %(error)s (week 1 is %(first)s)")
            % {"error": error, "first": first}
        ) from error


def _write(setup: SeasonSetup, path: Path) -> None:
    """Write the plan's own problem; the price on moving visits steers the choice and is no part of it."""
    if path.suffix != ".mps" or not path.absolute().parent.is_dir():
        raise Refused(
            _("the model cannot be written"), value=path, accepted=_("a file .mps in a folder that exists")
        )
    try:
        write_mps(replace(setup.problem, moving_price=0.0), path)
    except (SolverError, OSError) as error:
        raise Refused(_("the model cannot be written: %(error)s") % {"error": error}) from error


def approve(plan: SeasonPlan, at: datetime) -> SeasonPlan:
    """Make a draft the plan that people work by; approving it again changes nothing.

    Week by week the plan approved last is the one that counts. A former plan of which no week to come is left
    is marked as replaced; one that reaches further stays approved for those weeks.
    """
    SeasonPlan.objects.filter(pk=plan.pk, state=SeasonPlan.State.DRAFT).update(
        state=SeasonPlan.State.APPROVED, approved_at=at
    )
    plan.refresh_from_db(fields=["state", "approved_at"])
    first = monday_before(plan.site.local_date(at))
    approved = SeasonPlan.objects.of_site(plan.site).filter(state=SeasonPlan.State.APPROVED)
    taken: set[date] = set()
    gone = []
    for one in approved.order_by("-approved_at", "-pk"):
        ahead = {monday for monday in mondays(one.start, one.weeks) if monday >= first}
        if ahead and ahead <= taken:
            gone.append(one.pk)
        taken |= ahead
    SeasonPlan.objects.filter(pk__in=gone).update(state=SeasonPlan.State.REPLACED)
    return plan


def replaced(site: Site) -> QuerySet[SeasonPlan]:
    """Return the plans that others have been approved instead of."""
    return SeasonPlan.objects.of_site(site).filter(state=SeasonPlan.State.REPLACED)


def current_plan_number(site: Site, week_monday: date) -> int | None:
    """Return the number of the plan approved last of those that cover a week, else of the newest draft.

    A replaced plan still tells what was worked by in weeks that have passed.
    """
    covering = SeasonPlan.objects.of_site(site).filter(
        start__lte=week_monday, start__gt=week_monday - timedelta(weeks=MOST_WEEKS)
    )
    by_rank = covering.order_by(
        Case(When(state=SeasonPlan.State.DRAFT, then=1), default=0),
        Coalesce("approved_at", "made_at").desc(),
        "-pk",
    )
    ends = (
        (pk, start + timedelta(weeks=weeks))
        for pk, start, weeks in by_rank.values_list("pk", "start", "weeks")
    )
    return next((pk for pk, end in ends if week_monday < end), None)


def current_plan(site: Site, week_monday: date) -> SeasonPlan | None:
    """Return that plan itself."""
    number = current_plan_number(site, week_monday)
    return None if number is None else SeasonPlan.objects.filter(pk=number).first()
