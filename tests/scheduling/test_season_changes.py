"""What people do to a plan: hold, release, move, approve; history, conflicts and the figures that follow."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from fleet.models import HeldVisit
from fleet.refusal import Refused
from scheduling import planning, season_changes
from scheduling.models import LineCosts, PlanChange, PlannedVisit, SeasonPlan
from scheduling.move_effects import effects
from scheduling.planning import Wanted, make_season_plan
from scheduling.season_changes import Author, ChangedMeanwhile, author
from tests.factories import (
    MONDAY,
    TODAY,
    make_booking,
    make_climate,
    make_instrument,
    make_person,
    make_plan,
    make_room,
    make_service,
    make_site,
    make_user,
    make_visit,
    seasons,
)

pytestmark = pytest.mark.django_db
WEEKS = 6
AT = datetime(2026, 11, 25, 9, tzinfo=UTC)


@pytest.fixture
def site():
    site = make_site()
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=300), 301, seasons(0.42, 0.14))
    for number, use in enumerate(("concert", "teaching")):
        instrument = make_instrument(room, f"I-{number}", "grand", use_class=use)
        make_service(instrument, TODAY - timedelta(days=30 + 9 * number), left=0.1)
    make_person(site, "Ada", 6.0)
    return site


@pytest.fixture
def plan(site):
    """A plan by hand: quick, and what it was judged by is not known."""
    plan = make_plan(site, MONDAY, WEEKS, hours_used=[1.5, 1.5, 0, 0, 0, 0], hours_offered=[6.0] * WEEKS)
    for number, instrument in enumerate(site.instruments.order_by("tag")[:2]):
        make_visit(plan, instrument, week(1 + number), technician=site.people.get())
    return plan


@pytest.fixture
def made(site):
    """A plan by the planner."""
    return make_season_plan(site, Wanted(MONDAY, WEEKS, time_limit=20), TODAY, now=AT)


@pytest.fixture
def ada(site):
    user = make_user(site)
    site.people.filter(name="Ada").update(user=user)
    return author(user, site)


def week(number):
    return MONDAY + timedelta(weeks=number - 1)


def a_visit(plan, **fields):
    return (
        plan.visits.select_related("instrument").filter(dated=False, **fields).order_by("week", "pk").first()
    )


def free_week(visit):
    """A week to come of the plan without this service of the instrument."""
    taken = set(
        visit.plan.visits.filter(instrument=visit.instrument, kind=visit.kind).values_list("week", flat=True)
    )
    return next(week(n) for n in range(1, WEEKS + 1) if week(n) not in taken)


def test_a_held_visit_becomes_a_fact_and_a_released_one_stops_being_one(plan, ada):
    visit = a_visit(plan)
    season_changes.hold(visit, 0, ada, AT)
    held = HeldVisit.objects.get()
    assert (held.instrument, held.kind, held.week) == (visit.instrument, visit.kind, visit.week)
    visit.refresh_from_db()
    assert visit.held
    season_changes.release(visit, 1, ada, AT)
    visit.refresh_from_db()
    assert not visit.held
    assert not HeldVisit.objects.exists()
    rows = plan.changes.order_by("version").values_list("version", "what", "name", "kind", "from_week")
    assert list(rows) == [
        (1, "held", "Ada", visit.kind, visit.week),
        (2, "released", "Ada", visit.kind, visit.week),
    ]


def test_a_moved_visit_is_held_at_its_new_week_and_every_figure_follows(made, ada):
    visit = a_visit(made, kind="tuning")
    season_changes.hold(visit, 0, ada, AT)
    target = free_week(visit)
    change = season_changes.move(visit, target, 1, ada, AT)
    assert HeldVisit.objects.get().week == target
    moved = PlannedVisit.objects.get(pk=visit.pk)
    assert (moved.week, moved.held) == (target, True)
    assert (change.from_week, change.to_week, change.name) == (visit.week, target, "Ada")
    before, after = made, SeasonPlan.objects.get(pk=made.pk)
    used = [sum(v.hours for v in after.visits.filter(week=week(n))) for n in range(1, WEEKS + 1)]
    assert after.hours_used == pytest.approx(used)
    assert after.cost - before.cost == pytest.approx(change.cost_change)
    assert after.gap == pytest.approx((after.cost - after.bound) / after.cost)
    assert after.version == 2


def test_what_a_move_costs_is_the_difference_of_a_problem_set_up_anew(site, made, ada):
    """Source of the expected value: the arcs of the planner's problem, set up again from the facts."""
    visit = a_visit(made, kind="tuning", instrument__tag="I-0")
    setup = planning.set_up(site, Wanted(MONDAY, WEEKS), TODAY)
    line = next(n for n, one in enumerate(setup.lines) if one.subject.instrument == "I-0")
    assert setup.lines[line].subject.service == "tuning"
    cost = setup.problem.jobs[line].cost
    others = made.visits.filter(instrument=visit.instrument, kind="tuning").exclude(pk=visit.pk)
    fixed = [setup.season.week(one.week) for one in others]

    def path(extra):
        nodes = [0, *sorted([*fixed, extra]), WEEKS + 1]
        return sum(cost[a, b] for a, b in zip(nodes, nodes[1:], strict=False))

    target = free_week(visit)
    expected = path(setup.season.week(target)) - path(setup.season.week(visit.week))
    # Both are sums of the same floats, so they agree to rounding.
    assert season_changes.move(visit, target, 0, ada, AT).cost_change == pytest.approx(expected, abs=1e-9)


