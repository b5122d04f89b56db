"""Seasonal band and class of a climate, against pandas' windows and hand calculation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from scheduling.engine.climate_quality import (
    CLASSES,
    class_reached,
    moving_average,
    seasonal_band,
)

QUARTER = 1 / 96  # days


def a_year(seed: int = 7, days: int = 400, noise: float = 0.05):
    """Quarter hours of a room with a season, weather that comes and goes, and a gap of eleven days."""
    rng = np.random.default_rng(seed)
    at = 739_000 + np.arange(days * 96) * QUARTER
    weather = pd.Series(rng.normal(0, noise, len(at))).ewm(span=96).mean().to_numpy()
    weather = weather * noise / weather.std()
    rh = 0.45 - 0.12 * np.cos(2 * np.pi * (at - 739_020) / 365.2425) + weather
    kept = (at < 739_150) | (at > 739_161)
    return at[kept], np.clip(rh[kept], 0, 1)


def of_pandas(at, rh):
    """The same by pandas: a window of time, centred, both ends in; percentiles linear."""
    times = pd.to_timedelta(np.round((at - at[0]) * 86_400), unit="s") + pd.Timestamp("2025-01-01")
    series = pd.Series(rh, index=times)
    average = series.rolling("30D", center=True, closed="both").mean()
    half = pd.Timedelta(days=15)
    whole = (times - times[0] >= half) & (times[-1] - times >= half)
    return average.to_numpy(), (series - average)[whole]


def test_the_band_agrees_with_an_independent_computation_by_pandas():
    at, rh = a_year()
    band = seasonal_band(at, rh)
    average, fluctuation = of_pandas(at, rh)
    # One reading more or less at the edge of a window, by rounding of days, moves its mean by 1/2880.
    assert band.average == pytest.approx(average, abs=1e-4)
    low, high = fluctuation.quantile([0.07, 0.93])
    assert (band.lowest, band.highest) == (pytest.approx(low, abs=1e-4), pytest.approx(high, abs=1e-4))
    outside = ((fluctuation < min(low, -0.1)) | (fluctuation > max(high, 0.1))).mean()
    assert band.outside == pytest.approx(outside, abs=1e-3)


def test_fourteen_percent_lie_outside_before_the_floor():
    """By construction of the 7th and 93rd percentiles: EN 15757."""
    assert seasonal_band(*a_year()).outside_before_floor == pytest.approx(0.14, abs=1e-3)


def test_the_percentile_of_a_normal_fluctuation_is_1_476_sigma():
    rng = np.random.default_rng(5)
    at = np.arange(60 * 96 * 4) * QUARTER
    band = seasonal_band(at, 0.5 + rng.normal(0, 0.08, len(at)))
    assert norm.ppf(0.93) == pytest.approx(1.47579, abs=1e-5)
    # Monte Carlo error of the percentile of 23,040 values: 1.9 sqrt(p q / n) sigma, three times.
    assert band.highest / 0.08 == pytest.approx(1.47579, abs=0.02)


def test_a_calm_room_gets_the_floor_and_a_lively_one_its_own_limits():
    at, rh = a_year(noise=0.01)
    calm = seasonal_band(at, rh)
    assert (calm.lower, calm.upper, calm.outside) == (-0.10, 0.10, 0.0)
    lively = seasonal_band(*a_year(noise=0.09))
    assert lively.lower == lively.lowest < -0.10
    assert lively.upper == lively.highest > 0.10


def test_a_year_with_few_gaps_is_as_the_standard_wants_it_and_less_is_not():
    at, rh = a_year()
    assert seasonal_band(at, rh).by_the_standard
    assert not seasonal_band(at[: 300 * 96], rh[: 300 * 96]).by_the_standard
    holed = np.floor(at) % 4 > 0
    band = seasonal_band(at[holed], rh[holed])
    assert band.coverage == pytest.approx(0.73, abs=0.01)
    assert not band.by_the_standard


@given(st.floats(0.2, 0.8), st.integers(2, 50))
def test_air_that_never_changes_has_no_fluctuation(rh, count):
    band = seasonal_band(np.arange(count), np.full(count, rh))
    assert band.fluctuation == pytest.approx(0, abs=1e-12)
    assert (band.lower, band.upper) == (-0.10, 0.10)


def test_the_average_of_a_straight_line_is_the_line_where_the_window_is_whole():
    at = np.arange(0.0, 100.0, 0.5)
    average = moving_average(at, 0.3 + 0.001 * at)
    inside = (at >= 15) & (at <= at[-1] - 15)
    assert average[inside] == pytest.approx(0.3 + 0.001 * at[inside], abs=1e-12)


@pytest.mark.parametrize(
    ("at", "rh", "said"),
    [
        ([], [], "without readings"),
        ([0, 1], [45, 46], "percentage"),
        ([0, 1], [0.4, np.nan], "gap"),
        ([1, 1], [0.4, 0.4], "rise"),
        ([0, 1], [0.4], "length"),
    ],
)
def test_what_has_no_band_is_refused(at, rh, said):
    with pytest.raises(ValueError, match=said):
        seasonal_band(at, rh)


HOURS = np.arange(365 * 24) / 24
SEASON = np.cos(2 * np.pi * HOURS / 365)
DAILY = np.sin(2 * np.pi * HOURS)

# Each by hand from the table: a daily swing and a seasonal swing of humidity, and of temperature.
ROOMS = {
    "AA": (0.50 + 0.04 * DAILY, 21 + 1.0 * DAILY + 3 * SEASON),
    "A1": (0.50 + 0.04 * DAILY + 0.09 * SEASON, 21 + 1.0 * DAILY + 3 * SEASON),
    "A2": (0.50 + 0.09 * DAILY, 21 + 1.0 * DAILY + 3 * SEASON),
    "B": (0.50 + 0.09 * DAILY + 0.09 * SEASON, 18 + 4.0 * DAILY + 7 * SEASON),
    "C": (0.50 + 0.04 * DAILY + 0.20 * SEASON, 18 + 1.0 * DAILY + 3 * SEASON),
    "D": (0.40 + 0.04 * DAILY + 0.25 * SEASON, 18 + 1.0 * DAILY + 3 * SEASON),
    None: (0.65 + 0.04 * DAILY + 0.25 * SEASON, 18 + 1.0 * DAILY + 3 * SEASON),
}


@pytest.mark.parametrize("name", ROOMS)
def test_a_room_reaches_the_class_whose_bounds_it_keeps(name):
    rh, temp_c = ROOMS[name]
    reached = class_reached(HOURS, temp_c, rh)
    assert reached.reached == name
    assert (reached.set_point_rh, reached.set_point_c) == (
        pytest.approx(rh.mean()),
        pytest.approx(temp_c.mean()),
    )


def test_the_share_of_a_class_is_the_share_of_the_readings_it_allows():
    """A tenth of the days stands at 80 %, beyond what D allows."""
    rh = np.full(1000, 0.5)
    rh[::10] = 0.8
    reached = class_reached(np.arange(1000.0), np.full(1000, 21.0), rh)
    assert reached.shares["D"] == pytest.approx(0.9)
    assert reached.reached is None
    assert list(reached.shares) == [one.name for one in CLASSES]


def test_a_stricter_class_never_holds_where_a_milder_one_does_not():
    at, rh = a_year()
    shares = class_reached(at, 21 + 0 * at, rh).shares
    for strict, mild in (("AA", "A2"), ("A1", "B"), ("B", "C"), ("C", "D")):
        assert shares[strict] <= shares[mild] + 1e-12


def test_no_readings_reach_no_class():
    with pytest.raises(ValueError, match="without readings"):
        class_reached([], [], [])
