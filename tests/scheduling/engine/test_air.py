from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from statsmodels.regression.linear_model import GLS
from statsmodels.tsa.ar_model import AutoReg

from scheduling.engine.air import (
    MOISTURE,
    N_COEFFICIENTS,
    NO_SPREAD,
    NOTHING,
    Season,
    fit_seasons,
    liveliness,
    remainder,
    season_evidence,
    year_scatter,
)
from scheduling.engine.cycles import YEAR_DAYS, harmonics

FIRST = 739_000


def weather(n, keep=0.85, sd=0.006, seed=0):
    rng = np.random.default_rng(seed)
    out = np.empty(n)
    out[0] = sd * rng.standard_normal()
    for i in range(1, n):
        out[i] = keep * out[i - 1] + sd * np.sqrt(1 - keep**2) * rng.standard_normal()
    return out


def room_year(n=730, seed=0, level=0.08, swing=0.02):
    days = FIRST + np.arange(n)
    return days, level - swing * np.cos(2 * np.pi * (days - 20) / YEAR_DAYS) + weather(n, seed=seed)


def test_over_whole_periods_the_harmonics_are_those_of_a_fourier_transform():
    n = 1461
    days = np.arange(n) * YEAR_DAYS * 4 / n  # four whole cycles
    values = np.random.default_rng(1).standard_normal(n)
    fitted = np.linalg.lstsq(harmonics(days), values, rcond=None)[0]
    spectrum = np.fft.rfft(values) * 2 / n
    expected = [
        spectrum[0].real / 2,
        spectrum[4].real,
        -spectrum[4].imag,
        spectrum[8].real,
        -spectrum[8].imag,
    ]
    np.testing.assert_allclose(fitted, expected, atol=1e-12)


def test_the_evidence_is_generalised_least_squares_with_gaps():
    days, values = room_year(300)
    kept = np.sort(np.random.default_rng(2).choice(300, 200, replace=False))
    days, values, keep, sd = days[kept], values[kept], 0.85, 0.006
    evidence = season_evidence(days, values, keep, sd)
    covariance = sd**2 * keep ** np.abs(np.subtract.outer(days, days))
    expected = GLS(values, harmonics(days), sigma=covariance).fit()
    np.testing.assert_allclose(
        np.linalg.solve(evidence.precision, evidence.shift), expected.params, rtol=1e-8
    )
    np.testing.assert_allclose(np.linalg.inv(evidence.precision), expected.normalized_cov_params, rtol=1e-7)


def test_without_a_prior_the_remainder_is_the_conditional_least_squares_autoregression():
    values = weather(2000, keep=0.8)
    keep, sd = remainder(np.arange(2000), values, replace(MOISTURE, prior_days=0.0))
    fit = AutoReg(values, lags=1, trend="n").fit()
    assert keep == pytest.approx(fit.params[0], rel=1e-10)
    assert sd == pytest.approx(np.sqrt(fit.sigma2 / (1 - keep**2)), rel=1e-6)


def test_no_days_leave_the_remainder_at_its_prior():
    keep, sd = remainder(np.array([], int), np.array([]), MOISTURE)
    assert (keep, sd) == pytest.approx((MOISTURE.anomaly_keep, MOISTURE.anomaly_sd))


def test_the_tree_of_rooms_is_solved_as_one_large_gaussian():
    history = {name: room_year(200, seed=i) for i, name in enumerate("abc")}
    buildings = {"a": "north", "b": "north", "c": "south"}
    pinned = replace(
        MOISTURE, prior_days=1e12, lively_sd=0.0, year_log_sd=1e-9
    )  # remainders stay at the prior, so the model is linear
    found = fit_seasons(history, buildings, pinned)
    p = N_COEFFICIENTS
    site, building, room = (
        np.diag(np.square(x)) for x in (MOISTURE.site_sd, MOISTURE.building_sd, MOISTURE.room_sd)
    )
    prior = np.zeros((3 * p, 3 * p))
    for i, one in enumerate("abc"):
        for j, other in enumerate("abc"):
            shared = site + building * (buildings[one] == buildings[other]) + room * (one == other)
            prior[i * p : (i + 1) * p, j * p : (j + 1) * p] = shared
    days = np.concatenate([history[name][0] for name in "abc"])
    design = np.zeros((600, 3 * p))
    noise = np.zeros((600, 600))
    for i in range(3):
        rows = slice(200 * i, 200 * (i + 1))
        design[rows, i * p : (i + 1) * p] = harmonics(days[rows])
        noise[rows, rows] = MOISTURE.anomaly_sd**2 * MOISTURE.anomaly_keep ** np.abs(
            np.subtract.outer(days[rows], days[rows])
        )
    values = np.concatenate([history[name][1] for name in "abc"])
    level = np.tile(MOISTURE.level, 3)
    gain = prior @ design.T @ np.linalg.inv(design @ prior @ design.T + noise)
    mean, covariance = level + gain @ (values - design @ level), prior - gain @ design @ prior
    for i, name in enumerate("abc"):
        own = slice(p * i, p * (i + 1))
        np.testing.assert_allclose(found[name].coefficients, mean[own], atol=1e-9)
        expected = covariance[own, own] + np.diag(np.square(MOISTURE.year_sd))
        np.testing.assert_allclose(found[name].covariance, expected, atol=1e-11)


