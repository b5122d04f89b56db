"""Visits of many instruments in one week: asked for, moved or held, all or none, hours counted one by one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import HeldVisit
from fleet.refusal import Refused
from scheduling import visits_together
from scheduling.models import PlanChange, PlannedVisit, PutOff
from scheduling.season_changes import Author, ChangedMeanwhile, in_words
from scheduling.visits_together import Wanted
from tests import factories as make
from tests.factories import MONDAY, TODAY

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
WEEK = timedelta(weeks=1)


@pytest.fixture
def plan(db):
    site = make.make_site()
    room = make.make_room(site)
    ida = make.make_person(site, "Ida Thorn", hours_per_week=4)
    plan = make.make_plan(site, hours_offered=[4.0] * 18, hours_by_person=[[ida.pk, [4.0] * 18]])
    for number in range(3):
        one = make.make_instrument(room, f"U-{number + 1}")
        make.make_visit(plan, one, MONDAY + (2 + number) * WEEK, technician=ida)
    plan.hours_used = [0, 0, 1.5, 1.5, 1.5] + [0.0] * 13
    plan.save()
    return plan


def do(plan, wanted, tags=("U-1", "U-2", "U-3")):
    ids = list(plan.site.instruments.filter(tag__in=tags).values_list("pk", flat=True))
    rows = visits_together.rows_of(plan, wanted, visits_together.chosen_of(plan, ids), TODAY)
    by = Author(make.make_user(plan.site), "Ida Thorn")
    seen = visits_together.digest_of(plan, rows)
    return rows, lambda: visits_together.carry_out(plan, wanted, ids, seen, by, NOW)


def test_planned_visits_are_moved_to_the_week_and_held_there(plan):
    week = MONDAY + 3 * WEEK
    rows, go = do(plan, Wanted("tuning", week, new=False))
    # 4 hours a week: U-2 stands there already, and 1.5 + 1.5 + 1.5 is half an hour more than there is.
    assert [row.before for row in rows] == ["14 December 2026", "21 December 2026", "28 December 2026"]
    assert [row.effect and row.effect.over for row in rows] == [0, None, pytest.approx(0.5)]
    assert len(go()) == 3
    assert set(plan.visits.values_list("week", "held")) == {(week, True)}
    assert HeldVisit.objects.filter(week=week).count() == 3
    plan.refresh_from_db()
    assert plan.hours_used[:6] == [0, 0, 0, 4.5, 0, 0]
    assert sorted(PlanChange.objects.values_list("what", flat=True)) == ["held", "moved", "moved"]


def test_a_visit_asked_for_is_new_and_counts_in_hours_and_history(plan):
    week = MONDAY + 6 * WEEK
    one = plan.site.instruments.get(tag="U-1")
    make.make_put_off(plan, one, kind="voicing")
    rows, go = do(plan, Wanted("voicing", week, new=True), ["U-1"])
    assert (rows[0].before, rows[0].after) == ("no visit", "11 January 2027, held")
    go()
    visit = plan.visits.get(kind="voicing")
    # Three hours are usual for voicing; the only person with hours does it.
    assert (visit.week, visit.hours, visit.held, visit.technician.name) == (week, 3.0, True, "Ida Thorn")
    plan.refresh_from_db()
    assert plan.hours_used[6] == 3.0
    assert not PutOff.objects.exists()
    assert in_words(PlanChange.objects.get()) == (
        "Ida Thorn asked for the voicing of U-1 in the week of 11 January 2027"
    )


def test_one_that_has_it_already_refuses_for_all(plan):
    week = MONDAY + 3 * WEEK
    rows, go = do(plan, Wanted("tuning", week, new=True))
    assert [bool(row.refusal) for row in rows] == [False, True, False]
    with pytest.raises(Refused, match="U-2: it is planned in that week already"):
        go()
    assert PlannedVisit.objects.count() == 3
    assert not PlanChange.objects.exists()
    assert not HeldVisit.objects.exists()


def test_what_cannot_be_is_said_of_each(plan):
    room = plan.site.rooms.first()
    make.make_instrument(room, "U-9", retired_on=TODAY)
    make.make_visit(plan, plan.site.instruments.get(tag="U-1"), MONDAY, kind="regulation", dated=True)
    later = MONDAY + 30 * WEEK
    said = {
        ("U-1", "bedding", MONDAY, True): "it gets no such service",  # an upright has no key frame to bed
        ("U-9", "tuning", MONDAY, True): "it is retired",
        ("U-1", "tuning", later, True): "the plan does not reach that week",
        ("U-1", "tuning", MONDAY - WEEK, True): "the plan does not reach that week",
        ("U-1", "voicing", MONDAY, False): "no visit of it is planned in the weeks to come; ask for one",
        ("U-1", "regulation", MONDAY, False): "it belongs to a performance, and moves when the booking does",
    }
    for (tag, kind, week, new), why in said.items():
        rows, _go = do(plan, Wanted(kind, week, new), [tag])
        assert rows[0].refusal == why, (tag, kind)


def test_whoever_looked_before_somebody_else_changed_the_plan_looks_again(plan):
    _rows, go = do(plan, Wanted("tuning", MONDAY, new=False))
    plan.visits.filter(instrument__tag="U-2").update(week=MONDAY + 9 * WEEK)
    with pytest.raises(ChangedMeanwhile):
        go()
    assert not PlanChange.objects.exists()


def test_the_form_answers_with_the_list_and_refuses_instruments_of_others(client, plan):
    client.force_login(make.make_user(plan.site))
    one = plan.site.instruments.get(tag="U-1")
    other = make.make_instrument(make.make_room(make.make_site()))
    form = {
        "what": "hold",
        "plan": plan.pk,
        "visit_service": "tuning",
        "week": MONDAY.isoformat(),
        "back": "kind=upright",
    }
    assert client.post("/instruments/visits/", {**form, "chosen": other.pk}).status_code == 404
    page = client.get("/instruments/chosen/", {**form, "chosen": one.pk}).content.decode()
    seen = page.split('name="seen" value="')[1].split('"')[0]
    done = client.post("/instruments/visits/", {**form, "chosen": one.pk, "seen": seen})
    assert done.headers["Location"] == "/instruments/?kind=upright"
    assert plan.visits.get(instrument=one).week == MONDAY
