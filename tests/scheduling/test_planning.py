from collections import defaultdict
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Service
from fleet.refusal import Refused
from scheduling import planning
from scheduling.models import SeasonPlan
from scheduling.planning import Wanted, make_season_plan
from scheduling.season_problem import MOVING_PRICE
from tests.factories import (
    MONDAY,
    TODAY,
    make_absence,
    make_booking,
    make_climate,
    make_held,
    make_instrument,
    make_person,
    make_plan,
    make_room,
    make_service,
    make_site,
    make_term,
    seasons,
)

pytestmark = pytest.mark.django_db
WEEKS = 6
USES = ("concert", "recital", "teaching", "practice")


def make_fleet(count=4, people=(("Ada", 6.0),), **fields):
    site = make_site(**fields)
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=300), 301, seasons(0.42, 0.14))
    for number in range(count):
        kind = "grand" if number % 2 else "upright"
        instrument = make_instrument(room, f"I-{number:02d}", kind, use_class=USES[number % 4])
        make_service(instrument, TODAY - timedelta(days=20 + 9 * number), left=0.1)
        make_service(instrument, TODAY - timedelta(days=60 + 9 * number), "regulation", left=0.02)
    for name, hours in people:
        make_person(site, name, hours)
    return site


def plan_of(site, weeks=WEEKS, start=MONDAY, today=TODAY, **fields):
    return make_season_plan(site, Wanted(start, weeks, time_limit=20, **fields), today)


def hours_by(plan):
    """Hours by person and week, added up from the stored visits."""
    found = defaultdict(float)
    for visit in plan.visits.all():
        found[visit.technician_id, visit.week] += visit.hours
    return found


