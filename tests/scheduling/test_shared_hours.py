"""Hours shared because the action is out anyway: from a site's kinds to the plan, its words and moves."""

from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import ServiceKind, ServiceRule
from scheduling import season_changes
from scheduling.models import PlannedVisit
from scheduling.planning import Wanted, make_season_plan, set_up
from scheduling.season_changes import Author
from tests.factories import (
    MONDAY,
    TODAY,
    make_climate,
    make_held,
    make_instrument,
    make_person,
    make_room,
    make_service,
    make_site,
    make_user,
)

pytestmark = pytest.mark.django_db
WEEKS = 3
AT = datetime(2026, 11, 25, 9, tzinfo=UTC)
WORDS = "The action is out for the regulation anyway: 0.25 h less."


@pytest.fixture
def site():
    """A grand whose bedding and regulation are held in the first week."""
    site = make_site()
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=60), 61)
    grand = make_instrument(room, "G-1", "grand", use_class="concert")
    make_service(grand, TODAY - timedelta(days=50), left=0.1)
    make_service(make_instrument(room, "U-2", "upright"), TODAY - timedelta(days=50), left=0.1)
    # one bedding in the season is enough, so every other week is free for it to be moved to
    ServiceRule.objects.filter(service_kind__site=site, service_kind__kind="bedding").update(spacing_weeks=9)
    make_person(site, "Ada", 7.5)
    for kind in ("bedding", "regulation"):
        make_held(grand, MONDAY, kind)
    return site


def plan_of(site, **fields):
    return make_season_plan(site, Wanted(MONDAY, WEEKS, **{"time_limit": 10.0, **fields}), TODAY)


def visit(plan, kind):
    return plan.visits.get(kind=kind, instrument__tag="G-1", week=MONDAY)


def used_by_rows(plan):
    return [
        sum(one.hours for one in plan.visits.filter(week=MONDAY + timedelta(weeks=week)))
        for week in range(WEEKS)
    ]


def test_a_bedding_beside_a_regulation_is_a_quarter_of_an_hour_shorter_and_says_so(site):
    plan = plan_of(site)
    bedding, regulation = visit(plan, "bedding"), visit(plan, "regulation")
    # 0.75 h and 6 h by themselves; the action is taken out once
    assert (bedding.hours, bedding.beside, bedding.shared_hours) == (0.5, "regulation", 0.25)
    assert (regulation.hours, regulation.beside, regulation.shared_hours) == (6.0, "", 0.0)
    assert bedding.reason.endswith(WORDS)
    assert "anyway" not in regulation.reason
    assert plan.hours_used == pytest.approx(used_by_rows(plan))


def test_the_hour_saved_makes_room_for_what_would_not_fit(site):
    # 6 + 0.75 h do not fit into 6.5 h unless the action is out once for both
    plan = plan_of(site, hours_per_week=6.5)
    assert visit(plan, "bedding").hours + visit(plan, "regulation").hours == 6.5


def test_without_rules_nothing_is_shared(site):
    assert set_up(site, Wanted(MONDAY, WEEKS, rules="none"), TODAY).problem.sharings == ()


def test_what_a_site_shares_is_its_own_to_say(site):
    ServiceKind.objects.filter(site=site, kind="voicing").update(shorter_beside=[])
    ServiceKind.objects.filter(site=site, kind="bedding").update(shorter_by_hours=0.1)
    setup = set_up(site, Wanted(MONDAY, WEEKS), TODAY)
    (one,) = setup.problem.sharings
    services = [line.subject.service for line in setup.lines]
    assert (services[one.job], services[one.beside], one.hours) == ("bedding", "regulation", 0.1)


def test_what_is_shared_never_outgrows_the_shortest_service(site):
    ServiceKind.objects.filter(site=site).update(shorter_by_hours=20.0)
    ServiceKind.objects.filter(site=site, kind="regulation").update(shorter_beside=["bedding", "voicing"])
    sharings = set_up(site, Wanted(MONDAY, WEEKS), TODAY).problem.sharings
    # each pair once: bedding and voicing beside the regulation, of the grand; voicing of the upright
    assert len(sharings) == 3
    grand = [one.hours for one in sharings if one.hours < 1]
    assert sum(grand) < 0.75


def test_a_visit_moved_away_takes_its_whole_time_and_back_it_is_shorter_again(site):
    plan = plan_of(site)
    by = Author(make_user(site), "Ida Thorn")
    season_changes.move(visit(plan, "bedding"), MONDAY + timedelta(weeks=1), 0, by, AT)
    plan.refresh_from_db()
    moved = plan.visits.get(kind="bedding", instrument__tag="G-1", week=MONDAY + timedelta(weeks=1))
    assert (moved.hours, moved.beside, moved.shared_hours) == (0.75, "", 0.0)
    assert WORDS not in moved.reason
    assert plan.hours_used == pytest.approx(used_by_rows(plan))
    season_changes.move(moved, MONDAY, plan.version, by, AT)
    plan.refresh_from_db()
    assert visit(plan, "bedding").hours == 0.5
    assert visit(plan, "bedding").reason.count(WORDS) == 1
    assert plan.hours_used == pytest.approx(used_by_rows(plan))


def test_a_regulation_moved_away_leaves_the_bedding_its_whole_time(site):
    plan = plan_of(site)
    by = Author(make_user(site), "Ida Thorn")
    season_changes.move(visit(plan, "regulation"), MONDAY + timedelta(weeks=1), 0, by, AT)
    plan.refresh_from_db()
    assert visit(plan, "bedding").hours == 0.75
    assert WORDS not in visit(plan, "bedding").reason
    assert plan.hours_used == pytest.approx(used_by_rows(plan))


def test_one_moved_beside_a_visit_is_said_to_fit_into_what_it_then_takes(site):
    plan = plan_of(site, hours_per_week=6.5)
    assert PlannedVisit.objects.filter(plan=plan, week=MONDAY).count() == 2
    by = Author(make_user(site), "Ida Thorn")
    season_changes.move(visit(plan, "bedding"), MONDAY + timedelta(weeks=2), 0, by, AT)
    moved = plan.visits.get(kind="bedding", instrument__tag="G-1", week=MONDAY + timedelta(weeks=2))
    back = {one.week: one for one in season_changes.effects(moved, TODAY)}[MONDAY]
    # the regulation takes 6 of 6.5 h; the bedding, 0.75 h by itself, fits beside it exactly
    assert (back.over, back.left) == (0.0, pytest.approx(0.0, abs=1e-9))
