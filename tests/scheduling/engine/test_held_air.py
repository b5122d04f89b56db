"""A room held to a humidity band: each day against random draws cut off, and what must not change."""

import numpy as np
import pytest

from scheduling.engine.airpath import AirPath, Noise
from scheduling.engine.held_air import cut_off, held_air, held_between
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.subjects import Band, RoomAir

N = 40
TODAY = 1010


def path(mean=0.08, sd=0.01, doubt=0.004):
    keep, noise = np.full(N, 0.9), np.full(N, sd * np.sqrt(1 - 0.9**2))
    keep[0], noise[0] = 0.0, sd
    return AirPath(1000, np.linspace(mean, mean + 0.03, N), np.full((N, 1), doubt), (Noise(keep, noise),))


def room(band):
    nothing = np.array([], dtype=np.int64), np.array([]), np.array([])
    return RoomAir("Hall", "", *nothing, band=band)


@pytest.mark.parametrize("mean", [0.05, 0.08, 0.1, 0.2])
def test_a_day_cut_off_has_the_mean_and_spread_of_draws_cut_off(mean):
    """Source: brute force, a million draws clipped; tolerance four standard errors of their mean and sd."""
    sd, low, high = 0.01, 0.075, 0.1
    draws = np.clip(np.random.default_rng(1).normal(mean, sd, 1_000_000), low, high)
    found_mean, found_sd = cut_off(np.array([mean]), np.array([sd]), low, high)
    assert found_mean[0] == pytest.approx(draws.mean(), abs=4 * sd / 1000 + 1e-9)
    assert found_sd[0] == pytest.approx(draws.std(), abs=4 * sd / 1000 + 1e-9)


def test_every_day_of_a_held_path_has_the_spread_its_parts_add_up_to():
    held = held_between(path(), 0.08, 0.1, start=11)
    variance = (held.season_doubt**2).sum(axis=1) + held.noises[0].variance
    before = path()
    own = (before.season_doubt**2).sum(axis=1) + before.noises[0].variance
    _, expected = cut_off(before.mean, np.sqrt(own), 0.08, 0.1)
    np.testing.assert_allclose(np.sqrt(variance[11:]), expected[11:], rtol=1e-9)
    np.testing.assert_allclose(variance[:11], own[:11], rtol=1e-12)


def test_days_up_to_today_are_what_they_were_and_all_later_ones_lie_within_the_band():
    low, high = equilibrium_moisture(21.0, np.array([0.42, 0.48]))
    for from_day in (0, TODAY - 5, TODAY + 1):
        held = held_air(path(0.05), room(Band(from_day, 0.42, 0.48)), TODAY)
        np.testing.assert_array_equal(held.mean[: TODAY - 999], path(0.05).mean[: TODAY - 999])
        assert np.all((held.mean[TODAY - 999 :] >= low - 1e-12) & (held.mean[TODAY - 999 :] <= high + 1e-12))


def test_a_band_that_is_never_left_changes_nothing_and_one_after_the_horizon_neither():
    for band in (Band(TODAY, 0.0, 0.99), Band(5000, 0.4, 0.5)):
        held, free = held_air(path(), room(band), TODAY), path()
        np.testing.assert_allclose(held.mean, free.mean, atol=1e-12)
        np.testing.assert_allclose(held.noises[0].variance, free.noises[0].variance, atol=1e-12)
    assert held_air(free, room(None), TODAY) is free


def test_certain_values_are_clipped_and_stay_certain():
    mean, sd = cut_off(np.array([0.05, 0.09, 0.2]), np.zeros(3), 0.08, 0.1)
    np.testing.assert_array_equal(mean, [0.08, 0.09, 0.1])
    np.testing.assert_array_equal(sd, 0.0)


@pytest.mark.parametrize("low,high", [(0.5, 0.4), (40, 50), (-0.1, 0.4), (0.45, 0.45)])
def test_a_band_that_cannot_be_is_refused(low, high):
    with pytest.raises(ValueError, match="expected fractions that rise"):
        held_air(path(), room(Band(TODAY, low, high)), TODAY)
