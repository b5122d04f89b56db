"""What is told of an instrument's ways: against the priors as they are written, and sums by hand."""

from __future__ import annotations

import numpy as np
import pytest

from scheduling.engine.cases import Beliefs, prepare, prior_beliefs, prior_of
from scheduling.engine.deviation import HOURS
from scheduling.engine.sensitivities import coefficient, sensitivities
from scheduling.engine.subjects import Subject

TODAY = 740_000


def case(service: str, kind: str = "grand"):
    subject = Subject(
        **{"instrument": "G-1", "service": service, "instrument_kind": kind, "use_class": "teaching"},
        **{"tolerance": 4.5, "unit": "cents", "interval_days": 75.0, "built_day": TODAY - 9000},
        **{"in_service_day": TODAY - 9000, "hours_per_week": 15.0, "glides": 5},
        **{
            "lever_front_mm": 220.0,
            "lever_back_mm": 110.0,
            "humidity_control": False,
            "stays": (),
            "records": (),
        },
        related={},
    )
    return prepare(subject, TODAY)


def told(service: str, kind: str = "grand"):
    one = case(service, kind)
    return {row.name: row for row in sensitivities(one, prior_beliefs(one.prior))}


def test_without_records_what_is_learned_is_what_is_usual():
    for service in ("tuning", "bedding", "regulation", "voicing"):
        for row in told(service).values():
            assert row.learned.mean == pytest.approx(row.usual.mean)
            assert row.learned.sd == pytest.approx(row.usual.sd)


def test_what_is_usual_of_a_grand_is_its_prior_in_units_of_the_trade():
    """The priors: 0.45 cents a percent, -0.3 a kelvin, -1 in a thousand hours, -22 in all when new."""
    rows = told("tuning")
    assert set(rows) == {"humidity", "warmth", "playing", "settling"}
    assert rows["humidity"].usual.mean == pytest.approx(0.45)
    # sd 0.20, and five in a hundred of 0.45 for the curve: (0.04 + 0.0225^2)^(1/2)
    assert rows["humidity"].usual.sd == pytest.approx(0.20126, abs=1e-4)
    assert (rows["warmth"].usual.mean, rows["playing"].usual.mean) == pytest.approx((-0.3, -0.1))
    assert rows["settling"].usual.sd == pytest.approx(9.0)


def test_what_plays_no_part_is_left_out():
    assert set(told("voicing")) == {"playing"}
    assert "warmth" not in told("bedding")
    assert "settling" not in told("tuning", "celesta")


def test_a_coefficient_is_the_mean_and_spread_of_a_mixture():
    """Two time constants, a third and two thirds: E = 2.33, var = within + between by hand."""
    spread = np.zeros((2, 5, 5))
    spread[:, HOURS, HOURS] = 0.5, 2.0
    mean = np.zeros((2, 5))
    mean[:, HOURS] = 1.0, 3.0
    belief = Beliefs(np.array([1 / 3, 2 / 3]), mean, spread, np.full(2, 6.0), np.full(2, 5 / 6))
    found = coefficient(belief, HOURS)
    # Noise 5/6 x 6/5 = 1; within (0.5 + 2 x 2) / 3 = 1.5; between (1/3)(4/3)^2 + (2/3)(2/3)^2 = 8/9.
    assert found.mean == pytest.approx(7 / 3)
    assert found.sd == pytest.approx((1.5 + 8 / 9) ** 0.5)


def test_a_grand_has_the_prior_of_a_grand():
    assert prior_of(case("tuning").subject).moisture.mean == pytest.approx(0.45 * 100 / 0.155)
