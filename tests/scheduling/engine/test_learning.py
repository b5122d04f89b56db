from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import multivariate_t, norm, t

from scheduling.engine.cases import Beliefs, prepare
from scheduling.engine.deviation import MOISTURE, N_PARTS, WARMTH
from scheduling.engine.fabric import weave
from scheduling.engine.findings import N_NOISES, Findings
from scheduling.engine.forecast import Knock, Record, build_model
from scheduling.engine.lag import lagged
from scheduling.engine.learning import learn, probit_laplace, update
from scheduling.engine.moisture import equilibrium_moisture
from tests.scheduling.engine.invented import ALWAYS, TODAY, room, subject


def some_prior(k=3, shape=6.0, scale=0.8, seed=0):
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((N_PARTS, N_PARTS))
    return Beliefs(
        weights=np.full(k, 1.0 / k),
        mean=np.tile(rng.standard_normal(N_PARTS), (k, 1)),
        spread=np.tile(root @ root.T + 0.1 * np.eye(N_PARTS), (k, 1, 1)),
        shape=np.full(k, shape),
        scale=np.full(k, scale),
    )


def some_findings(n=9, k=3, seed=1):
    rng = np.random.default_rng(seed)
    parts, noise = rng.standard_normal((k, n, N_PARTS)), rng.uniform(0.2, 3.0, n)
    return Findings(parts, noise, 2 * rng.standard_normal(n), np.zeros((n, N_NOISES)), np.zeros(n))


def part_of(findings, rows):
    by_row = (getattr(findings, name)[rows] for name in ("noise", "values", "shares", "closed"))
    return Findings(findings.parts[:, rows], *by_row)


def test_the_regression_is_ordinary_least_squares_on_rows_added_for_the_prior():
    prior, found = some_prior(), some_findings()
    learned = update(prior, found)
    for k in range(3):
        root = np.linalg.cholesky(np.linalg.inv(prior.spread[k])).T
        design = np.vstack([found.parts[k] / np.sqrt(found.noise)[:, None], root])
        target = np.concatenate([found.values / np.sqrt(found.noise), root @ prior.mean[k]])
        fit = sm.OLS(target, design).fit()
        np.testing.assert_allclose(learned.mean[k], fit.params, rtol=1e-8)
        np.testing.assert_allclose(learned.spread[k], fit.normalized_cov_params, rtol=1e-7, atol=1e-12)
        rate = learned.shape[k] * learned.scale[k] - prior.shape[k] * prior.scale[k]
        assert 2 * rate == pytest.approx(fit.ssr, rel=1e-9)


def test_with_a_flat_prior_and_many_values_the_intervals_are_those_of_least_squares():
    found = some_findings(n=400, k=1)
    flat = replace(some_prior(k=1), spread=np.eye(N_PARTS)[None] * 1e4, shape=np.full(1, 1e-3))
    learned = update(flat, found)
    fit = sm.WLS(found.values, found.parts[0], weights=1 / found.noise).fit()
    np.testing.assert_allclose(learned.mean[0], fit.params, atol=1e-5)  # of order 0.1, prior sd 100
    # degrees of freedom n here and n - p there: 5 / 400 of the variance
    np.testing.assert_allclose(learned.scale[0] * learned.spread[0], fit.cov_params(), rtol=0.013, atol=1e-6)


def test_with_a_flat_prior_a_value_to_come_is_predicted_as_least_squares_predicts_it():
    found, ahead = some_findings(n=400, k=1), some_findings(n=7, k=1, seed=9)
    flat = replace(some_prior(k=1), spread=np.eye(N_PARTS)[None] * 1e4, shape=np.full(1, 1e-3))
    learned = update(flat, found)
    fit = sm.WLS(found.values, found.parts[0], weights=1 / found.noise).fit()
    expected = fit.get_prediction(ahead.parts[0], weights=1 / ahead.noise).conf_int(obs=True, alpha=0.2)
    own = np.einsum("ni,ij,nj->n", ahead.parts[0], learned.spread[0], ahead.parts[0])
    law = t(
        2 * learned.shape[0],
        ahead.parts[0] @ learned.mean[0],
        np.sqrt(learned.scale[0] * (ahead.noise + own)),
    )
    # 400 degrees of freedom against 395: 5 / 400 / 2 of the width
    np.testing.assert_allclose(np.column_stack(law.interval(0.8)), expected, rtol=0.01)


def test_a_prior_around_zero_is_ridge_regression():
    found, penalty = replace(some_findings(n=9, k=1), noise=np.ones(9)), 2.5
    around_zero = replace(
        some_prior(k=1), mean=np.zeros((1, N_PARTS)), spread=np.eye(N_PARTS)[None] / penalty
    )
    ridge = sm.OLS(found.values, found.parts[0]).fit_regularized(alpha=penalty / 9, L1_wt=0.0)
    np.testing.assert_allclose(update(around_zero, found).mean[0], ridge.params, rtol=1e-8)


