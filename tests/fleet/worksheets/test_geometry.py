"""The dip calculator against worked figures of the trade's geometry, and its sign."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.worksheets.geometry import front_change_mm, lever_ratio, rail_change_mm

lengths = st.floats(20, 400)


# Similar triangles worked by hand: 330/110, 355/120, 480/240; printed to three decimals.
@pytest.mark.parametrize(("front", "back", "ratio"), [(220, 110, 3.000), (235, 120, 2.958), (240, 240, 2.0)])
def test_the_lever_ratio_is_that_of_similar_triangles(front, back, ratio):
    assert lever_ratio(front, back) == pytest.approx(ratio, abs=0.0005)


def test_a_tenth_of_a_millimetre_at_the_rail_is_three_tenths_at_the_key():
    # By hand: 0.10 * 330 / 110 = 0.30.
    assert front_change_mm(0.10, 220, 110) == pytest.approx(0.30, abs=1e-12)


def test_a_raised_rail_raises_the_front_and_a_sunk_one_lowers_it():
    assert front_change_mm(0.1, 220, 110) > 0 > front_change_mm(-0.1, 220, 110)


@given(st.floats(-2, 2), lengths, lengths)
def test_the_front_moves_as_a_straight_key_over_its_rests_says(rail, front, back):
    # The straight line through back rest (0, 0) and rail (back, rail), read off at the key front.
    slope = rail / back
    assert front_change_mm(rail, front, back) == pytest.approx(slope * (front + back), abs=1e-9)


@given(st.floats(-5, 5), lengths, lengths)
def test_what_the_rail_needs_gives_what_was_wanted(wanted, front, back):
    assert front_change_mm(rail_change_mm(wanted, front, back), front, back) == pytest.approx(
        wanted, abs=1e-9
    )


@pytest.mark.parametrize(("front", "back"), [(0, 110), (220, 0), (220, -1), (float("nan"), 110)])
def test_a_key_without_length_is_refused(front, back):
    with pytest.raises(ValueError, match="longer than 0 mm"):
        front_change_mm(0.1, front, back)