def test_a_plan_made_anew_is_built_around_the_moved_visit(site, made, ada):
    visit = a_visit(made, kind="tuning")
    target = free_week(visit)
    season_changes.move(visit, target, 0, ada, AT)
    anew = make_season_plan(site, Wanted(MONDAY, WEEKS, time_limit=20), TODAY)
    held = anew.visits.get(held=True)
    assert (held.instrument, held.kind, held.week) == (visit.instrument, visit.kind, target)


def test_a_week_that_cannot_take_the_visit_says_how_many_hours_are_missing(made, ada):
    visit = a_visit(made)
    full = {one.week: one for one in effects(visit, TODAY)}
    for effect in full.values():
        hours = sum(v.hours for v in made.visits.filter(week=effect.week))
        # One person with six hours a week: what is missing is what is planned beyond them.
        assert effect.over == pytest.approx(max(hours + visit.hours - 6.0, 0.0))
        assert effect.left == pytest.approx(max(6.0 - hours - visit.hours, 0.0))


def test_a_rule_that_a_move_breaks_is_named_in_words():
    site = make_site()
    instrument = make_instrument(make_room(site), "G-1", "grand")
    plan = make_plan(site, MONDAY, 4)
    allowed = np.zeros((5, 4), dtype=bool)
    for w in range(1, 5):
        allowed[1 : w + 1, w - 1] = True
    rule = {
        "on": "bedding",
        "name": "bedding before regulation",
        "reason": "a frame is bedded first",
        "allowed": np.packbits(allowed).tobytes().hex(),
    }
    cost = np.zeros(15).tobytes()
    LineCosts.objects.create(
        plan=plan, instrument=instrument, kind="regulation", hours=6, cost=cost, rules=[rule], people=[None]
    )
    LineCosts.objects.create(
        plan=plan, instrument=instrument, kind="bedding", hours=1, cost=cost, barred={"4": "the hall is full"}
    )
    bedding = PlannedVisit.objects.create(
        plan=plan, instrument=instrument, kind="bedding", week=week(1), hours=1, reason="x"
    )
    PlannedVisit.objects.create(
        plan=plan, instrument=instrument, kind="regulation", week=week(2), hours=6, reason="x"
    )
    said = {effect.week: effect.broken for effect in effects(bedding, TODAY)}
    assert said[week(2)] == ()
    assert said[week(3)] == (
        "regulation in the week of 7 December breaks “bedding before regulation”: a frame is bedded first",
    )
    assert said[week(4)][0] == "the week is closed to it: the hall is full"


def test_two_people_at_one_instrument_get_a_clear_word_and_the_first_one_s_change_stays(plan, ada):
    visit = a_visit(plan)
    target = free_week(visit)
    season_changes.move(visit, target, 0, ada, AT)
    late = Author(None, "Bo")
    with pytest.raises(ChangedMeanwhile, match=f"while you were looking, Ada moved the {visit.kind} of"):
        season_changes.hold(visit, 0, late, AT)
    assert PlannedVisit.objects.get(pk=visit.pk).week == target
    assert plan.changes.count() == 1


def test_two_people_at_two_instruments_do_not_stand_in_each_other_s_way(plan, ada):
    first = a_visit(plan)
    second = plan.visits.exclude(instrument=first.instrument).filter(dated=False).first()
    season_changes.hold(first, 0, ada, AT)
    season_changes.hold(second, 0, Author(None, "Bo"), AT)
    assert list(plan.changes.order_by("version").values_list("name", flat=True)) == ["Ada", "Bo"]


