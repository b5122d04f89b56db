from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import numpy as np
import pytest

from fleet.models import ServiceRule
from fleet.refusal import Refused
from scheduling import forecasting, planning
from scheduling.inputs import fleet_facts, hours_offered
from scheduling.move_effects import effects
from scheduling.season_problem import Season, calendar_intervals, season_setup
from tests.factories import (
    MONDAY,
    TODAY,
    make_booking,
    make_climate,
    make_held,
    make_instrument,
    make_person,
    make_placement,
    make_room,
    make_service,
    make_site,
    make_term,
    seasons,
)

pytestmark = pytest.mark.django_db
WEEKS = 4


@pytest.fixture
def site():
    site = make_site()
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=300), 301, seasons(0.42, 0.14))
    instrument = make_instrument(room, "G-1", "grand", use_class="concert")
    make_service(instrument, TODAY - timedelta(days=30), left=0.0)
    make_person(site, "Ada", 10)
    return site


def set_up(site, rules=True, start=MONDAY, today=TODAY, weeks=WEEKS):
    season = Season(start, weeks, today)
    facts = fleet_facts(site, today, 200)
    model = forecasting.model_of(facts)
    offered = hours_offered(site, season.mondays, today)
    return season_setup(site, season, facts, model, offered, rules), model


def job(setup, service, tag="G-1"):
    jobs = setup.problem.jobs
    return next(n for n, one in enumerate(jobs) if (one.instrument, one.service) == (tag, service))


def test_doing_nothing_costs_the_weighted_probability_of_every_day(site):
    ServiceRule.objects.of_site(site).filter(service_kind__kind="tuning", use_class="concert").update(
        weight=7.5
    )
    make_term(site, MONDAY + timedelta(days=7), MONDAY + timedelta(days=13), weight_factor=0.2)
    setup, model = set_up(site)
    days = MONDAY.toordinal() + np.arange(7 * WEEKS)
    since, _ = model.out_probability(days[:1], days)
    factor = np.where((np.arange(28) >= 7) & (np.arange(28) < 14), 0.2, 1.0)
    n = job(setup, "tuning")
    expected = sum(7.5 * factor[d] * since[n, d] for d in range(28))
    assert setup.problem.jobs[n].cost[0, WEEKS + 1] == pytest.approx(expected)
    assert setup.problem.jobs[n].days_out[0, WEEKS + 1] == pytest.approx(since[n].sum())


def test_a_visit_counts_from_the_fourth_day_of_its_week(site):
    setup, model = set_up(site)
    days = MONDAY.toordinal() + np.arange(7 * WEEKS)
    since, after = model.out_probability(days[[10]], days)
    n = job(setup, "tuning")
    table = setup.problem.jobs[n].days_out
    assert table[0, 2] == pytest.approx(since[n, :10].sum())
    assert table[2, WEEKS + 1] == pytest.approx(after[n, 0, 10:].sum())


def test_days_before_today_are_past_and_cost_nothing(site):
    start = MONDAY - timedelta(weeks=1)
    setup, model = set_up(site, start=start)
    days = start.toordinal() + np.arange(7 * WEEKS)
    since, _ = model.out_probability(days[:1], days)
    n = job(setup, "tuning")
    assert setup.problem.jobs[n].days_out[0, WEEKS + 1] == pytest.approx(since[n, 2:].sum())


def test_held_visits_bind_their_week(site):
    make_held(site.instruments.get(), MONDAY + timedelta(weeks=2), "tuning")
    make_held(site.instruments.get(), MONDAY + timedelta(weeks=9), "tuning")
    setup, _ = set_up(site)
    assert setup.problem.jobs[job(setup, "tuning")].held == (3,)
    assert setup.problem.jobs[job(setup, "voicing")].held == ()


def test_a_held_visit_in_a_week_that_has_passed_is_left_out_with_a_word(site):
    make_held(site.instruments.get(), MONDAY - timedelta(weeks=2))
    setup, _ = set_up(site, start=MONDAY - timedelta(weeks=2))
    assert setup.problem.jobs[job(setup, "tuning")].held == ()
    assert setup.wishes.notes == ("tuning of G-1 held in 2026-W47: the week has passed, so it is left out",)


@pytest.mark.parametrize("kind,change", [("bedding", {"kind": "upright"}), ("polishing", {}),
                                         ("tuning", {"retired_on": TODAY})])  # fmt: skip
