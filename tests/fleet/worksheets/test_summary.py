"""What a worksheet comes to, by the hand rule of its kind."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.notes import NOTES
from fleet.records import Point
from fleet.worksheets.layout import CONDITIONS, KEYS, REGISTER_NOTES, REGISTERS, register_of
from fleet.worksheets.summary import summarise

HALF = 5.1e-4  # means are rounded to a thousandth
gaps = st.none() | st.integers(-200, 400).map(lambda hundredths: hundredths / 100)
cents = st.none() | st.integers(-500, 500).map(lambda tenths: tenths / 10)


def gap(glide, condition, before, after, again=1):
    return Point(f"glide {glide}", condition, "gap", "mm", before, after, again)


def note(name, before, after=None):
    return Point(name, "", "offset", "cents", before, after)


@given(st.dictionaries(st.tuples(st.integers(1, 8), st.sampled_from(CONDITIONS)), gaps, max_size=12))
def test_a_frame_is_as_far_out_as_its_worst_glide_forced_or_not(values):
    summary = summarise("bedding", [gap(*where, value, None) for where, value in values.items()])
    known = [value for value in values.values() if value is not None]
    if not known:
        assert summary.found is None
    else:
        assert abs(summary.found) == max(map(abs, known))
        assert summary.found in known
    assert summary.left is None


def test_as_found_is_the_first_pass_and_as_left_the_last_look_at_each_glide():
    points = [
        gap(1, "at rest", 0.08, 0.0),
        gap(2, "at rest", -0.12, 0.0),
        # Setting glide 2 has lifted glide 1: looked at again, left at 0.02.
        gap(1, "at rest", 0.2, 0.02, again=2),
    ]
    summary = summarise("bedding", points)
    assert (summary.found, summary.left, summary.worst) == (-0.12, 0.02, "glide 2")


def test_rails_dips_and_ticks_are_no_gaps_of_a_glide():
    points = [
        Point("front rail", "glides backed off", "gap", "mm", 0.9, 0.0),
        Point("C4", "", "dip", "mm", 10.3, 10.0),
        Point("glide 1", "at rest", "knock", "", 1.0, 0.0),
        gap(1, "shifted", 0.05, 0.0),
    ]
    assert summarise("bedding", points).found == 0.05


@given(st.dictionaries(st.sampled_from(NOTES), st.tuples(cents, cents), max_size=12))
def test_a_tuning_is_the_mean_of_its_notes_whole_and_by_register(values):
    summary = summarise("tuning", [note(name, *pair) for name, pair in values.items()])
    found = {name: pair[0] for name, pair in values.items() if pair[0] is not None}
    left = [pair[1] for pair in values.values() if pair[1] is not None]
    # Independent of the code: the standard library's exact mean of fractions, within the rounding.
    assert summary.found == (pytest.approx(statistics.mean(found.values()), abs=HALF) if found else None)
    assert summary.left == (pytest.approx(statistics.mean(left), abs=HALF) if left else None)
    for place, register in enumerate(REGISTERS):
        own = [value for name, value in found.items() if register_of(name) == register]
        assert summary.registers[place] == (pytest.approx(statistics.mean(own), abs=HALF) if own else None)
        if own:
            assert summary.before[register].spread == pytest.approx(max(own) - min(own), abs=HALF)


def test_registers_that_have_parted_show_though_the_mean_is_right():
    summary = summarise("tuning", [note("C2", -6.0), note("F2", -4.0), note("C6", 4.0), note("F6", 6.0)])
    assert summary.found == 0.0
    assert summary.registers == (-5.0, None, None, 5.0)
    assert summary.before["all"].spread == 12.0
    assert summary.before["bass"].spread == 2.0


def test_the_named_notes_lie_in_their_registers_and_every_note_in_one():
    for register, notes in zip(REGISTERS, REGISTER_NOTES, strict=True):
        assert {register_of(name) for name in notes} == {register}
    places = [REGISTERS.index(register_of(name)) for name in NOTES]
    assert places == sorted(places)
    assert set(places) == {0, 1, 2, 3}


def dips(*values, target=None):
    points = [Point(key, "", "dip", "mm", *pair) for key, pair in zip(KEYS, values, strict=True)]
    return points + ([Point("target", "", "dip", "mm", None, target)] if target else [])


def test_a_regulation_is_the_mean_of_dip_less_its_target():
    # By hand: (10.3 + 10.1 + 9.9) / 3 - 10 = 0.1; with a target of 9.8 it is 0.3.
    values = ((10.3, 10.0), (10.1, 10.0), (9.9, 10.0))
    assert summarise("regulation", dips(*values)).found == pytest.approx(0.1, abs=HALF)
    assert summarise("regulation", dips(*values)).left == 0.0
    assert summarise("regulation", dips(*values, target=9.8)).found == pytest.approx(0.3, abs=HALF)


def test_other_dimensions_of_the_touch_leave_the_dip_error_alone():
    points = [*dips((10.2, None), (None, None), (None, None)), Point("C4", "", "let-off", "mm", 3.0, 1.5)]
    summary = summarise("regulation", points)
    assert summary.found == pytest.approx(0.2, abs=HALF)
    # By hand: 3.0 is 1.5 more than the usual let-off, and 1.5 is right.
    assert (summary.before["let-off"].mean, summary.after["let-off"].mean) == (1.5, 0.0)


@pytest.mark.parametrize("kind", ["bedding", "tuning", "regulation", "voicing", "cleaning"])
def test_an_empty_worksheet_comes_to_nothing(kind):
    summary = summarise(kind, [])
    assert (summary.found, summary.left, summary.registers) == (None, None, (None,) * 4)
