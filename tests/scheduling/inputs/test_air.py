from datetime import date, timedelta

import numpy as np
import pytest

from scheduling.inputs import air_sources, room_airs
from tests.factories import TODAY, make_climate, make_room, make_site, steady

pytestmark = pytest.mark.django_db
START = date(2026, 11, 1)


def air_of(site, name, until=TODAY):
    return next(air for air in room_airs(site, until) if air.room == name)


def test_a_room_with_readings_brings_its_own_days_as_ordinals_and_fractions():
    site = make_site()
    make_climate(make_room(site, "Hall", "New House"), START, 3, steady(20.5, 0.41))
    air = air_of(site, "Hall")
    assert air.days.tolist() == [START.toordinal() + n for n in range(3)]
    assert air.temp_c.tolist() == [20.5] * 3
    assert air.rh.tolist() == [0.41] * 3
    assert (air.building, air.borrowed_from) == ("New House", "")


def test_days_after_the_day_asked_for_are_not_known_yet():
    site = make_site()
    make_climate(make_room(site, "Hall"), TODAY - timedelta(days=2), 10)
    assert air_of(site, "Hall").days.max() == TODAY.toordinal()


def test_a_day_without_a_trusted_reading_is_left_out():
    site = make_site()
    room = make_room(site, "Hall")
    make_climate(room, START, 3)
    room.climate_days.filter(date=START + timedelta(days=1)).update(rh_mean=None, temp_c_mean=None)
    assert air_of(site, "Hall").days.tolist() == [START.toordinal(), START.toordinal() + 2]


def test_a_room_without_a_sensor_borrows_along_the_chain_of_stated_rooms():
    site = make_site()
    lender = make_room(site, "Lender", "Far House")
    make_climate(lender, START, 4, steady(19.0, 0.33))
    between = make_room(site, "Between", borrows_from=lender)
    make_room(site, "Bare", borrows_from=between)
    air = air_of(site, "Bare")
    assert air.borrowed_from == "Lender"
    assert air.rh.tolist() == [0.33] * 4


def test_two_rooms_that_borrow_from_each_other_fall_back_on_their_building():
    site = make_site()
    make_climate(make_room(site, "Measured", "Old House"), START, 2)
    one = make_room(site, "One", "Old House")
    two = make_room(site, "Two", "Old House", borrows_from=one)
    one.borrows_from = two
    one.save()
    assert air_of(site, "One").borrowed_from == "the other rooms of Old House"


def test_the_mean_of_the_building_is_taken_over_the_rooms_that_have_the_day():
    site = make_site()
    make_climate(make_room(site, "A", "Old House"), START, 2, steady(20.0, 0.30))
    make_climate(make_room(site, "B", "Old House"), START + timedelta(days=1), 2, steady(22.0, 0.50))
    make_climate(make_room(site, "C", "New House"), START, 2, steady(30.0, 0.90))
    make_room(site, "Bare", "Old House")
    air = air_of(site, "Bare")
    np.testing.assert_allclose(air.temp_c, [20.0, 21.0, 22.0])
    np.testing.assert_allclose(air.rh, [0.30, 0.40, 0.50])


def test_a_room_in_a_building_without_readings_takes_the_mean_of_the_site():
    site = make_site()
    make_climate(make_room(site, "A", "Old House"), START, 2, steady(20.0, 0.30))
    make_room(site, "Bare", "New House")
    air = air_of(site, "Bare")
    assert air.borrowed_from == "the other rooms"
    assert air.rh.tolist() == [0.30, 0.30]


def test_a_site_without_any_reading_gives_empty_air_that_claims_no_lender():
    site = make_site()
    make_room(site, "Bare")
    air = air_of(site, "Bare")
    assert (len(air.days), len(air.rh), air.borrowed_from) == (0, 0, "")


def test_the_air_of_another_site_is_never_borrowed():
    other = make_site()
    make_climate(make_room(other, "A", "Old House"), START, 2)
    site = make_site()
    make_room(site, "Bare", "Old House")
    assert [air.room for air in room_airs(site, TODAY)] == ["Bare"]
    assert len(air_of(site, "Bare").days) == 0


def test_the_number_of_queries_does_not_grow_with_the_rooms(django_assert_num_queries):
    site = make_site()
    for _ in range(12):
        make_climate(make_room(site), START, 2)
    with django_assert_num_queries(2):
        room_airs(site, TODAY)


def test_outdoor_air_stands_in_heated_and_says_that_it_is_a_lower_bound():
    """PsychroLib and CoolProp: 0 °C at 80 % heated to 21 °C is 19.65 %, -10 °C at 80 % is 8.36 %."""
    site = make_site()
    yard = make_room(site, "Yard", "Outside", outdoors=True)
    attic = make_room(site, "Attic", borrows_from=yard)
    weather = {
        START: (0.0, 0.8),
        START + timedelta(days=1): (-10.0, 0.8),
        START + timedelta(days=2): (25.0, 0.5),
    }
    make_climate(yard, START, 3, lambda day: weather[day])
    found = {air.room: air for air in room_airs(site, START + timedelta(days=2))}[attic.name]
    assert found.rh == pytest.approx([0.1965, 0.0836, 0.5], abs=5e-4)
    assert found.temp_c.tolist() == [21.0, 21.0, 25.0]
    assert found.borrowed_from == "outdoor air (Yard) heated to 21 °C, a lower bound in winter"


def test_a_place_outdoors_is_no_neighbour_but_better_than_nothing():
    site = make_site()
    yard = make_room(site, "Yard", "Old House", outdoors=True)
    attic = make_room(site, "Attic", "Old House")
    make_climate(yard, START, 1, steady(0.0, 0.8))
    alone = {air.room: air for air in room_airs(site, START)}
    assert "lower bound" in alone[attic.name].borrowed_from
    make_climate(make_room(site, "Hall", "New Hall"), START, 1, steady(20, 0.4))
    beside = {air.room: air for air in room_airs(site, START)}
    assert (beside[attic.name].rh.tolist(), beside[attic.name].borrowed_from) == ([0.4], "the other rooms")


def test_whose_air_stands_in_is_said_as_the_forecast_takes_it():
    site = make_site()
    make_climate(make_room(site, "Measured", "Old House"), START, 3)
    doubtful = make_room(site, "Doubtful", "Old House")
    make_climate(doubtful, START, 3)
    doubtful.climate_days.update(rh_mean=None, temp_c_mean=None)
    yard = make_room(site, "Yard", "", outdoors=True)
    make_climate(yard, START, 3, steady(2.0, 0.8))
    make_room(site, "Alone", "Far House")
    make_room(site, "Open", "Far House", borrows_from=yard)
    said = {site.rooms.get(pk=pk).name: words for pk, words in air_sources(site).items()}
    assert said == {air.room: air.borrowed_from for air in room_airs(site, TODAY) if air.borrowed_from}
    assert said["Doubtful"] == "the other rooms of Old House"
    assert said["Alone"] == "the other rooms"
    assert said["Open"].startswith("outdoor air (Yard) heated to")


def test_nobodys_air_stands_in_where_there_is_none():
    site = make_site()
    room = make_room(site, "Bare")
    assert air_sources(site) == {room.pk: ""}
