"""Sensors: where they stood, and checks over salts that are applied when readings are read."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
import time_machine

from fleet import intake, sensors
from fleet.local_time import HOUR, micros
from fleet.models import ClimateReading, Sensor
from fleet.refusal import Refused
from fleet.sensors import SALTS, Point, correction
from tests import factories as make

FIRST = date(2026, 11, 2)


@pytest.fixture
def hall(db):
    room = make.make_room(make.make_site(), "Elm Hall")
    times = micros(datetime(2026, 11, 1, 23, tzinfo=UTC)) + np.arange(96) * HOUR
    rh = np.tile([0.40, 0.44], 48)
    intake.store_readings(room.site, np.full(96, room.pk), times, 20 + rh, rh)
    return room


def means(room) -> list[float]:
    return [round(rh, 6) for rh in room.climate_days.order_by("date").values_list("rh_mean", flat=True)]


def test_two_salts_give_slope_and_offset_by_the_line_through_them():
    """By hand: 32.8 read as 36, 75.3 read as 71 → slope 42.5 / 35, offset 32.8 − 36 · 42.5 / 35."""
    slope, offset = correction([Point(0.753, 0.71), Point(0.328, 0.36)])
    assert slope == pytest.approx(42.5 / 35)
    assert offset == pytest.approx(0.328 - 0.36 * 42.5 / 35)
    assert [slope * read + offset for read in (0.36, 0.71)] == pytest.approx([0.328, 0.753])
    assert correction([Point(0.753, 0.78)]) == (1.0, pytest.approx(-0.027))


def test_the_salts_are_those_of_the_published_table():
    """Greenspan (1977) at 25 °C, from memory, unverified: LiCl 11.3, MgCl2 32.8, NaCl 75.3 %."""
    assert [salt.rh for salt in SALTS] == [0.113, 0.328, 0.753]


@pytest.mark.parametrize(
    "points",
    [
        [],
        [Point(0.753, 0.3)],
        [Point(0.753, 0.7), Point(0.70, 0.66)],
        [Point(0.753, 0.3), Point(0.328, 0.6)],
        [Point(0.753, 0.70), Point(0.113, 0.35)],
        [Point(0.753, 7.0)],
    ],
)
def test_a_check_that_says_the_sensor_is_broken_is_refused(points):
    with pytest.raises(Refused) as refused:
        correction(points)
    assert refused.value.accepted


def test_a_check_is_applied_when_days_are_made_and_the_readings_stay(hall):
    sensor = sensors.place(hall.site, "S1", hall, FIRST)
    raw = list(ClimateReading.objects.values_list("time", "rh"))
    assert means(hall) == [0.42] * 4
    sensors.check(sensor, [Point(0.753, 0.703), Point(0.328, 0.328)], FIRST, FIRST)
    slope = 0.425 / 0.375
    assert means(hall) == [pytest.approx(slope * 0.42 + 0.328 * (1 - slope), abs=1e-6)] * 4
    assert list(ClimateReading.objects.values_list("time", "rh")) == raw


def test_a_check_may_count_from_a_later_day_only(hall):
    sensor = sensors.place(hall.site, "S1", hall, FIRST)
    later = sensors.check(sensor, [Point(0.753, 0.733)], FIRST, FIRST + timedelta(days=2))
    assert means(hall) == [0.42, 0.42, 0.44, 0.44]
    spans = Sensor.objects.order_by("first_day").values_list("first_day", "last_day", "humidity_offset")
    assert [(a, b, round(c, 6)) for a, b, c in spans] == [
        (FIRST, FIRST + timedelta(days=1), 0.0),
        (FIRST + timedelta(days=2), None, 0.02),
    ]
    with pytest.raises(Refused, match="did not stand"):
        sensors.check(later, [Point(0.753, 0.733)], FIRST, FIRST)


def test_a_sensor_that_moves_takes_its_correction_along(hall):
    other = make.make_room(hall.site, "Lark Studio")
    sensors.check(sensors.place(hall.site, "S1", hall, FIRST), [Point(0.753, 0.733)], FIRST, FIRST)
    moved = sensors.place(hall.site, "S1", other, FIRST + timedelta(days=2))
    assert moved.humidity_offset == pytest.approx(0.02)
    assert means(hall) == [0.44, 0.44, 0.42, 0.42]
    with pytest.raises(Refused, match="Lark Studio"):
        sensors.place(hall.site, "S1", hall, FIRST + timedelta(days=1))
    sensors.take_away(moved, FIRST + timedelta(days=3))
    with pytest.raises(Refused, match="later"):
        sensors.take_away(moved, FIRST)


def test_a_room_never_lends_to_itself(hall):
    a, b = make.make_room(hall.site, "A"), make.make_room(hall.site, "B")
    sensors.lend(a, b, outdoors=False)
    with pytest.raises(Refused, match="itself"):
        sensors.lend(b, a, outdoors=False)


# The page


@time_machine.travel(datetime(2026, 11, 25, 8, tzinfo=UTC), tick=False)
def test_the_whole_way_on_the_page(client, hall):
    client.force_login(make.make_user(hall.site))
    client.post("/sensors/place/", {"name": "S1", "room": hall.pk, "first_day": "2026-11-02"})
    sensor = Sensor.objects.get()
    said = {"salt_1": "sodium", "read_1": "73,3", "salt_2": "other", "true_2": "", "read_2": ""}
    days = {"checked_on": "2026-11-20", "counts_from": ""}
    page = client.post("/sensors/check/", {"sensor": sensor.pk, **said, **days}, follow=True).content.decode()
    assert "2.0" in page
    assert "20 Nov 2026" in page
    assert means(hall) == [0.44] * 4
    page = client.post("/sensors/check/", {"sensor": sensor.pk, "read_1": "x"}, follow=True).content.decode()
    assert "no humidity" in page
    client.post("/sensors/away/", {"sensor": sensor.pk, "last_day": "2026-11-24"})
    sensor.refresh_from_db()
    assert sensor.last_day == date(2026, 11, 24)


def test_readers_and_strangers_change_no_sensor(client, hall):
    sensor = sensors.place(hall.site, "S1", hall, FIRST)
    for user, status in (
        (make.make_user(hall.site, "reader"), 403),
        (make.make_user(make.make_site("Another School")), 404),
    ):
        client.force_login(user)
        for path in (
            "/sensors/away/",
            "/sensors/check/",
            f"/rooms/{hall.pk}/lender/",
        ):
            assert client.post(path, {"sensor": sensor.pk}).status_code == status, path
    assert Sensor.objects.get().last_day is None
