"""Compasses, places in words and drawings of keyboards, against hand counts and the MIDI numbering."""

from __future__ import annotations

import re

import pretty_midi
import pytest

from fleet import drawing
from fleet.keyboard import compass_of, frequencies, read_compass
from fleet.notes import note_number
from tests import factories as make

MIDI_BEFORE_FIRST = 20  # MIDI counts A0 as 21, as implemented by pretty_midi
SHARP_STEPS = {1, 3, 6, 8, 10}  # of the twelve MIDI steps from C, those of the five sharps


def test_every_key_of_the_piano_is_named_placed_and_coloured_as_midi_counts_it():
    compass = compass_of("grand")
    assert compass.count == 88
    for key in compass.keys:
        midi = key.number + MIDI_BEFORE_FIRST
        assert key.name == pretty_midi.note_number_to_name(midi)
        assert key.sharp == (midi % 12 in SHARP_STEPS)
        assert key.position == key.number


def test_no_two_keys_of_a_piano_have_the_same_place_in_words():
    places = [key.place for key in compass_of("upright").keys]
    assert len(set(places)) == 88


# Told by looking at a keyboard: name, number, words.
PLACES = [
    ("D#3", 31, "the black key right of D, in the octave below middle C"),
    ("C4", 40, "middle C itself"),
    ("E4", 44, "the white key right of the two black keys, in the octave above middle C"),
    ("E5", 56, "the white key right of the two black keys, in the second octave above middle C"),
    ("F2", 21, "the white key left of the three black keys, in the second octave below middle C"),
    ("A0", 1, "the lowest key, at the left end"),
    ("B0", 3, "the white key right of A♯0, in the fourth octave below middle C"),
    ("C8", 88, "the highest key, at the right end"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "number", "words"), PLACES)
def test_a_key_is_placed_by_what_one_sees(name, number, words):
    key = compass_of("grand").key(note_number(name))
    assert (key.position, key.place) == (number, words)
    assert key.shown == name.replace("#", "♯")


def test_where_colours_vary_keys_are_told_by_length():
    key = compass_of("harpsichord").key(note_number("D#3"))
    assert key.place == "the short key right of D, in the octave below middle C"
    # Five octaves from FF to f3 are sixty-one keys; D#3 is the 23rd of them, counted on paper.
    assert (compass_of("harpsichord").count, key.position) == (61, 23)


@pytest.mark.parametrize(
    ("kind", "given", "like", "ends", "count"),
    [
        ("grand", "", "", ("A0", "C8"), 88),
        ("celesta", "", "", ("C4", "C8"), 49),
        ("fortepiano", "F1-C7", "", ("F1", "C7"), 68),
        ("spinet", "", "harpsichord", ("F1", "F6"), 61),
        ("spinet", "C2 – C6", "harpsichord", ("C2", "C6"), 49),
        ("anything", "", "", ("A0", "C8"), 88),
    ],
)
def test_a_compass_is_the_instruments_own_or_that_of_its_kind(kind, given, like, ends, count):
    compass = compass_of(kind, given, like)
    assert (compass.keys[0].name, compass.keys[-1].name, compass.count) == (*ends, count)


def test_a_kind_that_the_site_added_has_the_compass_the_site_gave_it(db):
    site = make.make_site()
    site.instrument_kinds.create(kind="virginal", behaves_like="harpsichord", compass="C2-C6")
    one = make.make_instrument(make.make_room(site), kind="virginal")
    assert one.keyboard().count == 49
    one.compass = "A1-F6"
    assert (one.keyboard().keys[0].name, one.keyboard().lengths) == ("A1", True)


@pytest.mark.parametrize("text", ["", "F1", "F6-F1", "F1-F#1", "H1-C6", "A0-C9", "Eb2-C6", "C2-C6-C7"])
def test_what_is_no_compass_is_refused(text):
    with pytest.raises(ValueError, match="no compass|not a note"):
        read_compass(text)


def test_neighbours_are_a_semitone_away_and_end_with_the_keyboard():
    compass = compass_of("grand")
    assert [key.name for key in compass.neighbours(31)] == ["D3", "E3"]
    assert [key.name for key in compass.neighbours(1)] == ["A#0"]
    assert [key.name for key in compass.neighbours(88)] == ["B7"]


@pytest.mark.parametrize("kind", ["grand", "harpsichord", "celesta"])
def test_every_key_lies_in_an_octave_with_both_its_neighbours_or_at_an_edge(kind):
    compass = compass_of(kind)
    seen = {}
    for octave in compass.octaves:
        assert len(octave.keys) <= 13
        for key in octave.keys:
            seen.setdefault(key.number, []).append(octave.step(key))
    assert sorted(seen) == [key.number for key in compass.keys]
    # Only a C can stand in two octaves: at the end of one and the beginning of the next.
    assert {tuple(steps) for steps in seen.values() if len(steps) > 1} <= {(12, 0)}


def test_keys_sound_at_the_pitch_the_instrument_is_kept_at():
    # Equal temperament, ISO 16: A4 = 440 Hz, D#3 = 155.5635 Hz; at 415 Hz every note is 415/440 of that.
    assert frequencies(compass_of("grand"), 440)[31] == pytest.approx(155.5635, abs=1e-3)
    assert frequencies(compass_of("harpsichord"), 415)[31] == pytest.approx(155.5635 * 415 / 440, abs=1e-3)


def test_the_drawing_has_52_naturals_36_sharps_and_its_marks_over_the_right_keys():
    drawn = drawing.keyboard_map(compass_of("grand"), [31, 40], [30, 32])
    # Fifty-two naturals have fifty-one lines between them.
    assert (drawn.width, drawn.naturals.count("V") - 1, drawn.sharps.count("z")) == (520, 51, 36)
    # D#3 lies over the edge after the 18th natural (A0 B0, 7 of C1, 7 of C2, C3 D3); C4 is the 24th.
    assert [int(x) for x in re.findall(r"M(\d+) ", drawn.marks)] == [180, 235]
    assert [int(x) + 2 for x in re.findall(r"M(\d+) ", drawn.rings)] == [175, 185]
    assert drawn.names[3] == (235, "C4")
    assert [name for _, name in drawn.names] == [f"C{octave}" for octave in range(1, 9)]


@pytest.mark.parametrize(
    ("kind", "marked", "ends"),
    [
        ("grand", [31], ("C2", "C5")),
        ("grand", [1], ("A0", "C3")),
        ("grand", [88], ("C6", "C8")),
        # The neighbour below C4 lies in the octave below.
        ("grand", [40], ("C2", "C5")),
        ("grand", [4, 76], ("A0", "C8")),
        ("harpsichord", [21], ("F1", "C4")),
        ("celesta", [31], ("C4", "C8")),
    ],
)
def test_a_part_shows_the_marked_keys_and_their_neighbours_in_about_three_octaves(kind, marked, ends):
    shown = drawing.part(compass_of(kind), marked)
    assert (shown.keys[0].name, shown.keys[-1].name) == ends


def test_keys_to_try_first_are_the_neighbours_that_were_not_reported_themselves():
    tried = drawing.around([31, 32], compass_of("grand"))
    assert [key.name for key in tried] == ["D3", "F3"]