def weeks_of(plan, tag, kind="tuning"):
    rows = plan.visits.filter(instrument__tag=tag, kind=kind).order_by("week")
    return [(visit.week - plan.start).days // 7 + 1 for visit in rows]


def test_a_plan_keeps_to_the_hours_and_says_what_it_proved():
    plan = plan_of(make_fleet())
    assert (plan.state, plan.start, plan.weeks, plan.rules) == ("draft", MONDAY, WEEKS, "all")
    assert plan.outcome in {"optimal", "feasible", "stopped"}
    assert 0 <= plan.bound <= plan.cost + 1e-9
    assert plan.gap == pytest.approx((plan.cost - plan.bound) / plan.cost, abs=1e-9)
    assert plan.hours_offered == [6.0] * WEEKS
    used = [
        sum(visit.hours for visit in plan.visits.filter(week=MONDAY + timedelta(weeks=week)))
        for week in range(WEEKS)
    ]
    assert plan.hours_used == pytest.approx(used)
    assert sum(used) > 0
    assert max(used) <= 6.0
    assert len(plan.hour_worth) == WEEKS
    assert min(plan.hour_worth) >= 0


def test_a_plan_is_no_dearer_than_the_best_calendar_and_cheaper_than_doing_nothing():
    site = make_fleet()
    plan = plan_of(site)
    idle = plan_of(site, hours_per_week=0.0)
    assert plan.cost <= plan.calendar_cost + 1e-6
    assert plan.calendar_cost <= idle.calendar_cost == pytest.approx(idle.cost)
    assert plan.cost < idle.cost
    assert idle.visits.count() == 0


def test_every_visit_names_a_technician_who_can_do_it_and_a_reason():
    site = make_fleet(people=(("Ada", 6.0),))
    make_person(site, "Bo", 9.0, skills=["regulation", "bedding"])
    plan = plan_of(site)
    assert plan.visits.filter(technician__name="Bo").exists()
    for visit in plan.visits.select_related("technician"):
        assert visit.technician.can_do(visit.kind)
        assert len(visit.reason) > 20
    for (person, _), hours in hours_by(plan).items():
        assert hours <= site.people.get(pk=person).hours_per_week + 1e-9


def test_what_is_not_visited_is_put_off_with_its_days_and_never_both():
    plan = plan_of(make_fleet(), hours_per_week=2.0)
    visited = set(plan.visits.values_list("instrument__tag", "kind"))
    put_off = set(plan.put_off.values_list("instrument__tag", "kind"))
    assert visited | put_off == {
        (f"I-{n:02d}", kind)
        for n in range(4)
        for kind in ("tuning", "bedding", "regulation", "voicing")
        if kind != "bedding" or n % 2
    }
    assert not visited & put_off
    assert all(row.reason and row.expected_days_out >= 0 for row in plan.put_off.all())


def test_given_hours_are_for_all_together_and_shared_by_own_hours():
    site = make_fleet(8, people=(("Ada", 20.0), ("Bo", 10.0)), reserve_hours=4)
    plan = plan_of(site, hours_per_week=9.0)
    assert plan.hours_offered == pytest.approx([9.0] * WEEKS)
    own = {site.people.get(name="Ada").pk: 6.0, site.people.get(name="Bo").pk: 3.0}
    for (person, _), hours in hours_by(plan).items():
        assert hours <= own[person] + 1e-9


def test_without_given_hours_the_reserve_is_kept_free():
    assert plan_of(make_fleet(people=(("Ada", 6.0),), reserve_hours=1.5)).hours_offered == [4.5] * WEEKS


def test_nobody_works_while_away():
    site = make_fleet(people=(("Ada", 6.0), ("Bo", 6.0)))
    ada = site.people.get(name="Ada")
    make_absence(ada, MONDAY + timedelta(days=7), MONDAY + timedelta(days=20))
    plan = plan_of(site)
    assert plan.hours_offered == [12.0, 6.0, 6.0, 12.0, 12.0, 12.0]
    assert not plan.visits.filter(
        technician=ada, week__in=[MONDAY + timedelta(weeks=n) for n in (1, 2)]
    ).exists()


def test_a_held_visit_stays_in_its_week_and_says_so():
    site = make_fleet()
    make_held(site.instruments.get(tag="I-03"), MONDAY + timedelta(weeks=4), "tuning")
    plan = plan_of(site)
    assert 5 in weeks_of(plan, "I-03")
    held = plan.visits.get(held=True)
    assert (held.instrument.tag, held.kind, held.week) == ("I-03", "tuning", MONDAY + timedelta(weeks=4))
    assert held.reason.startswith("Held in this week by hand.")


def test_held_visits_beyond_the_hours_are_refused_by_name_and_nothing_is_stored():
    site = make_fleet(people=(("Ada", 2.0),))
    for tag in ("I-00", "I-01"):
        make_held(site.instruments.get(tag=tag), MONDAY, "tuning")
    with pytest.raises(Refused, match=r"I-0[01]"):
        plan_of(site)
    assert SeasonPlan.objects.count() == 0


def test_nothing_is_planned_in_a_room_that_is_booked_solid():
    site = make_fleet()
    make_booking(site.rooms.get(), datetime(2026, 11, 30, tzinfo=UTC), 24 * 7 * 3)
    plan = plan_of(site)
    assert {visit.week for visit in plan.visits.all()} <= {MONDAY + timedelta(weeks=n) for n in (3, 4, 5)}
    assert plan.visits.exists()


def test_rules_none_drops_held_and_barred_and_is_never_dearer():
    site = make_fleet()
    make_held(site.instruments.get(tag="I-03"), MONDAY + timedelta(weeks=4), "voicing")
    make_booking(site.rooms.get(), datetime(2026, 11, 30, tzinfo=UTC), 24 * 7 * 3)
    ruled, free = plan_of(site), plan_of(site, rules="none")
    assert (ruled.rules, free.rules) == ("all", "none")
    assert not free.visits.filter(held=True).exists()
    assert free.visits.filter(week=MONDAY).exists()
    assert free.bound <= ruled.cost + 1e-6


def test_a_regulation_follows_a_bedding_and_a_voicing_comes_with_a_tuning():
    site = make_fleet(4, people=(("Ada", 20.0),))
    Service.objects.of_site(site).filter(kind="regulation").delete()
    plan = plan_of(site, weeks=8)
    assert plan.visits.filter(kind="regulation", instrument__kind="grand").exists()
    for visit in plan.visits.filter(kind="regulation", instrument__kind="grand"):
        bedded = plan.visits.filter(instrument=visit.instrument, kind="bedding", week__lte=visit.week)
        assert bedded.filter(week__gte=visit.week - timedelta(weeks=4)).exists()
    for visit in plan.visits.filter(kind="voicing"):
        assert plan.visits.filter(instrument=visit.instrument, kind="tuning", week=visit.week).exists()


def test_a_concert_gets_its_tuning_and_names_itself():
    site = make_fleet()
    day = MONDAY + timedelta(days=11)
    concert = site.instruments.get(tag="I-00")
    make_booking(site.rooms.get(), datetime(day.year, day.month, day.day, 19, tzinfo=UTC), 2, [concert],
                 performance=True, title="Winter gala")  # fmt: skip
    plan = plan_of(site)
    visit = plan.visits.get(instrument=concert, kind="tuning", week=MONDAY + timedelta(weeks=1))
    assert visit.reason == "Within 48 hours before Winter gala on 11 December 2026."
    assert (visit.technician.name, visit.hours, visit.held) == ("Ada", 1.5, False)
    assert plan.hours_used[1] == pytest.approx(sum(v.hours for v in plan.visits.filter(week=visit.week)))
    assert plan.hours_used[1] <= plan.hours_offered[1] == 6.0
    assert not plan.put_off.filter(instrument=concert, kind="tuning").exists()


def test_several_concerts_in_a_week_are_one_line_with_the_hours_of_each_tuning():
    site = make_fleet()
    concert = site.instruments.get(tag="I-00")
    for day in (7, 11):
        at = datetime(2026, 11, 30, 19, tzinfo=UTC) + timedelta(days=day)
        make_booking(site.rooms.get(), at, 2, [concert], performance=True, title=f"Day {day}")
    visit = plan_of(site).visits.get(instrument=concert, kind="tuning", week=MONDAY + timedelta(weeks=1))
    assert visit.hours == 3.0
    assert "Day 7 on 7 December 2026; Day 11 on 11 December 2026" in visit.reason


def test_a_concert_without_hours_is_said_in_the_notes():
    site = make_fleet(people=(("Ada", 1.0),))
    make_booking(site.rooms.get(), datetime(2026, 12, 11, 19, tzinfo=UTC), performance=True, title="Gala")
    assert plan_of(site).notes == ["no hours for the tuning of I-00 before Gala on 11 December 2026"]


def test_weeks_in_which_a_day_out_weighs_nothing_cost_nothing():
    site = make_fleet()
    make_term(site, MONDAY, MONDAY + timedelta(weeks=WEEKS), weight_factor=0.0)
    plan = plan_of(site)
    assert (plan.cost, plan.bound, plan.gap) == (0.0, 0.0, 0.0)


def test_a_site_without_technicians_is_refused_unless_hours_are_given():
    site = make_fleet(people=())
    with pytest.raises(Refused, match="technician"):
        plan_of(site)
    plan = plan_of(site, hours_per_week=5.0)
    assert plan.visits.exists()
    assert set(plan.visits.values_list("technician", flat=True)) == {None}
    assert plan.notes == ["no technician is known, so the hours belong to one without a name"]


def test_a_site_without_instruments_has_an_empty_plan():
    site = make_fleet(0)
    plan = plan_of(site)
    assert (plan.cost, plan.visits.count(), plan.put_off.count()) == (0.0, 0, 0)


def test_another_sites_instruments_people_and_hours_are_never_mixed_in():
    site = make_fleet(3)
    alone = plan_of(site)
    other = make_fleet(6, people=(("Zed", 30.0),))
    plan = plan_of(site)
    assert plan.cost == pytest.approx(alone.cost)
    assert plan.hours_offered == alone.hours_offered
    assert not plan.visits.filter(instrument__site=other).exists()
    assert not plan.put_off.filter(instrument__site=other).exists()


def test_a_season_that_has_begun_plans_nothing_into_the_weeks_that_have_passed():
    plan = plan_of(make_fleet(), start=MONDAY - timedelta(weeks=2))
    assert plan.hours_offered == [0.0] + [6.0] * 5
    assert plan.visits.filter(week=MONDAY - timedelta(weeks=1)).exists()
    assert not plan.visits.filter(week=MONDAY - timedelta(weeks=2)).exists()


@pytest.mark.parametrize(
    "fields,said",
    [
        ({"start": MONDAY + timedelta(days=1)}, "Monday"),
        ({"weeks": 0}, "weeks"),
        ({"weeks": 61}, "weeks"),
        ({"hours_per_week": -1.0}, "hours"),
        ({"hours_per_week": float("nan")}, "hours"),
        ({"hours_per_week": float("inf")}, "hours"),
        ({"rules": "some"}, "rules"),
        ({"start": MONDAY - timedelta(weeks=7)}, "last day"),
        ({"start": date(2030, 1, 7)}, "last day"),
    ],
)
def test_a_season_that_cannot_be_meant_is_refused_and_nothing_is_stored(fields, said):
    with pytest.raises(Refused, match=said):
        plan_of(make_fleet(1), **fields)
    assert SeasonPlan.objects.count() == 0


def test_the_model_is_written_and_a_path_that_cannot_be_is_refused(tmp_path):
    site = make_fleet(2)
    wanted = Wanted(MONDAY, 3, time_limit=20)
    make_season_plan(site, wanted, TODAY, write_model=tmp_path / "season.mps")
    text = (tmp_path / "season.mps").read_text()
    assert text.lstrip().startswith(("NAME", "*"))
    assert "ENDATA" in text
    for path in (tmp_path / "nowhere" / "season.mps", tmp_path / "season.txt", tmp_path):
        with pytest.raises(Refused, match="cannot be written"):
            make_season_plan(site, wanted, TODAY, write_model=path)
    assert [path.name for path in tmp_path.iterdir()] == ["season.mps"]
    assert SeasonPlan.objects.count() == 1


def test_the_plan_remembers_the_forecasts_it_was_made_from():
    site = make_fleet(1)
    plan = plan_of(site)
    assert plan.run.today == TODAY
    assert plan.run.forecasts.count() == 3


def test_reading_takes_as_many_queries_for_many_instruments_as_for_few():
    def reads(site):
        with CaptureQueriesContext(connection) as caught:
            plan_of(site, weeks=2)
        return sum(query["sql"].startswith("SELECT") for query in caught)

    assert reads(make_fleet(16)) == reads(make_fleet(4))


def test_a_new_plan_leaves_the_visits_of_the_approved_one_only_where_that_saves_enough():
    site = make_fleet()
    approved = planning.approve(plan_of(site), datetime(2026, 11, 26, tzinfo=UTC))
    make_service(site.instruments.get(tag="I-00"), TODAY, left=0.0)
    kept = set(approved.visits.values_list("instrument", "kind", "week"))
    with_regard = plan_of(site)
    planning.SeasonPlan.objects.filter(pk=approved.pk).update(state="draft")
    without = plan_of(site)

    def moved(plan):
        return len(kept - set(plan.visits.values_list("instrument", "kind", "week")))

    assert moved(with_regard) <= moved(without)
    assert with_regard.cost >= without.bound - 1e-6
    assert with_regard.cost - without.cost <= MOVING_PRICE * (moved(without) - moved(with_regard)) + 1e-3


def test_approving_a_draft_makes_it_the_plan_people_work_by_and_only_once():
    plan = make_plan(make_site())
    at = datetime(2026, 11, 26, 8, tzinfo=UTC)
    assert (planning.approve(plan, at).state, plan.approved_at) == ("approved", at)
    planning.approve(plan, at + timedelta(days=1))
    assert SeasonPlan.objects.get().approved_at == at


def test_the_current_plan_is_the_last_approved_one_that_covers_the_week_else_the_newest_draft():
    site = make_site()
    at = datetime(2026, 11, 20, tzinfo=UTC)
    draft = make_plan(site, MONDAY, 4, made_at=at)
    assert planning.current_plan(site, MONDAY) == draft
    newer = make_plan(site, MONDAY, 8, made_at=at + timedelta(days=1))
    assert planning.current_plan(site, MONDAY) == newer
    planning.approve(newer, at + timedelta(days=2))
    planning.approve(draft, at + timedelta(days=3))
    make_plan(site, MONDAY, 8, made_at=at + timedelta(days=5))
    assert planning.current_plan(site, MONDAY) == draft
    assert planning.current_plan(site, MONDAY + timedelta(weeks=4)) == newer
    assert planning.current_plan(site, MONDAY + timedelta(weeks=8)) is None
    assert planning.current_plan(site, MONDAY - timedelta(weeks=1)) is None
    assert planning.current_plan(make_site(), MONDAY) is None
