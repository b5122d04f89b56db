import numpy as np
import pytest

from scheduling.engine.cases import prepare, prior_beliefs
from scheduling.engine.expectation import since_last
from scheduling.engine.fabric import weave
from scheduling.engine.passage import draw
from scheduling.engine.simulation import Deviations, first_days_out, imagine, square_roots
from tests.scheduling.engine.invented import ALWAYS, SERVICES, TODAY, room, subject

PATHS = 20_000


def laid_out(made, rooms, horizon=200):
    cases = [prepare(made, TODAY)]
    fabric = weave(rooms, cases, ALWAYS, TODAY, horizon)
    return fabric.groups(cases)[0], cases, [prior_beliefs(cases[0].prior)]


@pytest.mark.parametrize("service", SERVICES)
@pytest.mark.parametrize("read_until", [TODAY, TODAY - 60])
def test_simulated_deviations_have_the_mean_and_spread_of_the_closed_form(service, read_until):
    made = subject(service, age_years=1.0, served=40)
    group, cases, beliefs = laid_out(made, [room(until=read_until)])
    moments = since_last(group, cases, beliefs, TODAY + np.array([0, 60, 199]))
    rng = np.random.default_rng(11)
    now = int(group.place(np.array([TODAY]))[0])
    draws = draw(rng, PATHS, group.playing_days[now:])
    futures = imagine(group, cases, now, rng, PATHS)
    simulated = Deviations(group, cases[0], beliefs[0], TODAY, futures, draws)
    paths = np.concatenate([block[0][:, :-1] for block in simulated.blocks()], axis=1)[:, [0, 60, 199]]
    sd = np.sqrt(moments.variance[0])
    # 20,000 paths: standard error of a mean 0.7 % of the sd; of an sd about 1 % with tails this heavy
    np.testing.assert_allclose(paths.mean(axis=0), moments.mean[0], atol=0.025 * sd.max())
    np.testing.assert_allclose(paths.std(axis=0), sd, rtol=0.04)


@pytest.mark.parametrize("service", SERVICES)
def test_the_probability_of_being_out_today_is_the_share_of_paths_that_begin_out(service):
    made = subject(service, served=150)
    group, cases, beliefs = laid_out(made, [room()])
    ((_, first),) = first_days_out(group, cases, beliefs, TODAY, (1, 2), paths=PATHS)
    p = since_last(group, cases, beliefs, np.array([TODAY])).p_out[0, 0]
    assert np.mean(first == 0) == pytest.approx(p, abs=0.012)  # three standard errors and the quick score


def test_no_path_can_be_out_on_a_day_without_having_left_by_then():
    group, cases, beliefs = laid_out(subject(), [room()])
    days = TODAY + np.array([20, 50, 100, 199])
    ((_, first),) = first_days_out(group, cases, beliefs, TODAY, (1, 2), paths=PATHS, enough=1.0)
    left = [np.mean((first >= 0) & (first <= day - TODAY)) for day in days]
    out = since_last(group, cases, beliefs, days).p_out[0]
    assert np.all(np.array(left) >= out - 0.012)


def test_the_same_seed_gives_the_same_days_and_another_gives_others():
    group, cases, beliefs = laid_out(subject(), [room()])
    runs = [next(first_days_out(group, cases, beliefs, TODAY, seed))[1] for seed in ((1, 2), (1, 2), (5, 2))]
    np.testing.assert_array_equal(runs[0], runs[1])
    assert np.any(runs[0] != runs[2])


def test_square_roots_give_the_covariance_back_whatever_the_units():
    units = np.array([300.0, 0.0, 1e-3, 1.0, 0.3])
    correlation = np.eye(5)
    correlation[0, 2:4] = correlation[2:4, 0] = 0.3, -0.9
    correlation[2, 3] = correlation[3, 2] = 0.1
    correlation[4, 2] = correlation[2, 4] = -0.4
    spread = (correlation * np.outer(units, units))[None]
    root = square_roots(spread)[0]
    np.testing.assert_allclose(root @ root.T, spread[0], rtol=1e-8, atol=1e-12)