@pytest.mark.parametrize("target", [week(0), week(WEEKS + 1), week(1) + timedelta(days=1)])
def test_a_visit_cannot_leave_the_weeks_to_come_of_its_plan(plan, ada, target):
    visit = a_visit(plan)
    with pytest.raises(Refused, match="cannot be moved there"):
        season_changes.move(visit, target, 0, ada, AT)
    assert PlanChange.objects.count() == 0


def test_a_visit_for_a_performance_stays_with_it(site, ada):
    at = datetime(2026, 12, 11, 19, tzinfo=UTC)
    concert = site.instruments.get(tag="I-0")
    make_booking(site.rooms.get(), at, 2, [concert], performance=True, title="Gala")
    plan = make_season_plan(site, Wanted(MONDAY, WEEKS, time_limit=20), TODAY)
    visit = plan.visits.get(dated=True)
    assert visit.instrument == concert
    for act in (
        lambda: season_changes.hold(visit, 0, ada, AT),
        lambda: season_changes.move(visit, week(5), 0, ada, AT),
    ):
        with pytest.raises(Refused, match="belongs to a performance"):
            act()
    assert not HeldVisit.objects.exists()


def test_an_approved_plan_replaces_the_former_where_it_covers_it_and_both_say_so(site, ada):
    former = make_plan(site, MONDAY, 4)
    season_changes.approve(former, 0, ada, AT)
    longer = make_plan(site, MONDAY - timedelta(weeks=2), 12)
    later = AT + timedelta(days=1)
    season_changes.approve(longer, 0, ada, later)
    former.refresh_from_db()
    assert former.state == SeasonPlan.State.REPLACED
    assert list(former.changes.values_list("what", "name")) == [("replaced", "Ada"), ("approved", "Ada")]
    assert planning.current_plan(site, MONDAY) == longer


def test_a_former_plan_that_reaches_further_is_followed_for_the_rest(site, ada):
    former = make_plan(site, MONDAY, 12)
    season_changes.approve(former, 0, ada, AT)
    shorter = make_plan(site, MONDAY, 4)
    season_changes.approve(shorter, 0, ada, AT + timedelta(days=1))
    former.refresh_from_db()
    assert former.state == SeasonPlan.State.APPROVED
    assert planning.current_plan(site, week(4)) == shorter
    assert planning.current_plan(site, week(5)) == former


def test_a_plan_is_approved_as_it_was_seen_and_only_once(plan, ada):
    season_changes.hold(a_visit(plan), 0, Author(None, "Bo"), AT)
    with pytest.raises(ChangedMeanwhile, match="Bo held the"):
        season_changes.approve(plan, 0, ada, AT)
    season_changes.approve(plan, 1, ada, AT)
    with pytest.raises(Refused, match="only a draft"):
        season_changes.approve(plan, 2, ada, AT)


def test_a_new_plan_tells_what_moved_against_the_approved_one_and_why(site, made, ada):
    season_changes.approve(made, 0, ada, AT)
    visit = a_visit(made, kind="tuning")
    target = free_week(visit)
    season_changes.move(visit, target, 1, ada, AT)
    season_changes.release(PlannedVisit.objects.get(pk=visit.pk), 2, ada, AT)
    make_service(visit.instrument, TODAY, kind=visit.kind, left=0.0)
    anew = make_season_plan(site, Wanted(MONDAY, WEEKS, time_limit=20), TODAY)
    assert anew.before == made
    old = set(made.visits.values_list("instrument", "kind", "week"))
    new = set(anew.visits.values_list("instrument", "kind", "week"))
    gone = {(r["instrument"], r["kind"], r["from"]) for r in anew.moves if r["from"]}
    come = {(r["instrument"], r["kind"], r["to"]) for r in anew.moves if r["to"]}
    assert gone == {(i, kind, day.isoformat()) for i, kind, day in old - new}
    assert come == {(i, kind, day.isoformat()) for i, kind, day in new - old}
    assert all(row["why"] for row in anew.moves)


def test_costs_are_forgotten_for_drafts_long_passed_over_and_a_move_there_says_so(site, made):
    for day in range(1, 7):
        make_plan(site, MONDAY, WEEKS, made_at=AT + timedelta(days=day))
    make_season_plan(site, Wanted(MONDAY, WEEKS, time_limit=20), TODAY, now=AT + timedelta(days=9))
    assert not made.line_costs.exists()
    assert {effect.cost_change for effect in effects(a_visit(made), TODAY)} == {None}
