"""The 88 notes by name, number and frequency: sharps only, octave number changing at C, middle C is C4."""

from __future__ import annotations

import re

_STEPS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_FIRST, _COUNT = 9, 88  # A0 is the tenth step of octave 0

#: Names from A0 (number 1) to C8 (number 88).
NOTES = tuple(f"{_STEPS[step % 12]}{step // 12}" for step in range(_FIRST, _FIRST + _COUNT))
_NUMBERS = {name: number for number, name in enumerate(NOTES, start=1)}
_FLAT = re.compile(r"([A-G])(?:b|♭)([0-8])", re.IGNORECASE)

A4_NUMBER = _NUMBERS["A4"]
A4_HZ = 440.0  # ISO 16:1975, from memory of the standard's title, unverified


def note_number(name: str) -> int:
    """Return the number of a note on the keyboard, 1 for A0 to 88 for C8.

    Raises
    ------
    ValueError
        Where the keyboard has no such note; a flat is answered with the sharp of the same key.
    """
    tidy = name.strip().upper().replace("♯", "#")
    if tidy in _NUMBERS:
        return _NUMBERS[tidy]
    flat = _FLAT.fullmatch(name.strip())
    if flat and (sharp := _sharp_for(flat[1].upper(), int(flat[2]))):
        raise ValueError(f"{name!r} is a flat: write {sharp} for that key")
    raise ValueError(f"{name!r} is not a note of the keyboard: expected A0 to C8 with sharps, such as D#3")


def note_name(number: int) -> str:
    """Return the name of a note by its number on the keyboard.

    Raises
    ------
    ValueError
        Where the number is not from 1 to 88.
    """
    if not 1 <= number <= _COUNT:
        raise ValueError(f"{number} is not a note of the keyboard: expected 1 for A0 to {_COUNT} for C8")
    return NOTES[number - 1]


def frequency_hz(number: int, a4_hz: float = A4_HZ) -> float:
    """Return the frequency of a note in equal temperament [Hz].

    Parameters
    ----------
    number : number on the keyboard, 1 to 88 [-]
    a4_hz : frequency of A4 [Hz]

    Raises
    ------
    ValueError
        Where the number is not from 1 to 88.

    Notes
    -----
    ``a4_hz * 2 ** ((number - 49) / 12)``. What is really tuned is stretched towards both ends, so an
    instrument is compared with its own last tuning and not with this.
    """
    note_name(number)
    return float(a4_hz * 2 ** ((number - A4_NUMBER) / 12))


def read_notes(text: str) -> list[str]:
    """Return the names in a text such as ``D#3 F6``, in the form and order in which they are kept.

    Raises
    ------
    ValueError
        At the first word that is not a note.
    """
    return [note_name(note_number(word)) for word in text.split()]


def _sharp_for(letter: str, octave: int) -> str | None:
    """Return the name of the key that a flat stands for, None off the keyboard."""
    step = octave * 12 + _STEPS.index(letter) - 1
    return NOTES[step - _FIRST] if 0 <= step - _FIRST < _COUNT else None