def test_a_held_visit_the_instrument_does_not_get_is_refused_by_name(site, kind, change):
    make_held(site.instruments.get(), MONDAY, kind)
    site.instruments.update(**change)
    with pytest.raises(Refused, match=f"{kind} of G-1 held in 2026-W49"):
        set_up(site)


def test_nothing_is_planned_where_the_room_is_booked_solid(site):
    make_booking(site.rooms.get(), datetime(2026, 12, 7, tzinfo=UTC), 24 * 6)
    setup, _ = set_up(site)
    assert {job.barred for job in setup.problem.jobs} == {(2,)}


def test_a_booked_room_closes_only_the_weeks_in_which_the_instrument_stands_there(site):
    away = make_room(site, "Away")
    instrument = site.instruments.get()
    make_placement(instrument, site.rooms.get(name="Hall"), date(2020, 1, 1), MONDAY + timedelta(days=13))
    make_placement(instrument, away, MONDAY + timedelta(days=14))
    make_booking(away, datetime(2026, 11, 30, tzinfo=UTC), 24 * 7 * WEEKS)
    setup, _ = set_up(site)
    assert {job.barred for job in setup.problem.jobs} == {(3, 4)}


def concert(site, day, **fields):
    at = datetime(day.year, day.month, day.day, 19, tzinfo=UTC)
    return make_booking(site.rooms.get(), at, 2, performance=True, title="Gala", **fields)


def test_a_concert_takes_its_tuning_from_the_hours_and_resets_the_deviation_on_its_day(site):
    plain, model = set_up(site)
    day = MONDAY + timedelta(days=11)
    concert(site, day)
    setup, _ = set_up(site)
    n = job(setup, "tuning")
    days = MONDAY.toordinal() + np.arange(7 * WEEKS)
    since, after = model.out_probability(days[[11]], days)
    assert plain.problem.hours.tolist() == [[10, 10, 10, 10]]
    assert setup.problem.hours.tolist() == [[10, 8.5, 10, 10]]
    assert setup.problem.jobs[n].days_out[0, WEEKS + 1] == pytest.approx(
        since[n, :11].sum() + after[n, 0, 11:].sum()
    )
    assert setup.problem.jobs[n].barred == (2,)


def test_voicing_waits_only_where_no_working_day_leaves_a_hardener_time_to_dry(site):
    concert(site, MONDAY + timedelta(days=4))
    for number in (7, 10, 13):
        concert(site, MONDAY + timedelta(days=number))
    setup, _ = set_up(site)
    assert setup.problem.jobs[job(setup, "voicing")].barred == (2,)


def harden(site, dry_at):
    grand = site.instruments.get(tag="G-1")
    applied = datetime.combine(TODAY, time(8), UTC)
    make_service(grand, TODAY, "voicing", hardener_at=applied, dry_at=dry_at)


def test_tone_is_not_judged_in_a_week_in_which_a_recorded_hardener_dries_to_its_end(site):
    harden(site, datetime(2026, 12, 4, 18, tzinfo=UTC))  # Friday of the first week, 19:00 in Vienna
    setup, _ = set_up(site)
    assert setup.problem.jobs[job(setup, "voicing")].barred == (1,)
    assert setup.problem.jobs[job(setup, "tuning")].barred == ()
    assert "dries until 04 December, 19:00" in setup.wishes.closed[job(setup, "voicing")][1]


def test_a_hardener_that_is_dry_by_the_end_of_a_working_day_leaves_the_week_open(site):
    harden(site, datetime(2026, 12, 4, 16, tzinfo=UTC))
    setup, _ = set_up(site)
    assert setup.problem.jobs[job(setup, "voicing")].barred == ()


def test_a_concert_before_a_recorded_hardener_is_dry_is_told(site):
    harden(site, datetime(2026, 12, 2, 18, tzinfo=UTC))
    grand = site.instruments.get(tag="G-1")
    for day in (2, 3):
        evening = datetime(2026, 12, day, 18, 30, tzinfo=UTC)
        make_booking(grand.room, evening, performance=True, title=f"Trios {day}", instruments=[grand])
    setup, _ = set_up(site)
    told = [note for note in setup.wishes.notes if "hardener" in note]
    assert len(told) == 1
    assert "the hardener in G-1 dries until 02 December, 19:00" in told[0]
    assert "Trios 2 is on 02 December" in told[0]


