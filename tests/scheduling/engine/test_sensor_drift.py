"""A sensor that leaves its neighbours slowly: invented rooms whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from scheduling.engine.sensor_drift import LARGE, WEEKS, slow_drift, theil_sen

TODAY = 740_000
DAYS = np.arange(TODAY - 460, TODAY)


def house(seed: int = 1, rooms: int = 5, noise: float = 0.012):
    """Rooms of a house that share its season and weather, each with a level and a little of its own."""
    rng = np.random.default_rng(seed)
    season = 0.45 - 0.1 * np.cos(2 * np.pi * DAYS / 365.2425)
    weather = np.convolve(rng.normal(0, 0.03, len(DAYS) + 6), np.ones(7) / 7, "valid")
    level = rng.normal(0, 0.03, rooms)[:, None]
    return season + weather + level + rng.normal(0, noise, (rooms, len(DAYS)))


def ramp(size: float, weeks: int = WEEKS):
    """Nothing, then a straight line to `size` on the last day."""
    return np.clip((DAYS - (TODAY - 7 * weeks)) / (7 * weeks), 0, 1) * size


@pytest.mark.parametrize("size", [0.09, -0.09])
def test_a_slow_divergence_is_found_with_its_size_and_middle(size):
    rh = house()
    drift = slow_drift(DAYS, rh[0] + ramp(size), rh[1:], TODAY)
    assert drift is not None
    # Weekly medians: the line runs from the middle of the first to that of the last week, and is taken over
    # all twelve; the weeks' noise is 0.012 / sqrt(7) times 1.25 for a median.
    assert drift.change == pytest.approx(size, abs=0.015)
    assert TODAY - drift.since == pytest.approx(7 * WEEKS / 2, abs=14)


def test_good_sensors_are_left_in_peace():
    for seed in range(40):
        rh = house(seed)
        assert slow_drift(DAYS, rh[0], rh[1:], TODAY) is None


def test_rooms_that_part_every_autumn_are_not_broken():
    rh = house()
    every_year = 0.09 * np.clip(((DAYS - TODAY) % 365 - 281) / 84, 0, 1)
    assert slow_drift(DAYS, rh[0] + every_year, rh[1:], TODAY) is None
    only_now = np.where(DAYS > TODAY - 200, every_year, 0.0)
    assert slow_drift(DAYS, rh[0] + only_now, rh[1:], TODAY) is not None


def test_a_jump_of_a_neighbour_or_of_the_house_is_no_drift_of_this_room():
    rh = house()
    rh[2] += ramp(0.3)
    assert slow_drift(DAYS, rh[0], rh[1:], TODAY) is None
    assert slow_drift(DAYS, rh[0] + ramp(0.2), rh[1:] + ramp(0.2), TODAY) is None


def test_too_few_days_or_neighbours_say_nothing():
    rh = house()
    rh[0] += ramp(0.2)
    assert slow_drift(DAYS, rh[0], rh[1:2], TODAY) is None
    gone = np.where((DAYS > TODAY - 60) & (DAYS < TODAY - 20), np.nan, rh[0])
    assert slow_drift(DAYS, gone, rh[1:], TODAY) is None
    assert slow_drift(DAYS, house()[0] + ramp(0.8 * LARGE), rh[1:], TODAY) is None


@pytest.mark.parametrize("count", [4, 7, 12])
def test_the_line_through_the_weeks_is_that_of_scipy(count):
    """Source: SciPy's theilslopes, which shares nothing with ours."""
    rng = np.random.default_rng(count)
    x = np.sort(rng.choice(np.arange(20.0), count, replace=False))
    y = 0.3 * x + rng.standard_t(2, count)
    expected = theilslopes(y, x)
    assert theil_sen(x, y) == pytest.approx((expected[0], expected[1]), rel=1e-12)
