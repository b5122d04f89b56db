import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.signal import lfilter, lsim

from scheduling.engine.lag import daily_weights, lagged, lagged_daily


def some_air(n=200, seed=3):
    return 0.09 + 0.01 * np.random.default_rng(seed).standard_normal(n)


@pytest.mark.parametrize("tau", [0.5, 6.0, 30.0])
def test_the_recursion_equals_scipys_simulated_first_order_system(tau):
    air = some_air()
    times = np.arange(len(air), dtype=float)
    # lsim holds a value after its time, we before: shift by one step
    _, expected, _ = lsim(([1 / tau], [1, 1 / tau]), np.append(air[1:], 0.0) - air[0], times, interp=False)
    np.testing.assert_allclose(lagged(times, air, tau) - air[0], expected, atol=1e-12)


@pytest.mark.parametrize("stages", [1, 2, 3])
def test_even_steps_equal_a_digital_filter_run_stage_by_stage(stages):
    air, tau = some_air(), 10.0
    keep = np.exp(-1 / tau)
    expected = air - air[0]
    for _ in range(stages):
        expected = lfilter([1 - keep], [1, -keep], expected)
    found = lagged(np.arange(len(air)), air, tau, stages=stages) - air[0]
    np.testing.assert_allclose(found, expected, atol=1e-14)


def test_uneven_steps_equal_the_same_air_on_a_fine_grid():
    fine = np.arange(0, 40.0, 0.25)
    ends = np.sort(np.random.default_rng(1).choice(fine[1:], 30, replace=False))
    ends = np.concatenate([[0.0], ends, [fine[-1]]])
    ends = np.unique(ends)
    values = some_air(len(ends))
    on_fine = values[np.searchsorted(ends, fine)]
    coarse, exact = lagged(ends, values, 7.0), lagged(fine, on_fine, 7.0)
    np.testing.assert_allclose(coarse, exact[np.searchsorted(fine, ends)], atol=1e-14)


def crank_uptake(fourier):
    """Plane sheet, Crank (1975) pp. 47-48: uptake at D t / l^2."""
    odd = 2 * np.arange(400) + 1
    return 1 - np.sum(8 / (odd * np.pi) ** 2 * np.exp(-((odd * np.pi) ** 2) * fourier / 4))


@pytest.mark.parametrize(
    ("fourier", "uptake"),
    [(0.05, 0.252313), (0.1, 0.356823), (0.2, 0.504088), (0.5, 0.763950), (1, 0.931260), (2, 0.994170)],
)
def test_one_stage_follows_diffusion_into_a_slab_within_a_tenth(fourier, uptake):
    # uptakes computed with an independent transport library; they also pin our own series
    assert crank_uptake(fourier) == pytest.approx(uptake, abs=1e-6)
    times = np.linspace(0.0, fourier, 400)
    values = np.ones(400)
    one_pole = lagged(times, values, 1 / 3, start=0.0)[-1]  # tau = l^2 / (3 D)
    assert one_pole == pytest.approx(uptake, abs=0.115)
    if fourier < 0.4:  # slow at first: the skin of the wood is quicker than its middle
        assert one_pole < uptake


@pytest.mark.parametrize(("share", "fourier"), [(0.5, 0.19673), (1 - np.exp(-1), 0.32025), (0.9, 0.84809)])
def test_diffusion_is_half_way_where_the_literature_has_it(share, fourier):
    # Crank (1975) p. 47-48: half-time D t / l^2 = 0.19673; the other two computed from the same series
    assert crank_uptake(fourier) == pytest.approx(share, abs=1e-5)
    # one pole of the same first moment reaches two thirds a little later, and nine tenths a little sooner
    reached = -np.log(1 - share) / 3
    assert reached == pytest.approx(fourier, rel=0.2)