def test_the_services_of_an_instrument_wait_for_each_other_by_named_rules(site):
    setup, _ = set_up(site)
    rules = {(rule.job, rule.on): rule.name for rule in setup.problem.rules}
    assert rules == {
        (job(setup, "regulation"), job(setup, "bedding")): "bedding before regulation",
        (job(setup, "voicing"), job(setup, "tuning")): "tuning with voicing",
        (job(setup, "voicing"), job(setup, "regulation")): "regulation before voicing",
    }


def test_a_bedding_recorded_less_than_four_weeks_ago_still_serves_a_regulation(site):
    make_service(site.instruments.get(), MONDAY - timedelta(days=10), "bedding")
    setup, _ = set_up(site)
    rule = next(rule for rule in setup.problem.rules if rule.name == "bedding before regulation")
    assert rule.allowed[0].tolist() == [True, True, True, False]


def test_a_dated_tuning_serves_a_voicing_of_its_week(site):
    concert(site, MONDAY + timedelta(days=4))
    setup, _ = set_up(site)
    rule = next(rule for rule in setup.problem.rules if rule.name == "tuning with voicing")
    assert rule.allowed[0].tolist() == [True, False, False, False]


def test_without_rules_only_paths_and_hours_are_left(site):
    make_held(site.instruments.get(), MONDAY)
    make_held(site.instruments.get(), MONDAY, "polishing")
    make_booking(site.rooms.get(), datetime(2026, 12, 7, tzinfo=UTC), 24 * 6)
    concert(site, MONDAY + timedelta(days=4))
    setup, _ = set_up(site, rules=False)
    assert setup.problem.rules == ()
    assert all(job.held == job.barred == () and job.spacing == 1 for job in setup.problem.jobs)
    assert setup.problem.hours.tolist() == [[10, 10, 10, 10]]
    assert setup.wishes.dated == ()


def test_only_people_with_the_skill_are_asked(site):
    make_person(site, "Bo", 5, skills=["voicing", "regulation"])
    setup, _ = set_up(site)
    assert setup.problem.people == ("Ada", "Bo")
    assert setup.problem.jobs[job(setup, "tuning")].people == (0,)
    assert setup.problem.jobs[job(setup, "voicing")].people == (0, 1)


def test_wishes_of_another_site_bind_nothing(site):
    other = make_site()
    room = make_room(other, "Hall")
    make_held(make_instrument(room, "G-1", "grand", use_class="concert"), MONDAY)
    make_booking(room, datetime(2026, 11, 30, tzinfo=UTC), 24 * 7, performance=True)
    setup, _ = set_up(site)
    assert setup.wishes.dated == ()
    assert all(job.held == job.barred == () for job in setup.problem.jobs)


def test_the_calendar_knows_intervals_last_services_and_dated_tunings(site):
    concert(site, MONDAY + timedelta(days=4))
    setup, _ = set_up(site)
    by_job = calendar_intervals(setup)
    tuning, voicing = by_job[job(setup, "tuning")], by_job[job(setup, "voicing")]
    assert (tuning.days, tuning.last_day, tuning.weight, tuning.dated) == (14, -35, 8.0, (4,))
    never_done = (TODAY - timedelta(days=60) - MONDAY).days
    assert (voicing.days, voicing.last_day, voicing.weight, voicing.dated) == (60, never_done, 4.0, ())


def test_visits_keep_the_weeks_apart_that_the_site_asks_for_and_a_nearer_move_says_so():
    site = make_site()
    instrument = make_instrument(make_room(site), "U-1", use_class="concert")
    make_service(instrument, TODAY - timedelta(days=60))
    make_person(site, hours_per_week=4.0)
    ServiceRule.objects.of_site(site).filter(service_kind__kind="tuning").update(spacing_weeks=3)
    plan = planning.make_season_plan(site, planning.Wanted(MONDAY, 8, time_limit=20), TODAY)
    tunings = list(plan.visits.filter(kind="tuning").order_by("week"))
    weeks = [visit.week for visit in tunings]
    assert len(weeks) > 1
    assert min((b - a).days for a, b in pairwise(weeks)) >= 21
    near = weeks[0] + timedelta(weeks=1) if weeks[0] < weeks[1] - timedelta(weeks=1) else None
    said = {effect.week: effect.broken for effect in effects(tunings[1], TODAY)}
    assert said[near] == ("two of its visits would be 1 and not 3 weeks apart",)
    free = planning.set_up(site, planning.Wanted(MONDAY, 8, rules="none"), TODAY)
    assert {job.spacing for job in free.problem.jobs} == {1}
