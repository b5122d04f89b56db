import numpy as np
import pytest

from scheduling.engine.airpath import AirPath, Noise
from scheduling.engine.deviation import Wood, played, settled, travelled
from scheduling.engine.lag import lagged
from scheduling.engine.subjects import Playing

FIRST, N = 739_000, 80


def some_air(seed=0, doubt=0.001):
    rng = np.random.default_rng(seed)
    noise = Noise(np.full(N, 0.8), np.where(np.arange(N) > 30, 0.003, 0.0))
    return AirPath(FIRST, 0.08 + 0.01 * rng.standard_normal(N), doubt * rng.standard_normal((N, 2)), (noise,))


def test_wood_follows_the_air_as_the_lag_says():
    air = some_air()
    expected = lagged(np.arange(N), air.mean, 10.0) - lagged(np.arange(N), air.mean, 30.0)
    np.testing.assert_allclose(Wood(air, ((1.0, 10.0), (-1.0, 30.0))).mean, expected, atol=1e-14)


def test_the_covariance_of_the_wood_is_that_of_its_simulated_responses():
    wood = Wood(some_air(), ((1.0, 10.0), (-1.0, 30.0)))
    places = np.array([20, 45, 79])
    root = wood.factor(places)
    drawn = wood.respond(wood.air.draw(np.random.default_rng(2), 40_000))[:, places]
    expected = root @ root.T
    # relative Monte Carlo error of a variance sqrt(2 / 40000) = 0.7 %; four of them, of the largest
    np.testing.assert_allclose(np.cov(drawn.T), expected, atol=0.03 * expected.max())


def test_wood_without_lag_is_the_air_and_with_endless_lag_never_moves():
    air = some_air()
    np.testing.assert_allclose(Wood(air, ((1.0, 0.0),)).mean, air.mean, atol=1e-15)
    np.testing.assert_allclose(Wood(air, ((1.0, 1e12),)).mean, air.mean[0], atol=1e-10)
    nothing = Wood(air, ())
    assert not nothing.mean.any()


def test_settling_saturates_and_has_not_begun_before_service():
    # 20 cents with a time constant of 120 days: 4.4 c after 30 d, 10.6 after 90, 19.0 after 365 (arithmetic)
    share = settled(np.array([-10.0, 0.0, 30.0, 90.0, 365.0]), ((1.0, 120.0),))
    np.testing.assert_allclose(20 * share, [0, 0, 4.424, 10.553, 19.045], atol=0.001)


def test_playing_days_add_up_the_factors_and_default_to_one():
    playing = Playing(np.array([FIRST + 1, FIRST + 2, FIRST - 5]), np.array([0.0, 0.5, 9.0]))
    np.testing.assert_allclose(played(playing, FIRST, 4), [1.0, 1.0, 1.5, 2.5])


def test_a_negative_playing_factor_is_refused():
    with pytest.raises(ValueError, match="-1 at position 0"):
        played(Playing(np.array([FIRST]), np.array([-1.0])), FIRST, 4)


def test_moisture_travelled_in_known_air_is_the_sum_of_its_steps():
    air = AirPath(FIRST, some_air().mean, np.zeros((N, 0)), ())
    steps = np.abs(np.diff(lagged(np.arange(N), air.mean, 10.0)))
    assert travelled(air, 10.0)[-1] == pytest.approx(steps.sum())


def test_moisture_travelled_in_unknown_air_is_what_simulation_gives():
    n, keep, sd = 400, 0.8, 0.004
    level = 0.08 + 0.02 * np.sin(np.arange(n) / 20)
    air = AirPath(FIRST, level, np.zeros((n, 0)), (Noise(np.full(n, keep), np.full(n, sd)),))
    paths = air.mean + air.draw(np.random.default_rng(4), 4000)
    wood = np.array([lagged(np.arange(n), path, 10.0) for path in paths[:500]])
    simulated = np.abs(np.diff(wood[:, 100:], axis=1)).sum(axis=1).mean()
    stated = travelled(air, 10.0)[-1] - travelled(air, 10.0)[100]
    assert stated == pytest.approx(simulated, rel=0.02)  # 500 paths: standard error below 0.5 %