@pytest.mark.parametrize(("slowness", "off"), [(0.05, 0.003), (0.2, 0.01), (0.5, 0.04)])
def test_slow_cycles_are_matched_as_closely_as_the_notes_say(slowness, off):
    # gain of one pole against diffusion's tanh(q) / q, by angular frequency times tau
    q = np.sqrt(3j * slowness)
    tau, period = 30.0, 2 * np.pi * 30.0 / slowness
    times = np.arange(0, 6 * period, period / 2000)
    swing = lagged(times, np.sin(2 * np.pi * times / period), tau)[times > 5 * period]
    assert np.ptp(swing) / 2 == pytest.approx(abs(np.tanh(q) / q), rel=off)


def test_the_time_constant_is_the_first_moment_of_diffusion():
    # area between uptake and one = l^2 / (3 D), the same as for one pole of that time constant
    area, _ = quad(lambda fourier: 1 - crank_uptake(fourier), 0, 20, limit=200)
    assert area == pytest.approx(1 / 3, abs=1e-4)


@pytest.mark.parametrize(("period_days", "diffusion", "one_pole"), [(1.0, 0.078, 0.018)])
def test_one_stage_under_predicts_the_daily_cycle_of_thick_wood_as_its_notes_say(
    period_days, diffusion, one_pole
):
    # 30 mm, both faces open, D = 1e-10 m^2/s: mean moisture under a sinusoid is tanh(q) / q
    half, diffusivity = 0.015, 1e-10 * 86400
    omega = 2 * np.pi / period_days
    q = half * np.sqrt(1j * omega / diffusivity)
    assert abs(np.tanh(q) / q) == pytest.approx(diffusion, abs=0.001)
    tau = half**2 / (3 * diffusivity)
    times = np.arange(0, 80.0, 0.01)
    swing = lagged(times, np.sin(omega * times), tau)[times > 70]
    assert np.ptp(swing) / 2 == pytest.approx(one_pole, abs=0.001)


def test_no_time_constant_gives_the_input_and_an_infinite_one_no_response():
    air = some_air()
    times = np.arange(len(air))
    np.testing.assert_array_equal(lagged(times, air, 0.0), air)
    np.testing.assert_array_equal(lagged(times, air, np.inf), np.full(len(air), air[0]))


@given(st.floats(0.1, 60), st.floats(-0.05, 0.05), st.integers(1, 3))
def test_steady_air_leaves_the_wood_alone_and_a_shift_shifts_it(tau, shift, stages):
    air = some_air(60)
    times = np.arange(60)
    np.testing.assert_allclose(lagged(times, np.full(60, 0.08), tau, stages=stages), 0.08, atol=1e-15)
    moved = lagged(times, air + shift, tau, stages=stages)
    np.testing.assert_allclose(moved, lagged(times, air, tau, stages=stages) + shift, atol=1e-14)


def test_the_weights_of_past_days_rebuild_the_state():
    air = some_air()
    state = lagged(np.arange(len(air)), air, 6.0)
    weights = daily_weights(6.0, len(air))
    rebuilt = weights @ (air - air[0])[::-1] + air[0]
    assert rebuilt == pytest.approx(state[-1], abs=1e-15)


@pytest.mark.parametrize("tau", [0.0, 2.0, 30.0])
def test_daily_rows_follow_as_single_steps_do(tau):
    air = np.array([some_air(seed=1), some_air(seed=2)]) - 0.09
    times = np.arange(-1, air.shape[1])
    expected = [lagged(times, np.append(0.0, row), tau, start=0.0)[1:] for row in air]
    np.testing.assert_allclose(lagged_daily(air, tau), expected, atol=1e-15)


@pytest.mark.parametrize(
    ("times", "tau", "stages", "message"),
    [
        ([0, 2, 1], 6.0, 1, "does not come after"),
        ([0, 1, 2], -1.0, 1, "negative"),
        ([0, 1], 6.0, 1, "one length"),
    ],
)
def test_impossible_input_is_refused(times, tau, stages, message):
    with pytest.raises(ValueError, match=message):
        lagged(times, [0.1, 0.2, 0.3], tau, stages=stages)