def test_time_constants_are_weighed_by_scipys_multivariate_student_density():
    prior, found = some_prior(), some_findings()
    densities = [
        multivariate_t(
            loc=found.parts[k] @ prior.mean[k],
            shape=prior.scale[k]
            * (np.diag(found.noise) + found.parts[k] @ prior.spread[k] @ found.parts[k].T),
            df=2 * prior.shape[k],
        ).logpdf(found.values)
        for k in range(3)
    ]
    expected = np.exp(np.array(densities) - max(densities))
    np.testing.assert_allclose(update(prior, found).weights, expected / expected.sum(), rtol=1e-9)


def test_learning_in_two_goes_is_learning_at_once():
    prior, found = some_prior(), some_findings()
    once = update(prior, found)
    twice = update(update(prior, part_of(found, slice(0, 4))), part_of(found, slice(4, 9)))
    for name in ("weights", "mean", "spread", "shape", "scale"):
        np.testing.assert_allclose(getattr(twice, name), getattr(once, name), rtol=1e-9, atol=1e-12)
    assert twice.learned_from == once.learned_from == 9


@settings(max_examples=30)
@given(st.integers(0, 1000), st.integers(1, 6))
def test_values_as_predicted_narrow_the_band_and_move_nothing(seed, n):
    prior, found = some_prior(k=1, seed=seed), some_findings(n=n, k=1, seed=seed + 1)
    learned = update(prior, replace(found, values=found.parts[0] @ prior.mean[0]))
    np.testing.assert_allclose(learned.mean, prior.mean, atol=1e-9)
    assert learned.scale[0] < prior.scale[0]
    before, after = (np.linalg.eigvalsh(b.scale[0] * b.spread[0]) for b in (prior, learned))
    assert np.all(after <= before + 1e-9)


def test_records_that_contradict_each_other_widen_the_noise():
    prior, found = some_prior(k=1), some_findings(n=2, k=1)
    same = found.parts[:, [0, 0]]
    middle = float(same[0, 0] @ prior.mean[0])
    apart = replace(found, parts=same, noise=np.ones(2), values=np.array([middle - 6.0, middle + 6.0]))
    together = replace(apart, values=np.array([middle, middle]))
    assert update(prior, apart).scale[0] > prior.scale[0] > update(prior, together).scale[0]


def test_a_coefficient_known_to_be_nothing_stays_nothing():
    prior = some_prior()
    spread = prior.spread.copy()
    spread[:, 1, :] = spread[:, :, 1] = 0.0
    mean = prior.mean.copy()
    mean[:, 1] = 0.0
    learned = update(replace(prior, spread=spread, mean=mean), some_findings())
    assert np.all(learned.mean[:, 1] == 0)
    assert np.all(learned.spread[:, 1] == 0)


def test_no_findings_leave_the_prior():
    prior = some_prior()
    assert update(prior, part_of(some_findings(), slice(0, 0))) is prior


def probit_data(n=300, seed=2):
    rng = np.random.default_rng(seed)
    design = np.column_stack([np.ones(n), rng.standard_normal(n)])
    return design, rng.random(n) < norm.cdf(design @ [0.3, -0.8])


def test_the_probit_mode_with_a_flat_prior_is_the_reference_librarys():
    design, happened = probit_data()
    fit = sm.Probit(happened.astype(float), design).fit(disp=False, tol=1e-12)
    mode, covariance = probit_laplace(np.zeros(2), np.eye(2) * 1e8, design, np.zeros(len(design)), happened)
    np.testing.assert_allclose(mode, fit.params, rtol=1e-5)
    np.testing.assert_allclose(covariance, fit.cov_params(), rtol=1e-5)


def test_the_probit_mode_with_a_prior_is_where_an_optimiser_finds_it():
    design, happened = probit_data(n=12)
    mean, covariance = np.array([0.5, 0.5]), np.array([[0.5, 0.1], [0.1, 0.3]])
    offset = np.linspace(-1, 1, 12)

    def cost(at):
        z = np.where(happened, 1, -1) * (design @ at + offset)
        return -norm.logcdf(z).sum() + 0.5 * (at - mean) @ np.linalg.solve(covariance, at - mean)

    expected = minimize(cost, mean, tol=1e-12).x
    mode, _ = probit_laplace(mean, covariance, design, offset, happened)
    np.testing.assert_allclose(mode, expected, atol=1e-5)


def test_a_probit_that_makes_no_sense_is_refused():
    design, happened = probit_data(n=5)
    with pytest.raises(RuntimeError, match="not a number"):
        probit_laplace(np.zeros(2), np.eye(2), design * np.nan, np.zeros(5), happened)


# from records to outlooks


