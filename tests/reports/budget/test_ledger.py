"""What goes into a budget: visits of the plan in force, services with their minutes, and what was put off."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import product

import pytest

from fleet.models import ServiceRule
from reports.budget.ledger import Stand, read_ledger
from reports.budget.page import budget_page
from reports.budget.statement import QUESTIONS, set_out
from scheduling.models import SeasonPlan
from tests import factories as make
from tests.factories import MONDAY

SUNDAY = MONDAY + timedelta(days=6)


@pytest.fixture
def site(db):
    return make.make_site(hour_cost=Decimal("40.00"))


@pytest.fixture
def upright(site):
    return make.make_instrument(make.make_room(site, "Attic", "Old House"), "U-1")


def entries(site, stand, first=MONDAY, last=SUNDAY, **kept):
    return [entry for entry in read_ledger(site, first, last, **kept).entries if entry.stand == stand]


def test_a_visit_costs_its_hours_at_the_technician_s_price_else_the_site_s(site, upright):
    plan = make.make_plan(site, weeks=2)
    dear = make.make_person(site, "Ida Thorn", hour_cost=Decimal("55.50"))
    make.make_visit(plan, upright, hours=1.5, technician=dear)
    make.make_visit(plan, upright, kind="voicing", hours=3.0)
    found = {entry.service: (entry.hours, entry.cost) for entry in entries(site, Stand.PLANNED)}
    # By hand: 1.5 × 55.50 = 83.25, 3 × 40.00 = 120.00.
    assert found == {
        "tuning": (Decimal("1.50"), Decimal("83.25")),
        "voicing": (Decimal("3.00"), Decimal("120.00")),
    }


def test_each_week_follows_the_plan_in_force_there(site, upright):
    make.make_visit(make.make_plan(site, weeks=4), upright, hours=1.0)
    approved = make.make_plan(
        site,
        MONDAY + timedelta(weeks=1),
        weeks=4,
        state=SeasonPlan.State.APPROVED,
        approved_at=datetime(2026, 11, 20, tzinfo=UTC),
    )
    make.make_visit(approved, upright, hours=2.0)
    make.make_visit(make.make_plan(site, MONDAY + timedelta(weeks=1), weeks=4), upright, hours=4.0)
    planned = entries(site, Stand.PLANNED, last=MONDAY + timedelta(days=20))
    assert [(entry.week, entry.hours) for entry in planned] == [
        (MONDAY, Decimal("1.00")),
        (MONDAY + timedelta(weeks=1), Decimal("2.00")),
    ]


def test_a_week_under_a_plan_since_replaced_keeps_its_visits_whatever_was_drafted_there(site, upright):
    replaced = make.make_plan(
        site, weeks=2, state=SeasonPlan.State.REPLACED, approved_at=datetime(2026, 11, 20, tzinfo=UTC)
    )
    make.make_visit(replaced, upright, hours=2.0)
    make.make_visit(make.make_plan(site, weeks=2), upright, hours=4.0)
    assert [entry.hours for entry in entries(site, Stand.PLANNED)] == [Decimal("2.00")]


def test_a_service_counts_with_its_minutes_and_without_them_with_the_usual_hours(site, upright):
    make.make_person(site, "Ida Thorn", hour_cost=Decimal("60.00"))
    make.make_service(upright, MONDAY, minutes=100, technician="Ida Thorn")
    make.make_service(upright, SUNDAY, kind="voicing")
    make.make_service(upright, MONDAY - timedelta(days=1))
    usual = ServiceRule.objects.get(
        service_kind__site=site, service_kind__kind="voicing", use_class=upright.use_class
    ).hours
    timed, usually = entries(site, Stand.DONE)
    # By hand: 100 min are 1.67 h to a hundredth, at 60.00 they cost 100.20.
    assert (timed.hours, timed.cost, timed.assumed) == (Decimal("1.67"), Decimal("100.20"), False)
    assert (float(usually.hours), usually.assumed) == (usual, True)


def test_what_was_put_off_counts_once_at_the_usual_hours_and_belongs_to_no_week(site, upright):
    for weeks in (1, 2):
        make.make_put_off(make.make_plan(site, MONDAY + timedelta(weeks=weeks), weeks=weeks), upright)
    [entry] = entries(site, Stand.PUT_OFF, last=MONDAY + timedelta(days=20))
    assert (entry.week, entry.month, entry.hours) == (None, None, Decimal("3.00"))


@pytest.mark.parametrize("by", QUESTIONS)
def test_counted_together_services_come_to_the_sums_of_one_after_the_other(site, upright, by):
    dear = make.make_person(site, "Ida Thorn", hour_cost=Decimal("55.55"))
    grand = make.make_instrument(
        make.make_room(site, "Hall", "New Hall"), "G-1", "grand", use_class="concert"
    )
    beside = make.make_instrument(grand.room, "G-2", use_class="concert")
    plans = [make.make_plan(site, MONDAY + timedelta(weeks=n), weeks=1) for n in range(2)]
    for plan, instrument in product(plans, (upright, grand, beside)):
        # A third of an hour is 0.33 h at 55.55 or 40.00: each rounds down, which sums of sums would not.
        make.make_visit(plan, instrument, hours=1 / 3, technician=dear)
        make.make_visit(plan, instrument, kind="voicing", hours=1 / 3)
        make.make_put_off(plan, instrument, kind="regulation")
    for number, minutes in product(range(3), (20, None)):
        day, kind = MONDAY + timedelta(days=number), "tuning" if minutes else "voicing"
        make.make_service(upright, day, kind, minutes=minutes, technician="Ida Thorn")
        make.make_service(grand, day, kind, minutes=minutes, technician="somebody")
    span = MONDAY, MONDAY + timedelta(days=13)
    one_by_one, together = read_ledger(site, *span), read_ledger(site, *span, by=by)
    assert set_out(together, by) == set_out(one_by_one, by)
    assert len(together.entries) < len(one_by_one.entries) == 12 + 12 + 3
    assert budget_page(together, by).assumed == budget_page(one_by_one, by).assumed > 0


def test_without_any_price_hours_stay_without_money(db):
    site = make.make_site()
    make.make_visit(make.make_plan(site, weeks=1), make.make_instrument(make.make_room(site)))
    [entry] = entries(site, Stand.PLANNED)
    assert entry.cost is None


def test_a_week_belongs_to_the_month_and_the_term_of_its_thursday(site, upright):
    # Monday 30 November 2026 begins a week whose Thursday is 3 December.
    make.make_term(site, date(2026, 12, 1), date(2026, 12, 20), "Advent")
    make.make_visit(make.make_plan(site, date(2026, 11, 30), weeks=1), upright, week=date(2026, 11, 30))
    [entry] = entries(site, Stand.PLANNED, last=date(2026, 12, 6))
    assert (entry.month, entry.term) == (date(2026, 12, 1), "Advent")


def test_nobody_is_named_where_names_are_not_wanted(site, upright):
    make.make_service(upright, MONDAY, technician="Ida Thorn")
    assert [entry.person for entry in entries(site, Stand.DONE)] == ["Ida Thorn"]
    assert [entry.person for entry in entries(site, Stand.DONE, names=False)] == [""]


def test_another_site_s_work_is_never_this_one_s(site, upright):
    other = make.make_site()
    stranger = make.make_instrument(make.make_room(other))
    make.make_service(stranger, MONDAY, minutes=60)
    plan = make.make_plan(other, weeks=1)
    make.make_visit(plan, stranger)
    make.make_put_off(plan, stranger)
    assert read_ledger(site, MONDAY, SUNDAY).entries == ()


@pytest.mark.parametrize("days", [-1, 5 * 371 + 1])
def test_days_in_the_wrong_order_or_too_many_are_refused(site, days):
    with pytest.raises(ValueError, match="more than five years"):
        read_ledger(site, MONDAY, MONDAY + timedelta(days=days))
