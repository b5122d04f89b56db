"""What a look tells of where an instrument stands, against the posterior of two normal values by hand."""

from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine.cases import prepare, prior_beliefs
from scheduling.engine.expectation import since_last
from scheduling.engine.fabric import weave
from scheduling.engine.forecast import Record, build_model
from scheduling.engine.looks import before_looks, weigh_looks
from tests.scheduling.engine.invented import ALWAYS, TODAY, room, subject

SERVED = Record(TODAY - 120, None, 0.0)
FOUND = {"tuning": -3.0, "bedding": 0.04, "regulation": 0.12, "voicing": 1.5}


def look(days_ago, found):
    return Record(TODAY - days_ago, found, found, only_measured=True)


def woven(made):
    cases = [prepare(made, TODAY)]
    fabric = weave([room()], cases, ALWAYS, TODAY, 100, TODAY - 1500)
    return fabric.groups(cases)[0], cases[0]


def foreseen(made, day):
    """Mean and variance of the deviation on a day by the prior alone."""
    group, case = woven(made)
    moments = since_last(group, [case], [prior_beliefs(case.prior)], np.array([day]))
    return moments.mean[0, 0], moments.variance[0, 0], case.prior.found_sd**2


def posterior(mean, variance, found, error):
    precision = 1.0 / variance + 1.0 / error
    return (mean / variance + found / error) / precision, 1.0 / precision


@pytest.mark.parametrize("service", FOUND)
def test_what_is_measured_and_what_was_foreseen_weigh_by_how_sure_they_are(service):
    made = subject(service, records=(SERVED, look(30, FOUND[service])))
    group, case = woven(made)
    stands = weigh_looks(group, case, prior_beliefs(case.prior))
    mean, variance, error = foreseen(replace(made, records=(SERVED,)), TODAY - 30)
    expected = posterior(mean, variance, FOUND[service], error)
    assert (stands.start_mean, stands.start_sd**2) == pytest.approx(expected, rel=0.02)
    assert stands.last_day == TODAY - 30


def test_two_looks_on_one_day_tell_as_much_as_their_mean_with_half_the_error():
    made = subject("voicing", records=(SERVED, look(30, 2.0), look(30, 1.0)))
    group, case = woven(made)
    stands = weigh_looks(group, case, prior_beliefs(case.prior))
    mean, variance, error = foreseen(replace(made, records=(SERVED,)), TODAY - 30)
    expected = posterior(mean, variance, 1.5, error / 2)
    assert (stands.start_mean, stands.start_sd**2) == pytest.approx(expected, rel=0.02)


def test_only_looks_since_the_last_work_are_weighed():
    group, case = woven(subject(records=(SERVED, look(60, 2.0), Record(TODAY - 30, 1.0, 0.0))))
    assert before_looks(case) is case
    first = woven(subject(records=(look(30, 2.0),)))[1]
    assert before_looks(first).subject.records == ()
    assert group.members == (0,)


@pytest.mark.parametrize("service", FOUND)
def test_a_look_leaves_less_doubt_than_none(service):
    made = subject(service, records=(Record(TODAY - 300, None, 0.0), SERVED))
    looked = replace(made, records=(*made.records, look(1, FOUND[service])))
    without, after = (build_model([room()], [one], ALWAYS, TODAY).outlooks(1)[0] for one in (made, looked))
    assert after.sd[0] < without.sd[0]


def test_a_look_at_an_instrument_nobody_is_known_to_have_served_counts_as_well():
    made = subject(records=())
    looked = replace(made, records=(look(3, 7.5),))
    group, case = woven(looked)
    stands = weigh_looks(group, case, prior_beliefs(case.prior))
    # Half the tolerance of 4.5 cents is doubted of the start alone, twenty-five times what is measured amiss.
    assert stands.start_mean == pytest.approx(7.5, abs=0.5)
    without, after = (build_model([room()], [one], ALWAYS, TODAY).outlooks(1)[0] for one in (made, looked))
    assert after.sd[0] < without.sd[0]
