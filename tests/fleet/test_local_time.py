"""Local times against the standard library's zoneinfo, which places them one at a time."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from fleet.local_time import DAY, HOUR, LocalClock, day_number, instant_of, micros

# A change of half an hour, none, one at midnight, a day left out, an offset of 45 minutes, a negative one.
ZONES = [
    "Europe/Vienna",
    "America/New_York",
    "Australia/Lord_Howe",
    "UTC",
    "America/Sao_Paulo",
    "Pacific/Apia",
    "Asia/Kathmandu",
    "Europe/Dublin",
    "Africa/Casablanca",
    "America/Havana",
]
FIRST, LAST = date(2008, 1, 1), date(2027, 12, 31)


@pytest.mark.parametrize("name", ZONES)
def test_local_times_become_the_instants_that_the_standard_library_gives(name):
    zone = ZoneInfo(name)
    clock = LocalClock(zone, FIRST, LAST)
    rng = np.random.default_rng(20261125)
    anywhere = rng.integers(day_number(FIRST) * DAY, day_number(LAST) * DAY, 200)
    around = (
        clock.changes[:, None] + clock.offsets[:-1, None] + rng.integers(-3 * HOUR, 3 * HOUR, 8)
    ).ravel()
    local = np.concatenate([anywhere, around])
    for second in (False, True):
        walls = [instant_of(us).replace(tzinfo=zone, fold=int(second)) for us in local]
        expected = [micros(wall.astimezone(UTC)) for wall in walls]
        assert clock.to_utc(local, second).tolist() == expected
    back = [micros(instant_of(us).astimezone(zone).replace(tzinfo=None)) for us in local]
    assert clock.to_local(local).tolist() == back


@pytest.mark.parametrize(
    ("name", "skipped", "repeated"),
    [
        ("Europe/Vienna", "2026-03-29T02:30", "2026-10-25T02:30"),
        ("America/New_York", "2026-03-08T02:59", "2026-11-01T01:00"),
        ("Australia/Lord_Howe", "2026-10-04T02:15", "2026-04-05T01:45"),
    ],
)
def test_skipped_and_repeated_times_are_told_from_all_others(name, skipped, repeated):
    # Dates of the changes: IANA time zone database.
    clock = LocalClock(ZoneInfo(name), date(2026, 1, 1), date(2026, 12, 31))
    times = np.array(
        [micros(datetime.fromisoformat(text)) for text in (skipped, repeated, "2026-07-01T02:30")]
    )
    assert clock.skipped(times).tolist() == [True, False, False]
    assert clock.repeated(times).tolist() == [False, True, False]


def half_hours(start: str, offsets: list[int]) -> np.ndarray:
    """Return local times so many half hours after a start [µs]."""
    first = datetime.fromisoformat(start)
    return np.array([micros(first + timedelta(minutes=30 * count)) for count in offsets], np.int64)


VIENNA = LocalClock(ZoneInfo("Europe/Vienna"), date(2026, 1, 1), date(2026, 12, 31))


def test_a_repeated_hour_is_told_apart_by_the_order_of_the_rows():
    local = half_hours("2026-10-25T01:30", [0, 1, 2, 1, 2, 3])
    second = VIENNA.second_readings(np.zeros(6, np.int64), local)
    assert second.tolist() == [False, False, False, True, True, False]


def test_hourly_rows_that_show_the_same_time_twice_are_two_readings():
    local = half_hours("2026-10-25T02:00", [0, 0, 2])
    assert VIENNA.second_readings(np.zeros(3, np.int64), local).tolist() == [False, True, False]


def test_a_list_with_the_newest_row_first_is_read_from_its_end():
    local = half_hours("2026-10-25T01:30", [3, 2, 1, 2, 1, 0])
    second = VIENNA.second_readings(np.zeros(6, np.int64), local)
    assert second.tolist() == [False, True, True, False, False, False]


def test_rooms_are_told_apart_each_for_itself_though_their_rows_are_mixed():
    local = half_hours("2026-10-25T02:00", [0, 0, 1, 1, 0, 0, 1, 1])
    second = VIENNA.second_readings(np.array([0, 1] * 4), local)
    assert second.tolist() == [False] * 4 + [True] * 4


def test_the_repeated_hours_of_two_years_do_not_mix():
    clock = LocalClock(ZoneInfo("Europe/Vienna"), date(2025, 1, 1), date(2026, 12, 31))
    local = np.concatenate([half_hours("2025-10-26T02:00", [1, 0]), half_hours("2026-10-25T02:00", [0, 1])])
    assert clock.second_readings(np.zeros(4, np.int64), local).tolist() == [False, True, False, False]
