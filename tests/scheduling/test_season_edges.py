"""Seasons at the edge: no hours, held visits that cannot be, concerts nobody tunes for, no time to solve."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import Person
from fleet.refusal import Refused
from scheduling.models import SeasonPlan
from scheduling.planning import Wanted, make_season_plan
from tests.factories import (
    MONDAY,
    TODAY,
    make_booking,
    make_climate,
    make_held,
    make_instrument,
    make_person,
    make_room,
    make_service,
    make_site,
)

pytestmark = pytest.mark.django_db
WEEKS = 3


@pytest.fixture
def site():
    site = make_site()
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=60), 61)
    for tag, kind in (("G-1", "grand"), ("U-2", "upright")):
        make_service(make_instrument(room, tag, kind), TODAY - timedelta(days=50), left=0.1)
    make_person(site, "Ada", 6.0)
    return site


def plan_of(site, **fields) -> SeasonPlan:
    return make_season_plan(site, Wanted(MONDAY, WEEKS, **{"time_limit": 10.0, **fields}), TODAY)


def test_zero_hours_put_everything_off_with_a_proof_and_a_reason(site):
    plan = plan_of(site, hours_per_week=0.0)
    assert (plan.outcome, plan.gap, plan.visits.count()) == ("optimal", 0.0, 0)
    assert plan.hours_offered == plan.hours_used == [0.0] * WEEKS
    assert plan.put_off.count() == 7  # four services of the grand, three of the upright
    assert all(row.reason and row.expected_days_out >= 0 for row in plan.put_off.all())


def test_technicians_without_hours_of_their_own_are_refused_by_saying_what_is_missing(site):
    Person.objects.of_site(site).update(hours_per_week=0)
    with pytest.raises(Refused, match="no technician of the site has hours a week"):
        plan_of(site)
    assert SeasonPlan.objects.count() == 0


def test_a_held_visit_of_a_kind_that_the_instrument_does_not_get_is_refused_by_name(site):
    make_held(site.instruments.get(tag="U-2"), MONDAY, "bedding")
    with pytest.raises(Refused, match="bedding of U-2 held in 2026-W49 cannot be planned"):
        plan_of(site)
    assert SeasonPlan.objects.count() == 0


def test_a_held_visit_longer_than_anybodys_hours_is_refused_by_name(site):
    Person.objects.of_site(site).update(hours_per_week=2)
    make_held(site.instruments.get(tag="G-1"), MONDAY, "regulation")
    with pytest.raises(Refused, match="regulation of G-1: held in week 1 takes 6 h"):
        plan_of(site)
    assert SeasonPlan.objects.count() == 0


def test_a_concert_where_no_instrument_for_it_stands_is_said_once_for_all_its_days(site):
    cellar = make_room(site, "Cellar")
    for week in range(2):
        evening = datetime(2026, 12, 3, 19, tzinfo=UTC) + timedelta(weeks=week)
        make_booking(cellar, evening, performance=True, title="Late trio")
    assert plan_of(site).notes == [
        "Late trio on Thursday 3 December and 1 more in Cellar: no instrument is named, and none for "
        "concerts or recitals stands there, so nothing is tuned for it"
    ]


def test_a_solver_stopped_at_once_leaves_a_plan_within_the_hours_and_an_honest_gap(site):
    plan = plan_of(site, time_limit=1e-6)
    assert plan.outcome in ("stopped", "optimal")
    assert 0 <= plan.bound <= plan.cost
    assert plan.gap == pytest.approx((plan.cost - plan.bound) / plan.cost)
    for used, offered in zip(plan.hours_used, plan.hours_offered, strict=True):
        assert used <= offered + 1e-9
