from dataclasses import replace

import numpy as np
import pytest
import scoringrules
from scipy.stats import binom

from scheduling.engine.backtest import (
    Past,
    backtest,
    crps_normal,
    crps_sample,
    fixed_interval,
    found_values,
    seasonal_mean,
)
from scheduling.engine.forecast import Record
from scheduling.engine.lag import lagged
from scheduling.engine.moisture import equilibrium_moisture
from tests.scheduling.engine.invented import ALWAYS, TODAY, room, subject


@pytest.mark.parametrize(("observed", "expected"), [(0.0, 0.233695), (1.0, 0.602441)])
def test_the_score_of_a_standard_normal_is_the_published_one(observed, expected):
    # Gneiting and Raftery 2007, section 4.2, evaluated
    assert crps_normal(observed, 0.0, 1.0) == pytest.approx(expected, abs=1e-6)


def test_scores_agree_with_the_reference_library():
    rng = np.random.default_rng(1)
    observed, mean, sd = rng.normal(size=20), rng.normal(size=20), rng.uniform(0.1, 3, 20)
    np.testing.assert_allclose(
        crps_normal(observed, mean, sd), scoringrules.crps_normal(observed, mean, sd), rtol=1e-10
    )
    sample = rng.normal(size=17)
    expected = scoringrules.crps_ensemble(0.4, sample, estimator="nrg")
    assert crps_sample(0.4, sample) == pytest.approx(float(expected), rel=1e-10)


def test_the_score_of_a_single_value_is_the_distance():
    assert crps_sample(3.0, np.array([1.0])) == 2.0


def past(found, use="teaching", elapsed=60, day=TODAY, service="tuning"):
    return Past(0, 1, service, use, day, elapsed, found, 4.5)


def test_the_fixed_interval_knows_values_at_a_like_elapsed_time():
    asked = past(0.0, elapsed=60)
    like = [past(float(j), elapsed=50 + j) for j in range(5)]
    unlike = [past(100.0, elapsed=200), past(100.0, use="concert"), past(100.0, service="voicing")]
    np.testing.assert_array_equal(fixed_interval(asked, like + unlike), [0, 1, 2, 3, 4])
    wider = fixed_interval(asked, like[:4] + unlike)
    np.testing.assert_array_equal(wider, [0, 1, 2, 3, 100])  # use class at any elapsed time
    widest = fixed_interval(asked, like[:3] + unlike)
    np.testing.assert_array_equal(widest, [0, 1, 2, 100, 100])  # the kind alone


def test_the_seasonal_mean_knows_values_of_the_same_quarter():
    november, may = TODAY, TODAY - 190
    values = [past(float(j), day=november - 5 * j) for j in range(5)] + [past(50.0, day=may)]
    mean, sd = seasonal_mean(past(0.0, day=november), values)
    assert mean == pytest.approx(2.0)
    assert sd == pytest.approx(np.std([0, 1, 2, 3, 4], ddof=1))


def world(instruments=12, seed=0, until=TODAY):
    """Grands in one room that follow their wood, each in its own way, tuned every two months or so."""
    rng = np.random.default_rng(seed)
    air = room(days=1500, until=until)
    wood = lagged(air.days, equilibrium_moisture(air.temp_c, air.rh), 6.0)
    made = []
    for j in range(instruments):
        own = rng.normal(290.0, 90.0)
        days = np.cumsum(rng.integers(40, 90, 20)) + until - 1300
        days = [int(day) for day in days[days < until]]
        records = [Record(days[0], None, 0.0)]
        for earlier, day in zip(days, days[1:], strict=False):
            moved = own * (wood[day - air.days[0]] - wood[earlier - air.days[0]])
            walked = 0.22 * np.sqrt(day - earlier) * rng.standard_normal()
            records.append(Record(day, float(moved + walked + 0.4 * rng.standard_normal()), 0.0))
        made.append(subject(instrument=f"G-{j}", records=tuple(records)))
    return [air], made


def test_in_a_world_like_the_model_it_covers_what_it_claims_and_beats_both_baselines():
    rooms, made = world()
    result = backtest(rooms, made, ALWAYS, folds=6)
    score = result.by_service["tuning"]
    # dates within an instrument share weather, so the band is that of a third as many pairs
    low, high = binom(score.pairs // 3, 0.8).ppf([0.005, 0.995]) / (score.pairs // 3)
    assert low <= score.coverage80 <= high
    assert score.crps < 0.9 * min(score.fixed_interval, score.seasonal_mean)
    assert result.overall.crps == pytest.approx(score.crps / 4.5)
    assert result.folds == 6


def test_what_happens_after_a_fold_cannot_change_its_score():
    rooms, made = world(instruments=4)
    days = [past.day for past in found_values(made)]
    cut = sorted(days)[int(0.8 * len(days))]
    spoiled = [
        replace(
            one,
            records=tuple(
                replace(record, found=99.0) if record.day > cut and record.found is not None else record
                for record in one.records
            ),
        )
        for one in made
    ]
    known = rooms[0].days <= cut
    air = replace(rooms[0], rh=np.where(known, rooms[0].rh, 0.9))

    def scores(rooms, made):
        scored = backtest(rooms, made, ALWAYS, folds=5).scored
        return {(pair.past.place, pair.past.day): pair for pair in scored if pair.past.day <= cut}

    honest, spoilt = scores(rooms, made), scores([air], spoiled)
    assert len(honest) > 10
    assert honest == spoilt


def test_too_few_values_are_refused():
    with pytest.raises(ValueError, match="too few for 3 folds"):
        backtest([room()], [subject()], ALWAYS, folds=3)


def test_it_tells_how_far_it_is():
    rooms, made = world(instruments=3)
    told = []
    backtest(rooms, made, ALWAYS, folds=2, progress=lambda done, total: told.append((done, total)))
    assert told == [(1, 2), (2, 2)]
