"""Names, numbers and frequencies of the 88 notes, against pretty_midi and the printed table of pitches."""

from __future__ import annotations

import pretty_midi
import pytest

from fleet.notes import NOTES, frequency_hz, note_name, note_number, read_notes

# MIDI counts A0 as 21 (MIDI 1.0 specification, as implemented by pretty_midi); the keyboard counts it as 1.
MIDI_BEFORE_FIRST = 20


@pytest.mark.parametrize("number", range(1, 89))
def test_every_note_has_the_name_number_and_frequency_of_the_midi_standard(number):
    midi = number + MIDI_BEFORE_FIRST
    assert note_name(number) == pretty_midi.note_number_to_name(midi)
    assert note_number(note_name(number)) == number
    # Both are the same formula in double precision; a rounding of the last bits is left to each.
    assert frequency_hz(number) == pytest.approx(pretty_midi.note_number_to_hz(midi), rel=1e-14)


def test_the_keyboard_goes_from_a0_to_c8_with_middle_c_as_c4():
    assert (len(NOTES), NOTES[0], NOTES[39], NOTES[-1]) == (88, "A0", "C4", "C8")


@pytest.mark.parametrize(
    ("name", "hz"),
    [("A0", 27.5), ("C1", 32.7032), ("C4", 261.6256), ("A4", 440.0), ("C6", 1046.5023), ("C8", 4186.0090)],
)
def test_frequencies_are_those_of_equal_temperament_from_a4_at_440(name, hz):
    # Twelve-tone equal temperament on A4 = 440 Hz (ISO 16:1975), printed to four decimals.
    assert frequency_hz(note_number(name)) == pytest.approx(hz, abs=5e-5)


def test_another_pitch_moves_every_note_by_the_same_ratio():
    assert frequency_hz(1, 442) / frequency_hz(1) == pytest.approx(442 / 440)


def test_a_list_of_notes_is_kept_in_order_and_form():
    assert read_notes(" d#3  F6 ") == ["D#3", "F6"]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("H4", "A0 to C8"),
        ("C9", "A0 to C8"),
        ("G#0", "A0 to C8"),
        ("E#4", "A0 to C8"),
        ("", "A0 to C8"),
        ("Eb3", "write D#3"),
        ("Cb1", "write B0"),
        ("B♭4", "write A#4"),
    ],
)
def test_what_is_no_note_is_refused_and_a_flat_is_answered_with_its_sharp(name, said):
    with pytest.raises(ValueError, match=said):
        note_number(name)


@pytest.mark.parametrize("number", [0, 89, -1])
def test_a_number_beyond_the_keyboard_is_refused(number):
    with pytest.raises(ValueError, match="1 for A0"):
        frequency_hz(number)
