import numpy as np
import pytest

from scheduling.engine.cases import prepare, prior_beliefs
from scheduling.engine.expectation import since_last
from scheduling.engine.fabric import weave
from scheduling.engine.forecast import Playing
from scheduling.engine.passage import NEVER, draw, quantile_days
from scheduling.engine.simulation import Deviations, Weather, first_days_out, square_roots
from tests.scheduling.engine.invented import ALWAYS, SERVICES, TODAY, room, subject

PATHS = 20_000
HOLIDAYS = Playing(TODAY + np.arange(20, 90), np.repeat([0.0, 1.5], 35))


def laid_out(made, rooms, horizon=200, playing=ALWAYS):
    cases = [prepare(made, TODAY)]
    fabric = weave(rooms, cases, playing, TODAY, horizon)
    return fabric.groups(cases)[0], cases, [prior_beliefs(cases[0].prior)]


def followed(group, cases, beliefs, seed=1, paths=PATHS, enough=1.0, horizon=200):
    weather = Weather([group], cases, TODAY, seed, paths)
    draws = draw(np.random.default_rng((seed, 2)), paths, horizon + 1)
    ((_, first),) = first_days_out(group, cases, beliefs, TODAY, weather, draws, enough)
    return first


@pytest.mark.parametrize("service", SERVICES)
@pytest.mark.parametrize("read_until, playing", [(TODAY, ALWAYS), (TODAY - 60, HOLIDAYS)])
def test_simulated_deviations_have_the_mean_and_spread_of_the_closed_form(service, read_until, playing):
    made = subject(service, age_years=1.0, served=40)
    group, cases, beliefs = laid_out(made, [room(until=read_until)], playing=playing)
    moments = since_last(group, cases, beliefs, TODAY + np.array([0, 60, 199]))
    weather = Weather([group], cases, TODAY, 11, PATHS)
    draws = draw(np.random.default_rng(11), PATHS, 201)
    root = square_roots(beliefs[0].spread)
    futures = weather.futures(group.woods)
    simulated = Deviations(group, cases[0], beliefs[0], TODAY, weather.first, futures, draws, root)
    paths = np.concatenate([block[0][:-1] for block in simulated.blocks()])[[0, 60, 199]].T
    sd = np.sqrt(moments.variance[0])
    # 20,000 paths: standard error of a mean 0.7 % of the sd; of an sd about 1 % with tails this heavy
    np.testing.assert_allclose(paths.mean(axis=0), moments.mean[0], atol=0.025 * sd.max())
    np.testing.assert_allclose(paths.std(axis=0), sd, rtol=0.04)


@pytest.mark.parametrize("service", SERVICES)
def test_the_probability_of_being_out_today_is_the_share_of_paths_that_begin_out(service):
    made = subject(service, served=150)
    group, cases, beliefs = laid_out(made, [room()])
    first = followed(group, cases, beliefs)
    p = since_last(group, cases, beliefs, np.array([TODAY])).p_out[0, 0]
    assert np.mean(first == 0) == pytest.approx(p, abs=0.012)  # three standard errors and the quick score


def test_no_path_can_be_out_on_a_day_without_having_left_by_then():
    group, cases, beliefs = laid_out(subject(), [room()])
    days = TODAY + np.array([20, 50, 100, 199])
    first = followed(group, cases, beliefs)
    left = [np.mean((first >= 0) & (first <= day - TODAY)) for day in days]
    out = since_last(group, cases, beliefs, days).p_out[0]
    assert np.all(np.array(left) >= out - 0.012)


def test_the_same_seed_gives_the_same_days_and_another_gives_others():
    group, cases, beliefs = laid_out(subject(), [room()])
    runs = [followed(group, cases, beliefs, seed, paths=400) for seed in (1, 1, 5)]
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


def test_stopping_once_enough_are_out_moves_none_of_the_dates_asked_for():
    group, cases, beliefs = laid_out(subject("voicing", served=150), [room()], horizon=365)
    whole, short = (followed(group, cases, beliefs, 3, 400, enough, 365) for enough in (1.0, 0.9))
    assert np.count_nonzero(short == NEVER) > np.count_nonzero(whole == NEVER)
    assert quantile_days(short, (0.1, 0.5, 0.9)) == quantile_days(whole, (0.1, 0.5, 0.9))


def test_wood_followed_in_stretches_is_the_wood_of_the_plain_recursion():
    group, cases, _ = laid_out(subject("bedding", served=30), [room(until=TODAY - 20)], horizon=150)
    weather = Weather([group], cases, TODAY, 4, 50)
    futures = weather.futures(group.woods)
    blocks = [futures.block(number) for number in range(3)]
    followed = np.concatenate([futures.past.reshape(len(futures.past), -1), *(block[1:] for block in blocks)])
    for k, wood in enumerate(group.woods):
        plain = wood.respond(weather.departures.T.astype(float)).T
        # single precision errs by 6e-8 of the size a day, and wood remembers some tens of days
        np.testing.assert_allclose(followed[:, 50 * k : 50 * (k + 1)], plain, atol=1e-5 * np.abs(plain).max())
    for before, after in zip(blocks, blocks[1:], strict=False):
        np.testing.assert_array_equal(before[-1], after[0])
