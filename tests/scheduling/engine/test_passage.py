import numpy as np
import pytest
from scipy.stats import invgamma, invgauss, levy, norm

from scheduling.engine.passage import NEVER, draw, first_passage, noise_factors, quantile_days

PATHS, STEP_SD, LIMIT = 20_000, 0.4, 5.0
# Monte Carlo standard error of a probability near one half with 20,000 paths is 0.0035; three of them
ERROR = 0.011


def follow(days, drift=0.0, limit=LIMIT, far_side=0.0, block=50):
    """Walk with a drift between ``far_side - limit`` and ``limit``: the first day out of every path."""
    draws = draw(np.random.default_rng(12345), PATHS, days + 1)
    walk = (STEP_SD * draws.walk + drift * np.arange(days + 1)[:, None] + far_side).astype(np.float32)
    variance = np.full((days, 1), STEP_SD**2, np.float32)

    def blocks():
        for begin in range(0, days, block):
            end = min(begin + block, days)
            yield walk[begin : end + 1], variance[begin:end], draws.crossing[begin:end]

    return first_passage(blocks(), limit)


def share_out(first, day):
    return np.mean((first != NEVER) & (first <= day))


@pytest.mark.parametrize(
    ("day", "published"),
    [(30, 0.089315), (60, 0.371091), (90, 0.587540), (120, 0.727499), (180, 0.875387)],
)
def test_a_drifting_walk_leaves_by_the_inverse_gaussian_law(day, published):
    # Parameters and probabilities of a published law, here from scipy: mean a / v, shape (a / s)^2
    shape = (LIMIT / STEP_SD) ** 2
    expected = invgauss(mu=LIMIT / 0.05 / shape, scale=shape).cdf(day)
    assert expected == pytest.approx(published, abs=1e-6)
    # the other limit is moved out of reach: start at +100 between -110 + ... and 105
    first = follow(180, drift=0.05, limit=105.0, far_side=100.0)
    assert share_out(first, day) == pytest.approx(expected, abs=ERROR)


def test_without_drift_one_limit_is_left_by_the_levy_law():
    first = follow(90, limit=105.0, far_side=100.0)
    assert share_out(first, 90) == pytest.approx(levy(scale=(LIMIT / STEP_SD) ** 2).cdf(90), abs=ERROR)


def test_drifting_away_from_the_limit_some_paths_never_leave():
    """The inverse Gaussian does not apply; the law is defective, in all exp(-2 |v| a / s^2)."""
    drift, day = -0.02, 300
    root = STEP_SD * np.sqrt(day)
    total = np.exp(2 * drift * LIMIT / STEP_SD**2)
    expected = norm.cdf((drift * day - LIMIT) / root) + total * norm.cdf(-(LIMIT + drift * day) / root)
    assert expected < total == pytest.approx(0.2865, abs=1e-4)
    first = follow(day, drift=drift, limit=105.0, far_side=100.0)
    assert share_out(first, day) == pytest.approx(expected, abs=ERROR)


@pytest.mark.parametrize(("day", "survival"), [(30, 0.955042), (60, 0.786837), (90, 0.624890)])
def test_two_limits_are_left_by_the_series_for_an_interval(day, survival):
    # Feller, An Introduction to Probability Theory II, ch. X.5 (heat equation on an interval)
    odd = 2 * np.arange(50) + 1
    rate = (odd * np.pi * STEP_SD / LIMIT) ** 2 / 8
    series = np.sum(4 / np.pi * (-1.0) ** np.arange(50) / odd * np.exp(-rate * day))
    assert series == pytest.approx(survival, abs=1e-6)
    assert 1 - share_out(follow(90), day) == pytest.approx(survival, abs=ERROR)


def test_without_the_bridge_a_daily_grid_would_be_late():
    days = 90
    draws = draw(np.random.default_rng(12345), PATHS, days + 1)
    naive = np.mean(np.abs(STEP_SD * draws.walk).max(axis=0) > LIMIT)
    assert naive < share_out(follow(days), days) - 0.005


def test_blocks_of_any_length_give_the_same_days():
    np.testing.assert_array_equal(follow(90, block=90), follow(90, block=7))


def test_a_wider_tolerance_is_never_left_sooner():
    narrow, wide = follow(180, 0.03), follow(180, 0.03, limit=2 * LIMIT)
    never = np.iinfo(int).max
    assert np.all(np.where(wide == NEVER, never, wide) >= np.where(narrow == NEVER, never, narrow))


def test_who_is_out_already_is_out_on_the_first_day():
    assert np.all(follow(10, far_side=5.1) == 0)


def test_a_deviation_that_is_certain_leaves_on_the_day_it_passes():
    ramp = np.tile(np.arange(11, dtype=np.float32)[:, None], 3)
    nothing = np.zeros((10, 1), np.float32), np.ones((10, 3), np.float32)
    assert first_passage([(ramp, *nothing)], 4.5).tolist() == [5, 5, 5]


def test_the_noise_factors_are_the_quantiles_of_an_inverse_gamma():
    uniform = np.linspace(0.01, 0.99, 9)
    np.testing.assert_allclose(noise_factors(uniform, 6.0), invgamma.ppf(uniform, 6.0), rtol=1e-9)


def test_quantiles_count_the_paths_that_are_never_out_as_latest():
    first = np.array([3, NEVER, 1, 2, NEVER])
    assert quantile_days(first, (0.1, 0.5, 0.9)) == [1, 3, None]


def test_no_days_are_refused():
    with pytest.raises(ValueError, match="no days"):
        first_passage([], 1.0)
