"""The rooms: their air now, over thirty days, and how far it can be trusted."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import Sensor
from reports.queries.rooms import room_now, rooms_now
from tests import factories as make
from tests.factories import TODAY

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)


@pytest.fixture
def room(db):
    return make.make_room(make.make_site())


def reading(room, hours_ago, rh=0.4, **fields):
    room.readings.create(time=NOW - timedelta(hours=hours_ago), temp_c=20.0, rh=rh, **fields)


def words(room) -> list[str]:
    return [word.word for word in room_now(room, TODAY, NOW).words]


def test_air_now_is_the_latest_trusted_reading(room):
    reading(room, 2, 0.31)
    reading(room, 5, 0.55)
    reading(room, 1, 0.99, doubt="jump")
    assert room_now(room, TODAY, NOW).rh == 0.31


def test_air_now_is_corrected_as_the_days_are(room):
    reading(room, 2, 0.30)
    Sensor.objects.create(
        site=room.site,
        name="S",
        room=room,
        first_day=TODAY - timedelta(days=9),
        humidity_slope=1.1,
        humidity_offset=-0.02,
    )
    assert room_now(room, TODAY, NOW).rh == pytest.approx(0.31)


def test_thirty_days_have_their_driest_dampest_and_mean(room):
    make.make_climate(room, TODAY - timedelta(days=29), 30, make.steady(20, 0.40))
    make.make_climate(room, TODAY - timedelta(days=60), 31, make.steady(20, 0.90))
    air = room_now(room, TODAY, NOW)
    assert (air.rh_low, air.rh_high) == (pytest.approx(0.37), pytest.approx(0.43))
    assert air.rh_mean == pytest.approx(0.40)


def test_a_fresh_record_without_gaps_is_whole(room):
    reading(room, 1)
    make.make_climate(room, TODAY - timedelta(days=29), 30)
    assert words(room) == ["whole"]


def test_two_days_without_a_trusted_reading_are_silence(room):
    reading(room, 49)
    reading(room, 1, doubt="stuck")
    make.make_climate(room, TODAY - timedelta(days=29), 30)
    assert words(room) == ["silent"]
    assert room_now(room, TODAY, NOW).rh is None


def test_days_with_too_few_hours_are_gaps(room):
    reading(room, 1)
    make.make_climate(room, TODAY - timedelta(days=29), 20)
    make.make_climate(room, TODAY - timedelta(days=9), 10, hours_covered=11)
    air = room_now(room, TODAY, NOW)
    assert [word.word for word in air.words] == ["gaps"]
    assert "10 days" in air.words[0].sentence


def test_doubtful_readings_are_counted(room):
    reading(room, 1)
    make.make_climate(room, TODAY - timedelta(days=29), 30)
    room.climate_days.filter(date=TODAY).update(doubtful=5)
    air = room_now(room, TODAY, NOW)
    assert [word.word for word in air.words] == ["doubtful"]
    assert "5 of 720 readings" in air.words[0].sentence


def test_a_room_without_a_sensor_says_whose_air_stands_in(room):
    assert words(room) == ["supposed"]
    lender = make.make_room(room.site, "Library")
    make.make_climate(lender, TODAY - timedelta(days=29), 30)
    assert words(room) == ["borrowed"]
    assert "the other rooms of Old House" in room_now(room, TODAY, NOW).words[0].sentence
    room.borrows_from = lender
    room.save()
    assert "taken from Library, with a wider band" in room_now(room, TODAY, NOW).words[0].sentence


def test_a_room_all_of_whose_readings_are_doubtful_is_silent_and_borrows(room):
    make.make_climate(make.make_room(room.site, "Library"), TODAY - timedelta(days=29), 30)
    reading(room, 3, doubt="stuck")
    room.climate_days.create(date=TODAY, readings=1, doubtful=1, hours_covered=0)
    Sensor.objects.create(site=room.site, name="S", room=room, first_day=TODAY - timedelta(days=9))
    assert words(room)[:2] == ["silent", "borrowed"]


def test_a_sensor_that_never_spoke_is_silent_not_borrowed(room):
    Sensor.objects.create(site=room.site, name="S", room=room, first_day=TODAY - timedelta(days=9))
    assert words(room)[0] == "silent"


def test_the_rooms_of_a_site_stand_by_building_and_name(room):
    site = make.make_site()
    for name, building in (("b", "B"), ("a", "B"), ("z", "A")):
        make.make_room(site, name, building)
    assert [air.room.name for air in rooms_now(site, TODAY, NOW)] == ["z", "a", "b"]


def test_the_page_of_a_room_shows_figures_numbers_and_who_stands_there(read, house):
    text = read(f"/rooms/{house.rooms[2].pk}/")
    for name in ("humidity", "wood", "temperature"):
        assert f'data-figure="/rooms/{house.rooms[2].pk}/figures/{name}/?span=year"' in text
    assert "nothing measured" in text
    assert "U-03" in text
    assert "11 days of the last thirty" in text


def test_the_days_of_a_room_stand_on_leaves_that_leave_none_out(read, house, monkeypatch):
    whole = days_told(read(f"/rooms/{house.rooms[2].pk}/"))
    monkeypatch.setattr("reports.air.room_views.DAYS", len(whole) - 5)
    leaves = [read(f"/rooms/{house.rooms[2].pk}/?span=year&page={leaf}") for leaf in (1, 2)]
    assert [day for text in leaves for day in days_told(text)] == whole
    assert ["<details open>" in text for text in leaves] == [False, True]


def days_told(text: str) -> list[str]:
    return re.findall(r'<th scope="row">(\d+ \w+ \d{4})</th>', text)


def test_the_page_of_a_borrowing_room_shows_the_lender_s_air_and_says_so(read, house):
    room = house.rooms[-1]
    text = read(f"/rooms/{room.pk}/")
    assert "What follows is the air of Room 1." in text
    assert '"y": [' in read(f"/rooms/{room.pk}/figures/wood/")


def test_a_room_without_any_air_asks_for_readings(read, house):
    assert "readings.csv" in read(f"/rooms/{make.make_room(house.site).pk}/")


def test_a_site_without_rooms_tells_how_they_come(client, db):
    client.force_login(make.make_user(make.make_site()))
    assert "/start/" in client.get("/rooms/").content.decode()