def test_a_room_without_readings_leans_on_its_building():
    history = {"full": room_year(730, level=0.095), "empty": (np.array([], int), np.array([]))}
    same = fit_seasons(history, {"full": "north", "empty": "north"}, MOISTURE)["empty"]
    other = fit_seasons(history, {"full": "north", "empty": "south"}, MOISTURE)["empty"]
    assert MOISTURE.level[0] < other.coefficients[0] < same.coefficients[0] < 0.095
    assert np.trace(same.covariance) < np.trace(other.covariance)


def test_a_longer_history_knows_the_season_better():
    doubt = [
        np.trace(fit_seasons({"a": room_year(n)}, {"a": ""}, MOISTURE)["a"].covariance)
        for n in (30, 120, 365, 1095)
    ]
    assert doubt == sorted(doubt, reverse=True)


def test_ten_years_find_the_season_that_made_them():
    fitted = fit_seasons({"a": room_year(3650)}, {"a": ""}, MOISTURE)["a"]
    days = FIRST + np.arange(365)
    truth = 0.08 - 0.02 * np.cos(2 * np.pi * (days - 20) / YEAR_DAYS)
    # standard error of each coefficient: sd * sqrt(2 (1 + keep) / (1 - keep) / n), about 0.0005; four of them
    np.testing.assert_allclose(fitted.expected(days), truth, atol=0.002)
    assert fitted.anomaly_keep == pytest.approx(0.85, abs=0.03)
    assert fitted.anomaly_sd == pytest.approx(0.006, rel=0.1)


LIVELY = np.array([-0.5, 0.1, -0.2, 0.15])


def test_the_evidence_with_a_lively_remainder_is_generalised_least_squares():
    days, values = room_year(200)
    lively = np.exp(harmonics(days)[:, 1:] @ LIVELY)
    evidence = season_evidence(days, values, 0.85, 0.006, lively)
    covariance = 0.006**2 * 0.85 ** np.abs(np.subtract.outer(days, days)) * np.outer(lively, lively)
    expected = GLS(values, harmonics(days), sigma=covariance).fit()
    np.testing.assert_allclose(
        np.linalg.solve(evidence.precision, evidence.shift), expected.params, rtol=1e-8
    )


def test_the_liveliness_is_where_an_optimiser_finds_the_penalised_likelihood():
    days = FIRST + np.arange(730)
    values = weather(730) * np.exp(harmonics(days)[:, 1:] @ LIVELY)
    share = (1 - MOISTURE.anomaly_keep**2) / (1 + MOISTURE.anomaly_keep**2)

    def cost(at):
        log_sd = harmonics(days) @ at
        likelihood = np.sum(log_sd + 0.5 * (values / np.exp(log_sd)) ** 2)
        return share * likelihood + 0.5 * np.sum((at[1:] / MOISTURE.lively_sd) ** 2)

    expected = minimize(cost, np.array([np.log(0.006), 0, 0, 0, 0]), tol=1e-10).x[1:]
    np.testing.assert_allclose(liveliness(days, values, MOISTURE), expected, atol=1e-4)


def test_long_histories_find_when_a_room_is_lively():
    days = FIRST + np.arange(7300)
    factor = np.exp(harmonics(days)[:, 1:] @ LIVELY)
    season = fit_seasons({"a": (days, 0.08 + weather(7300) * factor)}, {"a": ""}, MOISTURE)["a"]
    # 7300 days of correlation 0.85 are worth 1180 squares: standard error sqrt(1 / 1180) = 0.03; four of them
    np.testing.assert_allclose(season.lively, LIVELY, atol=0.12)
    assert season.anomaly_keep == pytest.approx(0.85, abs=0.03)
    np.testing.assert_allclose(
        season.liveliness(days[:365]), np.exp(harmonics(days[:365])[:, 1:] @ season.lively)
    )


def test_no_readings_leave_a_room_as_lively_all_year():
    assert np.all(liveliness(np.array([], int), np.array([]), MOISTURE) == 0)


@pytest.mark.parametrize(("years", "truth"), [(12, 0.0), (12, 1.0), (12, 6.0)])
def test_years_that_differ_more_widen_the_year_to_come(years, truth):
    """Years are made with a known factor on the prior variance; the answer keeps their order."""
    rng = np.random.default_rng(5)
    residuals, room = {}, Season(NOTHING, NO_SPREAD, 0.004, 0.8)
    for name in "abcd":
        days = FIRST + np.arange(365 * years)
        own = rng.standard_normal((years, N_COEFFICIENTS)) * MOISTURE.year_sd * np.sqrt(truth)
        shift = np.einsum("yp,ydp->yd", own - own.mean(axis=0), harmonics(days).reshape(years, 365, -1))
        residuals[name] = days, shift.ravel() + weather(len(days), 0.8, 0.004, seed=ord(name))
    factor = year_scatter(residuals, dict.fromkeys("abcd", room), MOISTURE)
    # twelve years of five coefficients: relative error sqrt(2 / 55) = 0.19, and the prior pulls towards 1
    low, high = {0.0: (0.0, 0.25), 1.0: (0.6, 1.6), 6.0: (3.0, 9.0)}[truth]
    assert low < factor < high


def test_a_single_year_cannot_tell_how_years_differ():
    days, values = room_year(500)
    residuals = {"a": (days, values - 0.08)}
    assert year_scatter(residuals, {"a": Season(NOTHING, NO_SPREAD, 0.006, 0.85)}, MOISTURE) == 1.0
