"""Doubtful readings: every rule on a series whose faults are put in by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.local_time import HOUR
from fleet.quality import JUMP, STUCK, TRUSTED, doubts

QUARTER = HOUR // 4


def room(count: int, step: int = QUARTER, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times and air of a room that always moves a little."""
    rng = np.random.default_rng(seed)
    times = np.arange(count) * step
    return times, 21 + 0.001 * np.arange(count) % 1, 0.45 + rng.uniform(0.001, 0.02, count)


def test_a_room_that_moves_is_trusted():
    assert not doubts(*room(500)).any()


def test_no_readings_have_no_doubts():
    assert len(doubts(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))) == 0


@pytest.mark.parametrize(("hours", "code"), [(11.75, TRUSTED), (12, STUCK), (200, STUCK)])
def test_a_value_that_stands_for_twelve_hours_after_moving_is_stuck(hours, code):
    times, temp_c, rh = room(1200)
    run = slice(100, 100 + int(hours * 4) + 1)
    temp_c[run], rh[run] = 20.5, 0.5
    found = doubts(times, temp_c, rh)
    assert (found[run] == code).all()
    assert not found[:100].any()
    assert not found[run.stop :].any()


def test_a_room_that_never_moved_is_trusted():
    times = np.arange(400) * QUARTER
    assert not doubts(times, np.full(400, 20.0), np.full(400, 0.5)).any()


def test_one_quantity_that_moves_is_enough_to_be_trusted():
    times, temp_c, rh = room(300)
    rh[50:250] = 0.5
    assert not doubts(times, temp_c, rh).any()


def test_fewer_than_six_readings_are_never_stuck():
    times, temp_c, rh = room(12, step=6 * HOUR)
    temp_c[4:9], rh[4:9] = 20.5, 0.5
    assert not doubts(times, temp_c, rh).any()


def test_the_same_value_on_both_sides_of_a_long_silence_is_no_run():
    times, temp_c, rh = room(60)
    temp_c[30:40], rh[30:40] = 20.5, 0.5
    times[35:] += 200 * HOUR
    assert not doubts(times, temp_c, rh).any()


@pytest.mark.parametrize(("quantity", "size"), [("rh", 0.3), ("rh", -0.3), ("temp_c", 9.0), ("temp_c", -9.0)])
def test_a_value_that_leaps_and_comes_back_within_the_hour_is_a_jump(quantity, size):
    times, temp_c, rh = room(200)
    {"rh": rh, "temp_c": temp_c}[quantity][[80, 81, 150]] += size
    assert np.flatnonzero(doubts(times, temp_c, rh) == JUMP).tolist() == [80, 81, 150]


@pytest.mark.parametrize(("quantity", "size"), [("rh", 0.22), ("temp_c", 6.5)])
def test_a_smaller_leap_is_trusted(quantity, size):
    times, temp_c, rh = room(200)
    {"rh": rh, "temp_c": temp_c}[quantity][80] += size
    assert not doubts(times, temp_c, rh).any()


def test_a_step_that_stays_is_trusted():
    times, temp_c, rh = room(200)
    rh[100:] += 0.35
    assert not doubts(times, temp_c, rh).any()


def test_readings_further_apart_than_an_hour_are_never_a_jump():
    times, temp_c, rh = room(50, step=2 * HOUR)
    rh[20] += 0.4
    assert not doubts(times, temp_c, rh).any()


def test_the_first_and_last_reading_have_only_one_side_and_are_trusted():
    times, temp_c, rh = room(50)
    rh[[0, -1]] += 0.4
    assert not doubts(times, temp_c, rh).any()


def test_jumps_are_those_that_a_plain_loop_finds():
    rng = np.random.default_rng(7)
    times = np.cumsum(rng.integers(1, 50, 400)) * 60_000_000
    rh = np.clip(0.5 + rng.normal(0, 0.15, 400), 0, 1)
    hour = 65 * 60_000_000

    def stands_out(here: int) -> bool:
        before = [rh[j] for j in range(400) if 0 < times[here] - times[j] <= hour]
        after = [rh[j] for j in range(400) if 0 < times[j] - times[here] <= hour]
        if not before or not after:
            return False
        above = min(rh[here] - min(before), rh[here] - min(after))
        below = min(max(before) - rh[here], max(after) - rh[here])
        return max(above, below) > 0.25

    expected = [here for here in range(400) if stands_out(here)]
    assert len(expected) > 10
    assert np.flatnonzero(doubts(times, 21 + times % 7 / 10, rh) == JUMP).tolist() == expected
