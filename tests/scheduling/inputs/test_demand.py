from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from fleet.weeks import mondays
from scheduling.inputs import booked_solid, held_visits, performances
from tests.factories import MONDAY, make_booking, make_held, make_instrument, make_room, make_site

pytestmark = pytest.mark.django_db
WEEKS = mondays(MONDAY, 3)
VIENNA = ZoneInfo("Europe/Vienna")


def at(day, hour, zone=VIENNA):
    return datetime.combine(day, datetime.min.time(), zone) + timedelta(hours=hour)


def test_a_room_booked_for_eight_hours_of_every_working_day_is_solid_and_for_less_is_not():
    site = make_site()
    full, easy = make_room(site, "Full"), make_room(site, "Easy")
    for number in range(5):
        make_booking(full, at(MONDAY + timedelta(days=number), 8), 8)
        make_booking(easy, at(MONDAY + timedelta(days=number), 8), 7.9)
    assert booked_solid(site, WEEKS) == {("Full", MONDAY)}


def test_hours_at_night_and_at_the_weekend_and_the_same_hour_booked_twice_do_not_make_a_room_solid():
    site = make_site()
    room = make_room(site, "Hall")
    for number in range(5):
        make_booking(room, at(MONDAY + timedelta(days=number), 8), 4)
        make_booking(room, at(MONDAY + timedelta(days=number), 9), 3)
        make_booking(room, at(MONDAY + timedelta(days=number), 18), 6)
    make_booking(room, at(MONDAY + timedelta(days=5), 0), 48)
    assert booked_solid(site, WEEKS) == set()


def test_one_booking_over_weeks_fills_each_week_it_covers_within_the_season():
    site = make_site()
    make_booking(make_room(site, "Hall"), at(MONDAY - timedelta(days=400), 0), 24 * 414)
    assert booked_solid(site, WEEKS) == {("Hall", MONDAY), ("Hall", MONDAY + timedelta(weeks=1))}


def test_working_hours_are_those_on_the_wall_of_the_site():
    site = make_site(time_zone="Asia/Tokyo")
    room = make_room(site, "Hall")
    for number in range(5):
        make_booking(room, at(MONDAY + timedelta(days=number), 8, ZoneInfo("Asia/Tokyo")), 10)
    assert booked_solid(site, WEEKS) == {("Hall", MONDAY)}


def test_a_performance_is_dated_by_the_wall_of_the_site_and_plays_the_instruments_it_names():
    site = make_site()
    room = make_room(site)
    named = make_instrument(room, "N", use_class="practice")
    make_instrument(room, "C", use_class="concert")
    make_booking(
        room, datetime(2026, 12, 4, 23, 30, tzinfo=UTC), 2, [named], performance=True, title="Late night"
    )
    make_booking(room, at(MONDAY, 10), 2, [named], performance=False)
    (found,) = performances(site, WEEKS)
    assert (found.instrument_id, found.day, found.title) == (named.pk, date(2026, 12, 5), "Late night")


def test_a_performance_that_names_no_instrument_plays_the_concert_instruments_of_its_room():
    site = make_site()
    hall, studio, store = make_room(site), make_room(site), make_room(site)
    concert = make_instrument(hall, use_class="concert")
    make_instrument(hall, use_class="recital")
    recital = make_instrument(studio, use_class="recital")
    make_instrument(store, use_class="store")
    for number, room in enumerate((hall, studio, store)):
        make_booking(room, at(MONDAY + timedelta(days=number), 19), performance=True)
    assert [found.instrument_id for found in performances(site, WEEKS)] == [concert.pk, recital.pk]


def test_held_visits_are_those_of_the_weeks_and_of_the_site():
    site = make_site()
    instrument = make_instrument(make_room(site))
    make_held(instrument, MONDAY)
    make_held(instrument, MONDAY + timedelta(weeks=3))
    make_held(make_instrument(make_room(make_site())), MONDAY)
    assert [(visit.instrument_id, visit.week) for visit in held_visits(site, WEEKS)] == [
        (instrument.pk, MONDAY)
    ]


def test_the_bookings_of_another_site_close_no_room(django_assert_num_queries):
    other, site = make_site(), make_site()
    for owner in (other, site):
        make_room(owner, "Hall")
    room = other.rooms.get()
    make_booking(room, at(MONDAY, 0), 24 * 7, performance=True)
    assert booked_solid(site, WEEKS) == set()
    assert performances(site, WEEKS) == []


def test_the_number_of_queries_does_not_grow_with_the_bookings(django_assert_num_queries):
    site = make_site()
    room = make_room(site)
    instrument = make_instrument(room, use_class="concert")
    for number in range(15):
        make_booking(room, at(MONDAY + timedelta(days=number), 19), 2, [instrument], performance=True)
    with django_assert_num_queries(3):
        assert len(performances(site, WEEKS)) == 15
    with django_assert_num_queries(1):
        booked_solid(site, WEEKS)
