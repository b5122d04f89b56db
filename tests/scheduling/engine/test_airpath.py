from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.tsa.arima_process import ArmaProcess

from scheduling.engine.air import MOISTURE, Season, fit_seasons
from scheduling.engine.airpath import joined, room_path
from scheduling.engine.cycles import harmonics

FIRST, LAST = 739_000, 739_119
COEFFICIENTS = np.array([0.08, -0.02, 0.005, 0.001, -0.002])
SEASON = Season(COEFFICIENTS, np.diag([4e-6, 3e-6, 3e-6, 1e-6, 1e-6]), 0.006, 0.85)


def covariance(path):
    root = path.factor(np.eye(len(path.mean)))
    return root @ root.T


CALM_WINTER = replace(SEASON, lively=np.array([-0.6, 0.2, -0.3, 0.1]))


def path_with(days, seed=0, season=SEASON, **kwargs):
    values = harmonics(days) @ COEFFICIENTS + 0.005 * np.random.default_rng(seed).standard_normal(len(days))
    return room_path(season, MOISTURE, days, values, FIRST, LAST, **kwargs), values


@settings(deadline=None, max_examples=30)
@given(st.sets(st.integers(FIRST, LAST), max_size=60), st.sampled_from([SEASON, CALM_WINTER]))
def test_gaps_and_future_are_the_exact_conditional_law(seen, season):
    days = np.array(sorted(seen), int)
    path, values = path_with(days, season=season)
    grid = np.arange(FIRST, LAST + 1)
    columns = harmonics(grid)
    weather = SEASON.anomaly_sd**2 * SEASON.anomaly_keep ** np.abs(np.subtract.outer(grid, grid))
    weather *= np.outer(season.liveliness(grid), season.liveliness(grid))
    at = days - FIRST
    gain = weather[:, at] @ np.linalg.inv(weather[np.ix_(at, at)])
    mean = columns @ COEFFICIENTS + gain @ (values - columns[at] @ COEFFICIENTS)
    left = columns - gain @ columns[at]
    expected = weather - gain @ weather[at] + left @ SEASON.covariance @ left.T
    np.testing.assert_allclose(path.mean, mean, atol=1e-12)
    np.testing.assert_allclose(covariance(path), expected, atol=1e-12)


@settings(deadline=None, max_examples=20)
@given(st.sets(st.integers(FIRST, LAST), min_size=2, max_size=60), st.data())
def test_a_gap_widens_the_band_of_every_day_and_never_narrows_it(seen, data):
    days = np.array(sorted(seen), int)
    begin = data.draw(st.integers(0, len(days) - 1))
    end = data.draw(st.integers(begin + 1, len(days)))
    whole, _ = path_with(days)
    holed, _ = path_with(np.delete(days, slice(begin, end)))
    assert np.all(np.diag(covariance(holed)) >= np.diag(covariance(whole)) - 1e-15)


def test_a_gap_in_the_history_also_widens_the_season_itself():
    days = np.arange(FIRST - 700, LAST - 30)
    values = harmonics(days) @ COEFFICIENTS
    doubts = []
    for kept in (days, np.delete(days, slice(300, 600))):
        seen = values[np.isin(days, kept)]
        season = fit_seasons({"a": (kept, seen)}, {"a": ""}, MOISTURE)["a"]
        doubts.append(np.diag(season.covariance))
    assert np.all(doubts[1] >= doubts[0])


def test_read_days_are_certain_and_the_far_future_is_the_season():
    days = np.arange(FIRST, FIRST + 30)
    path, values = path_with(days)
    np.testing.assert_array_equal(path.mean[:30], values)
    assert path.first_doubt() == 30
    assert np.all(np.diag(covariance(path))[:30] == 0)
    # the anomaly has decayed to 0.85^90 of itself
    assert path.mean[-1] == pytest.approx(SEASON.expected(np.array([LAST]))[0], abs=1e-7)


def test_the_weather_of_an_unread_room_is_the_ornstein_uhlenbeck_process():
    # dx = -x / 10 dt + dW: variance 10 / 2, correlation exp(-h / 10); statsmodels' exact autocovariance
    keep = np.exp(-0.1)
    season = Season(COEFFICIENTS, 1e-12 * np.eye(5), np.sqrt(5.0), keep)
    nothing = np.array([], int), np.array([])
    path = room_path(season, MOISTURE, *nothing, FIRST, FIRST + 39)
    process = ArmaProcess([1.0, -keep], [1.0], nobs=40).acovf(40) * 5.0 * (1 - keep**2)
    assert process[0] == pytest.approx(5.0)
    distance = np.abs(np.subtract.outer(np.arange(40), np.arange(40)))
    np.testing.assert_allclose(covariance(path), process[distance], rtol=1e-9)


def test_borrowed_values_are_doubted_every_day():
    days = np.arange(FIRST, LAST + 1)
    own, borrowed = path_with(days)[0], path_with(days, borrowed=True)[0]
    assert own.first_doubt() == len(days)
    assert np.all(np.diag(covariance(borrowed)) > 0)


def test_drawn_paths_have_the_stated_covariance():
    days = np.array([FIRST + 3, FIRST + 40, FIRST + 41])
    path, _ = path_with(days, borrowed=True)
    drawn = path.draw(np.random.default_rng(5), 40_000)[:, ::10]
    expected = covariance(path)[::10, ::10]
    # Monte Carlo: relative error of a variance sqrt(2 / 40000) = 0.7 %; five of them, of the largest
    np.testing.assert_allclose(np.cov(drawn.T), expected, atol=0.035 * expected.max())


def test_a_later_start_keeps_the_law_of_the_rest():
    path, _ = path_with(np.array([FIRST + 20, FIRST + 60]))
    late = path.since(37)
    np.testing.assert_allclose(covariance(late), covariance(path)[37:, 37:], atol=1e-15)
    np.testing.assert_array_equal(late.mean, path.mean[37:])


def test_a_moved_instrument_feels_each_room_in_turn():
    dry, damp = (path_with(np.arange(FIRST, FIRST + 50), seed=seed)[0] for seed in (1, 2))
    felt = joined({"dry": dry, "damp": damp}, [(0, "dry"), (40, "damp"), (80, "dry")])
    np.testing.assert_array_equal(felt.mean[:40], dry.mean[:40])
    np.testing.assert_array_equal(felt.mean[40:80], damp.mean[40:80])
    both = np.diag(covariance(felt))
    np.testing.assert_allclose(both[40:80], np.diag(covariance(damp))[40:80], atol=1e-15)
    np.testing.assert_allclose(both[80:], np.diag(covariance(dry))[80:], atol=1e-15)
    assert covariance(felt)[60, 90] == pytest.approx(0.0, abs=1e-15)
