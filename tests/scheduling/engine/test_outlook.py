import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from scheduling.engine.outlook import normal_score, out_probability, student_variance


@pytest.mark.parametrize("degrees", [8.0, 12.0, 30.0, 200.0])
def test_the_quick_student_score_agrees_with_scipys_distribution(degrees):
    t = np.linspace(-8, 8, 161)
    quick = stats.norm.cdf(normal_score(t, degrees))
    np.testing.assert_allclose(quick, stats.t.cdf(t, degrees), atol=0.002)


@pytest.mark.parametrize(("mean", "scale", "limit"), [(0.0, 2.0, 4.5), (3.0, 1.0, 2.0), (-6.0, 3.0, 4.5)])
def test_out_probability_is_both_tails_of_a_student_t(mean, scale, limit):
    law = stats.t(12, loc=mean, scale=scale)
    expected = law.sf(limit) + law.cdf(-limit)
    assert out_probability(mean, np.array(scale**2), limit, 12.0) == pytest.approx(expected, abs=0.003)


@given(st.floats(-20, 20), st.floats(0, 100), st.floats(0.1, 20), st.floats(8, 200))
def test_it_is_a_probability_that_a_wider_tolerance_lowers_and_a_mirror_keeps(mean, variance, limit, degrees):
    p = out_probability(np.array(mean), np.array(variance), limit, degrees)
    assert 0 <= p <= 1 + 1e-12
    assert out_probability(np.array(mean), np.array(variance), 2 * limit, degrees) <= p + 1e-12
    assert out_probability(np.array(-mean), np.array(variance), limit, degrees) == pytest.approx(p, abs=1e-12)


def test_a_certain_deviation_is_in_or_out():
    p = out_probability(np.array([0.0, 4.4, 4.6, -4.6]), np.zeros(4), 4.5, 12.0)
    np.testing.assert_allclose(p, [0, 0, 1, 1], atol=1e-12)


def test_the_variance_of_a_student_t_is_scipys():
    assert student_variance(4.0, 12.0) == pytest.approx(stats.t(12, scale=2).var())
