"""Days off: a country's public holidays, those worked all the same, and days of the house's own."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fleet import days_off
from fleet.models import DayOff
from fleet.refusal import Refused
from fleet.setup import changes
from scheduling.inputs.hours import hours_offered
from tests import factories as make

pytestmark = pytest.mark.django_db
CHRISTMAS_WEEK = date(2026, 12, 21)


def austria(**fields):
    """A site in Austria: 25 and 26 December, 1 and 6 January by its law (Feiertagsruhegesetz 1957, § 1)."""
    return make.make_site(holiday_country="AT", **fields)


def test_without_a_calendar_no_day_is_off():
    site = make.make_site()
    assert days_off.free_days(site, date(2026, 1, 1), date(2026, 12, 31)) == {}


def test_the_holidays_of_a_country_are_those_of_its_law():
    free = days_off.free_days(austria(), date(2026, 12, 20), date(2027, 1, 10))
    assert list(free) == [date(2026, 12, 25), date(2026, 12, 26), date(2027, 1, 1), date(2027, 1, 6)]
    assert free[date(2026, 12, 25)] == "Christmas Day"


def test_a_part_of_a_country_has_holidays_of_its_own():
    whole = make.make_site(holiday_country="DE")
    # 6 January is a holiday in Bavaria by Art. 1 of its law on Sundays and holidays, not in all of Germany.
    bavaria = make.make_site(holiday_country="DE", holiday_subdivision="BY")
    day = date(2027, 1, 6)
    assert day not in days_off.free_days(whole, day, day)
    assert day in days_off.free_days(bavaria, day, day)


def test_a_holiday_can_be_worked_and_a_day_of_the_house_be_off_and_both_be_taken_back():
    site, holiday, eve = austria(), date(2026, 12, 25), date(2026, 12, 24)
    changes.set_day(site, holiday, False)
    changes.set_day(site, eve, True, "the house is shut")
    free = days_off.free_days(site, CHRISTMAS_WEEK, CHRISTMAS_WEEK + timedelta(days=6))
    assert free == {eve: "the house is shut", date(2026, 12, 26): "Saint Stephen's Day"}
    shown = days_off.days(site, eve, holiday)
    assert [(one.free, one.by_calendar) for one in shown] == [(True, False), (False, True)]
    changes.set_day(site, holiday, True)
    changes.set_day(site, eve, False)
    assert not DayOff.objects.exists(), "where the calendar says the same, nothing is kept"


def test_nobody_has_hours_on_a_day_off():
    """Ten hours on five days are two a day: with Friday a holiday eight are left, without the eve six."""
    site = austria()
    make.make_person(site, hours_per_week=10)
    weekend_worker = make.make_person(site, hours_per_week=4, working_days=[4, 5])
    mondays = [CHRISTMAS_WEEK - timedelta(days=7), CHRISTMAS_WEEK]
    offered = hours_offered(site, mondays, CHRISTMAS_WEEK - timedelta(days=7))
    rows = dict(zip(offered.people, offered.hours.tolist(), strict=True))
    assert rows.pop(weekend_worker) == [4, 0]
    assert list(rows.values()) == [pytest.approx([10, 8])]
    changes.set_day(site, date(2026, 12, 24), True)
    again = hours_offered(site, mondays, CHRISTMAS_WEEK - timedelta(days=7))
    assert again.hours.sum(axis=0) == pytest.approx([14, 6])


def test_a_day_off_within_an_absence_is_not_counted_twice():
    site = austria()
    person = make.make_person(site, hours_per_week=10)
    make.make_absence(person, date(2026, 12, 24), date(2026, 12, 25))
    offered = hours_offered(site, [CHRISTMAS_WEEK], CHRISTMAS_WEEK)
    assert offered.hours.tolist() == [pytest.approx([6])]


@pytest.mark.parametrize(
    ("country", "part", "said"),
    [("ZZ", "", "no holidays are known"), ("AT", "99", "no such part"), ("", "9", "without its country")],
)
def test_a_place_without_known_holidays_is_refused(country, part, said):
    site = austria()
    with pytest.raises(Refused, match=said):
        changes.store_calendar(site, country, part)
    site.refresh_from_db()
    assert site.holiday_country == "AT"


def test_a_part_that_the_library_knows_no_longer_is_as_the_whole_country():
    site = austria(holiday_subdivision="old")
    assert days_off.free_days(site, date(2026, 12, 25), date(2026, 12, 25))
