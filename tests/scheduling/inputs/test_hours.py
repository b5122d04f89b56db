from datetime import date, timedelta

import numpy as np
import pytest

from fleet.models import ServiceRule
from fleet.weeks import mondays
from scheduling.inputs import hours_offered
from scheduling.inputs.hours import in_whole_visits
from tests.factories import MONDAY, TODAY, make_absence, make_person, make_site

pytestmark = pytest.mark.django_db
WEEKS = mondays(MONDAY, 3)


def offered(site, total=None, weeks=WEEKS, today=TODAY):
    found = hours_offered(site, weeks, today, total)
    return dict(zip(found.names, found.hours.tolist(), strict=True))


def test_everybody_offers_their_own_hours_each_week():
    site = make_site()
    make_person(site, "Ada", 12)
    make_person(site, "Bo", 5)
    assert offered(site) == {"Ada": [12, 12, 12], "Bo": [5, 5, 5]}


def test_only_technicians_with_hours_offer_any():
    site = make_site()
    make_person(site, "Ada", 12)
    make_person(site, "Cy", 40, role="administrator")
    make_person(site, "Di", None)
    make_person(site, "Eo", 0)
    assert offered(site) == {"Ada": [12, 12, 12]}


def test_an_absence_takes_off_the_working_days_missed():
    site = make_site()
    person = make_person(site, "Ada", 10)
    make_absence(person, MONDAY + timedelta(days=2), MONDAY + timedelta(days=8))
    assert offered(site) == {"Ada": pytest.approx([4, 6, 10])}


def test_an_absence_on_a_day_that_is_not_worked_takes_nothing_and_two_overlapping_ones_count_once():
    site = make_site()
    person = make_person(site, "Ada", 10, working_days=[0, 3])
    make_absence(person, MONDAY + timedelta(days=1), MONDAY + timedelta(days=2))
    make_absence(person, MONDAY + timedelta(days=7), MONDAY + timedelta(days=8))
    make_absence(person, MONDAY + timedelta(days=7), MONDAY + timedelta(days=9))
    assert offered(site) == {"Ada": [10, 5, 10]}


def test_the_reserve_comes_off_in_total_and_as_near_to_proportion_as_whole_visits_allow():
    """By hand: 12 of 15 hours are left, in proportion 8 and 4. A new site's visits are multiples of 0.75 h:
    10.67 and 5.33 of them, so 10 and 5, and the one left goes to the larger remainder.
    """
    site = make_site(reserve_hours=3)
    make_person(site, "Ada", 10)
    make_person(site, "Bo", 5)
    assert offered(site) == {"Ada": pytest.approx([8.25] * 3), "Bo": pytest.approx([3.75] * 3)}


def test_whole_visits_are_those_the_person_can_make():
    """By hand: of 19 hours 17 are left, 3.58 and 13.42 in proportion. Jo's visits are multiples of 1.5 h, so
    3.0 and 12.75 and a rest of 1.25, of which Ada takes one visit of 0.75 h; the rest of 0.5 h goes to Jo.
    """
    site = make_site(reserve_hours=2)
    make_person(site, "Ada", 15)
    make_person(site, "Jo", 4, skills=["tuning", "voicing"])
    assert offered(site) == {"Ada": pytest.approx([14.0] * 3), "Jo": pytest.approx([3.0] * 3)}


def test_no_share_of_the_reserve_is_taken_twice_and_nobody_gets_more_than_they_have():
    rng = np.random.default_rng(4)
    for _ in range(200):
        people = int(rng.integers(2, 5))
        most = rng.uniform(0, 20, (people, 3)) * (rng.random((people, 3)) > 0.2)
        hours, measures = most * rng.uniform(0.5, 1.0), rng.choice([0.75, 1.5, 3.0], people)
        shared = in_whole_visits(hours, most, measures)
        np.testing.assert_allclose(shared.sum(axis=0), hours.sum(axis=0), atol=1e-6)
        assert np.all(shared <= most + 1e-6)
        usable = [(np.floor(part.T / measures + 1e-6) * measures).sum(axis=1) for part in (hours, shared)]
        assert np.all(usable[1] >= usable[0] - 1e-6)


def test_hours_that_are_a_measure_of_no_visit_leave_the_share_in_proportion():
    site = make_site(reserve_hours=3)
    ServiceRule.objects.of_site(site).filter(service_kind__kind="voicing").update(hours=3.1415)
    make_person(site, "Ada", 10)
    make_person(site, "Bo", 5)
    assert offered(site) == {"Ada": pytest.approx([8, 8, 8]), "Bo": pytest.approx([4, 4, 4])}


def test_a_reserve_beyond_the_hours_leaves_none_but_never_less():
    site = make_site(reserve_hours=30)
    make_person(site, "Ada", 10)
    assert offered(site) == {"Ada": [0, 0, 0]}


def test_a_total_is_shared_in_proportion_and_no_reserve_comes_off_it():
    site = make_site(reserve_hours=3)
    make_person(site, "Ada", 10)
    make_person(site, "Bo", 5)
    assert offered(site, total=30) == {"Ada": pytest.approx([20] * 3), "Bo": pytest.approx([10] * 3)}


def test_a_total_stays_whole_while_anybody_is_there_and_is_nothing_when_all_are_away():
    site = make_site()
    ada, bo = make_person(site, "Ada", 10), make_person(site, "Bo", 10)
    make_absence(ada, MONDAY, MONDAY + timedelta(days=13))
    make_absence(bo, MONDAY + timedelta(days=7), MONDAY + timedelta(days=13))
    assert offered(site, total=8) == {"Ada": [0, 0, 4], "Bo": [8, 0, 4]}


def test_technicians_without_hours_share_a_total_evenly():
    site = make_site()
    make_person(site, "Ada", None)
    make_person(site, "Bo", None)
    assert offered(site, total=8) == {"Ada": [4, 4, 4], "Bo": [4, 4, 4]}


def test_without_any_technician_a_total_belongs_to_one_unnamed_person_who_can_do_everything():
    found = hours_offered(make_site(), WEEKS, TODAY, 8)
    assert (found.people, found.names, found.hours.tolist()) == ((None,), ("",), [[8, 8, 8]])
    assert found.able("voicing") == (0,)


def test_without_hours_and_without_a_total_there_is_nobody():
    site = make_site()
    make_person(site, "Ada", None)
    assert hours_offered(site, WEEKS, TODAY) is None


def test_a_week_that_has_ended_offers_nothing_while_the_current_one_does():
    site = make_site()
    make_person(site, "Ada", 10)
    weeks = mondays(MONDAY - timedelta(weeks=2), 3)
    assert offered(site, weeks=weeks, today=date(2026, 11, 25)) == {"Ada": [0, 10, 10]}


def test_skills_say_who_is_able():
    site = make_site()
    make_person(site, "Ada", 10, skills=["tuning"])
    make_person(site, "Bo", 10)
    found = hours_offered(site, WEEKS, TODAY)
    assert (found.able("tuning"), found.able("voicing")) == ((0, 1), (1,))


def test_the_people_of_another_site_do_not_help():
    make_person(make_site(), "Ada", 10)
    assert hours_offered(make_site(), WEEKS, TODAY) is None


def test_the_number_of_queries_does_not_grow_with_the_people(django_assert_num_queries):
    site = make_site()
    for _ in range(9):
        make_absence(make_person(site), MONDAY, MONDAY)
    with django_assert_num_queries(3):
        found = hours_offered(site, WEEKS, TODAY)
    np.testing.assert_allclose(found.hours.sum(axis=0), [72, 90, 90])
