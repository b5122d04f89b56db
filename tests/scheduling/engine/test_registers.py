from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine.forecast import Record, build_model
from scheduling.engine.registers import parted, spread_subjects
from tests.scheduling.engine.invented import ALWAYS, TODAY, room, subject


@pytest.mark.parametrize(
    ("registers", "half"),
    [
        ((0.0, 4.0, 2.0, 1.0), 2.0),  # tenor sharper than bass: as damp air does
        ((4.0, 0.0, 2.0, 1.0), -2.0),
        ((None, 3.0, None, 1.0), 1.0),
        ((None, 3.0, None, None), None),
        ((None, None, None, None), None),
        ((1.0, 1.0, 1.0, 1.0), 0.0),
    ],
)
def test_registers_part_by_half_their_range_signed_by_which_is_sharper(registers, half):
    assert parted(registers) == half


def test_only_tunings_whose_registers_were_measured_get_a_spread():
    measured = subject(records=(Record(TODAY, 1.0, 0.0, (0.0, 2.0, 1.0, 1.0)),))
    assert list(spread_subjects([subject(), measured, subject("voicing")])) == [1]


def outlook(*subjects):
    return build_model([room(days=1200)], list(subjects), ALWAYS, TODAY).outlooks(1)


def apart(records_half):
    """Tunings whose mean is always right while bass and tenor part by some cents each time."""
    days = [TODAY - 60 * j for j in range(8, 0, -1)]
    return tuple(Record(day, 0.0, 0.0, (-records_half, records_half, 0.0, 0.0)) for day in days)


def test_an_instrument_whose_registers_part_is_out_though_its_mean_is_right():
    together, parting = outlook(subject(records=apart(0.2)), subject(instrument="G-2", records=apart(7.0)))
    plain = outlook(subject(records=tuple(replace(record, registers=(None,) * 4) for record in apart(0.2))))[
        0
    ]
    assert parting.p50 < together.p50
    assert np.all(parting.p_out >= together.p_out - 0.02)
    assert np.abs(parting.mean).max() == pytest.approx(np.abs(plain.mean).max(), abs=0.5)


def test_planning_sees_the_same_as_the_page_and_hidden_cases_stay_hidden():
    made = [subject(records=apart(7.0)), subject("voicing")]
    model = build_model([room()], made, ALWAYS, TODAY)
    outlooks = model.outlooks(1)
    since, after = model.out_probability(np.array([TODAY]), outlooks[0].days)
    assert [o.service for o in outlooks] == ["tuning", "voicing"]
    assert since.shape == (2, len(outlooks[0].days))
    assert after.shape == (2, 1, len(outlooks[0].days))
    np.testing.assert_allclose(since[0], outlooks[0].p_out, atol=1e-12)
    one, _ = model.out_probability(np.array([TODAY]), outlooks[0].days, rows=[1, 0])
    np.testing.assert_allclose(one, since[::-1], atol=1e-12)


def test_a_look_leaves_the_registers_parted_as_they_were_and_without_them_it_is_no_word_on_their_spread():
    parted_then = Record(TODAY - 50, 0.0, 0.0, (-6.0, 6.0, 0.0, 0.0), only_measured=True)
    mean_alone = Record(TODAY - 10, 1.0, 1.0, only_measured=True)
    tuned = Record(TODAY - 90, 0.0, 0.0, (-1.0, 1.0, 0.0, 0.0))
    [spread] = spread_subjects([subject(records=(tuned, parted_then, mean_alone))]).values()
    assert [(one.day, one.found, one.left) for one in spread.records] == [
        (TODAY - 90, 1.0, None),
        (TODAY - 50, 6.0, 6.0),
    ]