def tuned(air, sensitivity, n=12, every=70, noise=0.3, seed=0, **more):
    """A grand that followed its wood with a true sensitivity [cents per unit of moisture]."""
    rng = np.random.default_rng(seed)
    wood = lagged(air.days, equilibrium_moisture(air.temp_c, air.rh), 6.0)
    days = [TODAY - 3 - every * j for j in range(n, -1, -1)]
    records = [Record(days[0], None, None)]
    for earlier, day in zip(days, days[1:], strict=False):
        moved = wood[day - air.days[0]] - wood[earlier - air.days[0]]
        records.append(Record(day, float(sensitivity * moved + noise * rng.standard_normal()), 0.0))
    return subject(records=tuple(records), **more)


def outlook(*subjects, **more):
    return build_model([room(days=1200)], list(subjects), ALWAYS, TODAY, **more).outlooks(1)


@pytest.mark.parametrize("sensitivity", [120.0, 500.0])
def test_many_records_overrule_the_prior_and_are_spoken_of(sensitivity):
    made = tuned(room(days=1200), sensitivity)
    learned, prior_only = outlook(made)[0], outlook(made, learn=False)[0]
    assert learned.learned_from == 12
    assert not learned.mostly_prior
    assert prior_only.learned_from == 0
    assert prior_only.mostly_prior
    words = next(driver.words for driver in learned.drivers if driver.name == "season")
    per_point = float(words.split("moves ")[1].split()[0])
    assert per_point == pytest.approx(sensitivity * 0.155 / 100, rel=0.2)  # 12 records with a third of a cent
    assert "learned from 12 tunings" in words
    low, high = (float(part.split(")")[0]) for part in words.split("eight in ten: ")[1].split(" to ")[:2])
    assert low < per_point < high
    # the curve of sorption alone is doubted by 5 %, and 12 records with a third of a cent know little more
    assert 0.06 < (high - low) / 2 / per_point < 0.3


def test_a_pitch_that_follows_the_warmth_is_told_from_one_that_follows_the_damp():
    air = room(days=1200)
    summer = 4.0 * np.cos(2 * np.pi * (air.days - 739_645 - 200) / 365.2425)  # [K], late July
    air = replace(air, temp_c=21.0 + summer)
    rng = np.random.default_rng(3)
    wood = lagged(air.days, equilibrium_moisture(air.temp_c, air.rh), 6.0)
    days = [TODAY - 3 - 40 * j for j in range(25, -1, -1)]
    records = [Record(days[0], None, None)]
    for earlier, day in zip(days, days[1:], strict=False):
        at = np.array([earlier, day]) - air.days[0]
        moved = 290.0 * np.diff(wood[at]) - 0.8 * np.diff(air.temp_c[at])
        records.append(Record(day, float(moved[0] + 0.3 * rng.standard_normal()), 0.0))
    cases = [prepare(subject(records=tuple(records)), TODAY)]
    fabric = weave([air], cases, ALWAYS, TODAY, 30, days[0])
    belief = learn(fabric.groups(cases), cases, TODAY).beliefs[0]
    mean = belief.weights @ belief.mean
    # of the two, partly going together through the year, records of a third of a cent know this much
    assert mean[WARMTH] == pytest.approx(-0.8, abs=0.2)
    assert mean[MOISTURE] == pytest.approx(290.0, rel=0.1)


def test_records_that_fit_narrow_the_band():
    made = tuned(room(days=1200), 290.0)
    learned, prior_only = outlook(made)[0], outlook(made, learn=False)[0]
    assert np.all(learned.sd < prior_only.sd)


def test_an_instrument_without_records_learns_from_its_like_and_less_from_others():
    air = room(days=1200)
    fresh = subject(instrument="fresh")
    like = [tuned(air, 600.0, seed=j, instrument=f"like {j}") for j in range(4)]
    others = [replace(made, use_class="practice") for made in like]
    alone, taught, untaught = (
        outlook(fresh)[0],
        outlook(fresh, *like)[0],
        outlook(fresh, *others)[0],
    )
    assert taught.mean[8] < 1.2 * alone.mean[8] < 0  # drier winter, flatter, and more so
    assert taught.mean[8] - alone.mean[8] < 1.5 * (untaught.mean[8] - alone.mean[8]) < 0
    assert taught.learned_from == 0
    assert taught.mostly_prior


def test_a_record_without_a_value_only_starts_anew():
    bare = subject(records=tuple(Record(TODAY - 70 * j, None, None) for j in (3, 2, 1)))
    once = outlook(bare)[0]
    assert once.learned_from == 0
    np.testing.assert_allclose(once.mean, outlook(bare, learn=False)[0].mean, atol=1e-9)


def test_glides_that_never_knock_push_the_expected_gap_down_and_knocks_push_it_up():
    made = subject("bedding", age_years=0.8, records=(Record(TODAY - 200, None, 0.0),))
    days = [TODAY - 150, TODAY - 100, TODAY - 50, TODAY - 2]
    silent, loud = (
        outlook(replace(made, knocks=tuple(Knock(day, knocked, 4) for day in days)))[0] for knocked in (0, 2)
    )
    neither = outlook(made)[0]
    assert silent.mean[4] < neither.mean[4] < loud.mean[4]
    assert silent.learned_from == 4
