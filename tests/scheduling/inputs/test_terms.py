from datetime import date

import numpy as np
import pytest

from scheduling.inputs import playing, weight_factors
from tests.factories import make_site, make_term

pytestmark = pytest.mark.django_db
FIRST, LAST = date(2026, 12, 1), date(2026, 12, 10)
DAYS = np.arange(FIRST.toordinal(), LAST.toordinal() + 1)


def test_a_term_changes_the_weight_of_its_own_days_only():
    site = make_site()
    make_term(site, date(2026, 12, 3), date(2026, 12, 5), weight_factor=0.2)
    assert weight_factors(site, DAYS).tolist() == [1, 1, 0.2, 0.2, 0.2, 1, 1, 1, 1, 1]


def test_terms_that_overlap_multiply():
    site = make_site()
    make_term(site, date(2026, 11, 1), date(2026, 12, 31), weight_factor=2.0)
    make_term(site, date(2026, 12, 10), date(2026, 12, 20), weight_factor=0.25)
    assert weight_factors(site, DAYS)[[0, -1]].tolist() == [2.0, 0.5]


def test_playing_lists_only_the_days_that_differ_from_a_usual_one():
    site = make_site()
    make_term(site, date(2026, 12, 9), date(2027, 1, 6), playing_factor=0.0, weight_factor=0.5)
    factor = playing(site, FIRST, LAST)
    assert [date.fromordinal(day) for day in factor.days] == [date(2026, 12, 9), date(2026, 12, 10)]
    assert factor.factor.tolist() == [0.0, 0.0]


def test_the_terms_of_another_site_change_nothing():
    make_term(make_site(), FIRST, LAST, weight_factor=0.0, playing_factor=0.0)
    site = make_site()
    assert weight_factors(site, DAYS).tolist() == [1.0] * 10
    assert len(playing(site, FIRST, LAST).days) == 0
