"""Arc costs against a plain count of the days."""

import numpy as np
import pytest

from scheduling.engine.season import Reset, arc_costs, service_days


def counted(since, after, factor, days, resets=()):
    """The same by three plain loops over jobs, pairs of nodes and days."""
    n, length = since.shape
    weeks = len(days)
    starts, ends = [0, *days], [0, *days, length]
    table = np.zeros((n, weeks + 2, weeks + 2))
    for job in range(n):
        for s in range(weeks + 1):
            for e in range(s + 1, weeks + 2):
                for day in range(starts[s], ends[e]):
                    p = since[job, day] if s == 0 else after[job, s - 1, day]
                    passed = [r for r in resets if r.row == job and starts[s] <= r.day <= day]
                    if passed:
                        p = max(passed, key=lambda r: r.day).after[day]
                    table[job, s, e] += factor[job, day] * p
    return table


@pytest.fixture
def curves():
    rng = np.random.default_rng(5)
    weeks, n = 4, 3
    days = 7 * weeks
    return rng.random((n, days)), rng.random((n, weeks, days)), rng.random((n, days)) * 8, service_days(weeks)


def test_a_service_counts_from_its_fourth_day():
    assert service_days(3).tolist() == [3, 10, 17]


def test_costs_equal_a_count_by_days(curves):
    # tolerance: the running sum and the loop add the same terms in another order
    np.testing.assert_allclose(arc_costs(*curves), counted(*curves), rtol=1e-12, atol=1e-12)


def test_dated_services_reset_the_days_after_them(curves):
    rng = np.random.default_rng(6)
    resets = [Reset(1, 12, rng.random(28)), Reset(1, 5, rng.random(28)), Reset(2, 10, rng.random(28))]
    np.testing.assert_allclose(arc_costs(*curves, resets), counted(*curves, resets), rtol=1e-12, atol=1e-12)


def test_costs_of_a_path_that_changes_nothing_add_up_to_doing_nothing(curves):
    since, after, factor, days = curves
    same = np.repeat(since[:, None, :], after.shape[1], axis=1)
    table = arc_costs(since, same, factor, days)
    through = table[:, 0, 1] + table[:, 1, 3] + table[:, 3, -1]
    np.testing.assert_allclose(through, table[:, 0, -1])


def test_days_before_a_visit_are_not_read(curves):
    since, after, factor, days = curves
    unread = after.copy()
    for week, day in enumerate(days):
        unread[:, week, :day] = np.nan
    np.testing.assert_array_equal(arc_costs(since, unread, factor, days), arc_costs(*curves))


@pytest.mark.parametrize(
    "place, value, words",
    [
        (0, 1.5, "since the last service"),
        (1, np.nan, "after a visit in week 2"),
        (2, -1.0, "weight of a day"),
    ],
)
def test_impossible_curves_are_refused(curves, place, value, words):
    spoiled = [part.copy() for part in curves]
    spoiled[place][(0, 20) if place != 1 else (0, 1, 20)] = value
    with pytest.raises(ValueError, match=words):
        arc_costs(*spoiled)


def test_a_dated_service_outside_the_season_is_refused(curves):
    with pytest.raises(ValueError, match="day 40"):
        arc_costs(*curves, [Reset(0, 40, np.zeros(28))])
