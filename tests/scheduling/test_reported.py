"""Open note requests in the season: what they add to each day, which visit answers them, how weeks move."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from fleet.models import ServiceRule
from scheduling import planning, reported
from scheduling.inputs import Performance, Report, fleet_facts, open_reports, share_true
from scheduling.models import SeasonPlan
from scheduling.reported import PERFORMANCE_DAYS, Trouble
from tests import factories as make

TODAY, MONDAY = make.TODAY, make.MONDAY
DAYS = MONDAY.toordinal() + np.arange(14)


def report(instrument: int = 1, service: str = "tuning", day: date = TODAY) -> Report:
    return Report(instrument, ("D#3",), "out of tune", service, day)


def test_each_day_counts_as_out_at_least_as_likely_as_reports_are_true():
    since = np.linspace(0.1, 0.95, 14)
    plain, played = reported.days_added(Trouble((report(),), 0.8, ()), since, DAYS, np.ones(14))
    assert np.maximum(since, 0.8) == pytest.approx(since + plain)
    assert played.tolist() == plain.tolist()


def test_a_performance_in_the_meantime_counts_as_a_fortnight_more():
    concert = Performance(1, MONDAY + timedelta(days=4), "Gala")
    since = np.zeros(14)
    plain, played = reported.days_added(Trouble((report(),), 0.8, (concert,)), since, DAYS, np.ones(14))
    assert PERFORMANCE_DAYS == 14
    assert np.flatnonzero(played - plain).tolist() == [4]
    assert (played - plain)[4] == pytest.approx(14 * 0.8)


def test_what_is_added_is_paid_until_the_first_visit_and_not_after_it():
    # Two weeks whose visits count from days 3 and 10; one a day is added.
    arcs = np.zeros((4, 4))
    reported.add_until_visit(arcs, np.ones(14), np.array([3, 10]))
    assert arcs.tolist() == [[0, 3, 10, 14], [0, 0, 0, 0], [0, 0, 0, 0], [0, 0, 0, 0]]


@pytest.fixture
def site(db):
    """Two uprights alike, each tuned a month ago in steady air, and hours for one tuning a week."""
    site = make.make_site()
    room = make.make_room(site, "Studio")
    make.make_climate(room, TODAY - timedelta(days=200), 201, make.seasons(0.45, 0.1))
    for tag in ("U-1", "U-2"):
        one = make.make_instrument(room, tag)
        make.make_service(one, TODAY - timedelta(days=120), found=3.0, left=0.2)
    make.make_person(site, "Ada", 1.5, skills=["tuning"])
    return site


def trouble_of(site, today=TODAY, performed=()):
    lines = fleet_facts(site, today, 60).lines
    found = reported.troubles(lines, open_reports(site, today), performed, share_true(site), today)
    return {(lines[n].subject.instrument, lines[n].subject.service): one for n, one in found.items()}


@pytest.mark.parametrize(
    ("symptom", "service"),
    [
        ("out of tune", "tuning"),
        ("too weak or dull", "voicing"),
        ("sticks or comes back slowly", "regulation"),
        ("buzzes or rattles", "tuning"),
        # An upright gets no bedding, so its next tuning is when somebody looks.
        ("knocks from below", "tuning"),
    ],
)
def test_a_report_waits_for_the_service_that_deals_with_it(site, symptom, service):
    make.make_request(site.instruments.get(tag="U-1"), symptom=symptom)
    assert list(trouble_of(site)) == [("U-1", service)]


def test_closed_requests_and_those_of_later_days_or_other_sites_trouble_nobody(site):
    one = site.instruments.get(tag="U-1")
    closed = datetime(2026, 11, 25, 9, tzinfo=UTC)
    make.make_request(one, state="done", closed_at=closed)
    make.make_request(one, made_at=datetime(2026, 11, 26, 9, tzinfo=UTC))
    make.make_request(make.make_instrument(make.make_room(make.make_site())))
    assert trouble_of(site) == {}
    # Seen from the day before, the first was still open.
    assert len(trouble_of(site, TODAY - timedelta(days=1))[("U-1", "tuning")].reports) == 1


def test_how_often_reports_are_true_is_learned_from_the_answers(site):
    one = site.instruments.get(tag="U-1")
    assert share_true(site) == pytest.approx(4 / 5)
    for number in range(5):
        at = datetime(2026, 10, 1 + number, tzinfo=UTC)
        make.make_request(one, made_at=at, state="nothing_found", closed_at=at)
    assert share_true(site) == pytest.approx(4 / 10)
    for number in range(10):
        at = datetime(2026, 9, 1 + number, tzinfo=UTC)
        make.make_request(one, made_at=at, state="done", closed_at=at)
    assert share_true(site) == pytest.approx(14 / 20)


def test_two_reports_are_surer_than_one(site):
    one = site.instruments.get(tag="U-1")
    make.make_request(one, ("C4",), symptom="out of tune")
    make.make_request(one, ("D#3",), symptom="beats or wavers by itself")
    # One of two is false as often as 0.2 x 0.2.
    assert trouble_of(site)[("U-1", "tuning")].true == pytest.approx(0.96)


def test_only_performances_on_the_instrument_from_today_on_make_it_urgent(site):
    one, other = site.instruments.order_by("tag")
    make.make_request(one, symptom="out of tune")
    played = [
        Performance(one.pk, TODAY - timedelta(days=1), "past"),
        Performance(one.pk, TODAY + timedelta(days=9), "later"),
        Performance(one.pk, TODAY + timedelta(days=8), "first"),
        Performance(other.pk, TODAY, "elsewhere"),
    ]
    found = trouble_of(site, performed=played)[("U-1", "tuning")]
    assert found.first_performance.title == "first"
    assert len(found.performances) == 2


def plan(site) -> SeasonPlan:
    return planning.make_season_plan(site, planning.Wanted(MONDAY, 4, time_limit=20), TODAY)


def first_week(plan: SeasonPlan, tag: str, kind: str = "tuning") -> date | None:
    visits = plan.visits.filter(instrument__tag=tag, kind=kind).order_by("week")
    return visits.first().week if visits else None


def test_with_a_request_the_reported_instrument_goes_first_and_says_why(site):
    before = plan(site)
    late = next(tag for tag in ("U-1", "U-2") if first_week(before, tag) != MONDAY)
    make.make_request(site.instruments.get(tag=late), ("D#3",), symptom="out of tune")
    after = plan(site)
    assert first_week(after, late) == MONDAY
    reason = after.visits.get(instrument__tag=late, week=MONDAY).reason
    assert "Asked for: D♯3 out of tune (reported 24 November 2026)." in reason
    assert after.cost > before.cost
    closed = datetime(2026, 11, 25, 9, tzinfo=UTC)
    site.instruments.get(tag=late).requests.update(state="done", finding="a string", closed_at=closed)
    assert plan(site).cost == pytest.approx(before.cost)


def test_an_urgent_request_before_a_concert_moves_the_week_of_a_service(site):
    """Two regulations and hours for one a week: the one whose instrument plays next week comes first."""
    site.people.update(hours_per_week=6, skills=["regulation"])
    ServiceRule.objects.filter(service_kind__site=site, service_kind__kind="regulation").update(hours=6)
    for one in site.instruments.order_by("tag"):
        make.make_request(one, ("D#3",), symptom="sticks or comes back slowly")
    hall, evening = site.rooms.get(), datetime(2026, 12, 5, 18, tzinfo=UTC)
    weeks = {}
    for tag in ("U-1", "U-2"):
        booking = make.make_booking(
            hall, evening, 2, [site.instruments.get(tag=tag)], performance=True, title="Gala"
        )
        made = plan(site)
        weeks[tag] = (first_week(made, "U-1", "regulation"), first_week(made, "U-2", "regulation"))
        reason = made.visits.get(instrument__tag=tag, kind="regulation", week=MONDAY).reason
        assert "played in public on 5 December 2026." in reason
        booking.delete()
    assert weeks["U-1"][0] == weeks["U-2"][1] == MONDAY
    assert weeks["U-1"][1] != MONDAY
    assert weeks["U-2"][0] != MONDAY


def test_a_dated_tuning_before_a_concert_answers_what_was_asked_for(site):
    one = site.instruments.get(tag="U-1")
    make.make_request(one, ("D#3",), symptom="out of tune")
    make.make_booking(
        site.rooms.get(), datetime(2026, 12, 4, 18, tzinfo=UTC), 2, [one], performance=True, title="Gala"
    )
    made = plan(site)
    assert made.visits.get(instrument=one, week=MONDAY).reason == (
        "Within 48 hours before Gala on 4 December 2026. Asked for: D♯3 out of tune "
        "(reported 24 November 2026), played in public on 4 December 2026."
    )


def test_without_rules_requests_bind_nothing(site):
    make.make_request(site.instruments.get(tag="U-1"), symptom="out of tune")
    with_request = planning.make_season_plan(site, planning.Wanted(MONDAY, 2, rules="none"), TODAY)
    site.instruments.get(tag="U-1").requests.all().delete()
    without = planning.make_season_plan(site, planning.Wanted(MONDAY, 2, rules="none"), TODAY)
    assert with_request.cost == pytest.approx(without.cost)
