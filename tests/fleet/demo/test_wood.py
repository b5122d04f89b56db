"""Water in invented wood, against published figures and limiting cases."""

from itertools import repeat

import numpy as np
import pytest

from fleet.demo.wood import Slabs, solve_layers, sorbed

# J. Crank, The Mathematics of Diffusion, 2nd ed. 1975, plane sheet with one face sealed: share of the final
# uptake at D·t/l², computed from the series on p. 47-48.
CRANK = {0.05: 0.252313, 0.1: 0.356823, 0.2: 0.504088, 0.5: 0.763950, 1.0: 0.931260, 2.0: 0.994170}

# Wood Handbook (2021) table 4-2 at 21.1 °C, second-hand: relative humidity to moisture in percent.
HANDBOOK_21C = {0.30: 6.2, 0.50: 9.2, 0.75: 14.4, 0.85: 17.9, 0.95: 23.9}


def one_slab(layers=60, surface=1.0, wetter_is_faster=0.0):
    return Slabs(
        depth_m=np.array([0.01]),
        diffusivity=np.array([1e-10]),
        surface=np.array([surface]),
        layers=layers,
        wetter_is_faster=wetter_is_faster,
    )


@pytest.mark.parametrize("fourier, uptake", CRANK.items())
def test_a_slab_takes_up_water_as_the_series_of_crank_says(fourier, uptake):
    slab = one_slab()
    step_s = 0.002 * 0.01**2 / 1e-10
    steps = round(fourier / 0.002)
    taken = list(slab.soak(repeat(np.array([0.1]), steps), np.array([0.0]), step_s))
    # 60 layers and steps of 0.002 in D·t/l²; both errors are of second order, below 1e-3 together.
    assert taken[-1][0] / 0.1 == pytest.approx(uptake, abs=1e-3)


def test_varnish_alone_gives_the_first_order_answer():
    slab = one_slab(layers=6, surface=1e-11)
    taken = list(slab.soak(repeat(np.array([0.1]), 1000), np.array([0.0]), 3600.0))
    # With a face a thousand times tighter than the wood, l/h is the only time constant; the wood adds l²/3D.
    time_constant = 0.01 / 1e-11 + 0.01**2 / (3 * 1e-10)
    assert taken[-1][0] / 0.1 == pytest.approx(1 - np.exp(-3.6e6 / time_constant), rel=1e-3)


def test_still_air_changes_nothing():
    taken = list(
        one_slab(wetter_is_faster=9.0).soak(repeat(np.array([0.08]), 50), np.array([0.08]), 10_800.0)
    )
    assert np.array(taken) == pytest.approx(0.08, abs=1e-15)


def test_no_varnish_no_wood_and_no_step_makes_it_overshoot():
    slab = one_slab(layers=6, wetter_is_faster=9.0)
    taken = np.array(list(slab.soak(repeat(np.array([0.15]), 400), np.array([0.05]), 10_800.0)))
    assert (np.diff(taken[:, 0]) >= -1e-12).all()
    assert taken.max() <= 0.15 + 1e-12


def test_slabs_soaked_together_do_not_disturb_each_other():
    thin, thick = one_slab(layers=6), Slabs(np.array([0.02]), np.array([5e-11]), np.array([1e-8]), 6, 0.0)
    air = [np.array([0.1]), np.array([0.06])] * 20
    alone = [list(slab.soak(iter(air), np.array([0.08]), 10_800.0)) for slab in (thin, thick)]
    both = Slabs.together(thin, thick)
    joined = list(both.soak((np.repeat(each, 2) for each in air), np.array([0.08, 0.08]), 10_800.0))
    assert np.array(joined) == pytest.approx(np.hstack(alone), abs=1e-15)


def test_elimination_agrees_with_a_dense_solver():
    rng = np.random.default_rng(1)
    inner, face, known = rng.uniform(0, 2, (4, 3)), rng.uniform(0, 2, 3), rng.normal(size=(5, 3))
    solved = solve_layers(inner, face, known)
    for slab in range(3):
        off = -np.diag(inner[:, slab], 1)
        matrix = off + off.T
        matrix += np.diag(1 - matrix.sum(axis=0))
        matrix[0, 0] += face[slab]
        assert solved[:, slab] == pytest.approx(np.linalg.solve(matrix, known[:, slab]), abs=1e-12)


@pytest.mark.parametrize("rh, percent", HANDBOOK_21C.items())
def test_sorption_is_within_one_percent_of_the_handbook(rh, percent):
    # Of another form on purpose; such curves are not known to better than about one percent of moisture.
    assert 100 * sorbed(np.array(rh), 21.1) == pytest.approx(percent, abs=1.0)


def test_damper_air_gives_damper_wood_and_warmer_air_drier_wood():
    rh = np.linspace(0.05, 0.95, 40)
    assert (np.diff(sorbed(rh, 20.0)) > 0).all()
    assert (sorbed(rh, 26.0) < sorbed(rh, 18.0)).all()
