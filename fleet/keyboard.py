"""The keyboard of an instrument: its compass, and where each key lies in words that cannot be misread."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property, lru_cache

from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

from fleet.notes import NOTES, frequency_hz, note_name, note_number

# Lowest and highest key by kind of instrument, from memory of books on keyboard instruments, unverified: an
# instrument of another compass says so itself. A celesta is named as it sounds, an octave above its notation.
COMPASSES = {
    "grand": ("A0", "C8"),
    "upright": ("A0", "C8"),
    "harpsichord": ("F1", "F6"),
    "fortepiano": ("F1", "F6"),
    "celesta": ("C4", "C8"),
}
PIANO = COMPASSES["grand"]

# Keyboards of these kinds are often built with the colours the other way round, so their keys are told
# apart by length. Common practice, no source.
COLOURS_VARY = ("harpsichord", "fortepiano")

MIDDLE_OCTAVE = 4
_MIDDLE_C = note_number("C4")
_GIVEN = re.compile(r"([A-G]#?\d)\s*(?:-|–|\s)\s*([A-G]#?\d)")

_NATURALS = {
    "C": gettext_lazy("the %(natural)s key left of the two %(sharp)s keys"),
    "D": gettext_lazy("the %(natural)s key between the two %(sharp)s keys"),
    "E": gettext_lazy("the %(natural)s key right of the two %(sharp)s keys"),
    "F": gettext_lazy("the %(natural)s key left of the three %(sharp)s keys"),
    "G": gettext_lazy("the %(natural)s key between the first and second of the three %(sharp)s keys"),
    "A": gettext_lazy("the %(natural)s key between the second and third of the three %(sharp)s keys"),
    "B": gettext_lazy("the %(natural)s key right of the three %(sharp)s keys"),
}
# The sharps a natural is told by; where the keyboard ends before one of them, another way of saying is used.
_GROUPS = {"CDE": (1, 3), "FGAB": (6, 8, 10)}
_ORDINALS = {
    2: gettext_lazy("second"),
    3: gettext_lazy("third"),
    4: gettext_lazy("fourth"),
    5: gettext_lazy("fifth"),
}


@dataclass(frozen=True)
class Key:
    """One key: number on the 88-key keyboard, name as devices write it, and its place."""

    number: int
    name: str
    sharp: bool
    position: int
    place: str

    @property
    def shown(self) -> str:
        """The name as people read it, with a sharp sign."""
        return shown(self.name)


@dataclass(frozen=True)
class Octave:
    """The keys from a C up to and with the next, as far as the keyboard has them."""

    number: int
    keys: tuple[Key, ...]

    @property
    def span(self) -> str:
        """First and last key without the C that belongs to the next octave."""
        own = [key for key in self.keys if key.name.endswith(str(self.number))]
        return f"{own[0].shown}–{(own if len(self.keys) - len(own) == 1 else self.keys)[-1].shown}"

    def step(self, key: Key) -> int:
        """Return how many semitones a key lies above the octave's own C, 12 for the next C."""
        return key.number - _MIDDLE_C - 12 * (self.number - MIDDLE_OCTAVE)

    @property
    def words(self) -> str:
        """Where the octave lies, seen from middle C."""
        return octave_words(self.number)


@dataclass(frozen=True)
class Compass:
    """The keys an instrument has, by their numbers on the 88-key keyboard; `lengths` says how they differ."""

    lowest: int
    highest: int
    lengths: bool = False

    @property
    def count(self) -> int:
        """How many keys there are."""
        return self.highest - self.lowest + 1

    def __contains__(self, number: int) -> bool:
        return self.lowest <= number <= self.highest

    @cached_property
    def keys(self) -> tuple[Key, ...]:
        """The keys from left to right."""
        return tuple(self.key(number) for number in range(self.lowest, self.highest + 1))

    @cached_property
    def octaves(self) -> tuple[Octave, ...]:
        """The octaves from left to right, each with the C above it; one of a lone C is part of that below."""
        found: list[Octave] = []
        for octave in range(9):
            first = _MIDDLE_C + 12 * (octave - MIDDLE_OCTAVE)
            keys = [key for key in self.keys if first <= key.number <= first + 12]
            if keys and (len(keys) > 1 or not found):
                found.append(Octave(octave, tuple(keys)))
        return tuple(found)

    def key(self, number: int) -> Key:
        """Return one key.

        Raises
        ------
        ValueError
            Where the instrument has no such key.
        """
        if number not in self:
            raise ValueError(f"no key {number}: expected {self.lowest} to {self.highest}")
        return _key(self, number, get_language())

    def neighbours(self, number: int) -> list[Key]:
        """Return the keys a semitone to the left and to the right, as far as there are any."""
        return [self.key(beside) for beside in (number - 1, number + 1) if beside in self]

    def _place(self, number: int) -> str:
        """Say which key it is: its shape, what it lies beside, and its octave."""
        if number == self.lowest:
            return _("the lowest key, at the left end")
        if number == self.highest:
            return _("the highest key, at the right end")
        if number == _MIDDLE_C:
            return _("middle C itself")
        where = octave_words(int(NOTES[number - 1][-1]))
        return f"{self._beside(number)}, {where}"

    def _beside(self, number: int) -> str:
        name = note_name(number)
        colours = {"natural": _("long"), "sharp": _("short")} if self.lengths else _colours()
        if "#" in name:
            return _("the %(sharp)s key right of %(left)s") % {**colours, "left": name[0]}
        octave = _MIDDLE_C + 12 * (int(name[-1]) - MIDDLE_OCTAVE)
        group = next(steps for letters, steps in _GROUPS.items() if name[0] in letters)
        if all(octave + step in self for step in group):
            return str(_NATURALS[name[0]]) % colours
        return _("the %(natural)s key right of %(left)s") % {**colours, "left": shown(note_name(number - 1))}


@lru_cache(maxsize=4096)
def _key(compass: Compass, number: int, language: str | None) -> Key:
    """A key with its place in words of the language that is spoken now; lists name the same keys often."""
    name = note_name(number)
    return Key(number, name, "#" in name, number - compass.lowest + 1, compass._place(number))


def _colours() -> dict[str, str]:
    return {"natural": _("white"), "sharp": _("black")}


def octave_words(octave: int) -> str:
    """Say where an octave lies, seen from middle C, which begins the fourth."""
    steps = octave - MIDDLE_OCTAVE
    if steps == 0:
        return _("in the octave above middle C")
    if steps == -1:
        return _("in the octave below middle C")
    if steps > 0:
        return _("in the %(which)s octave above middle C") % {"which": _ORDINALS[steps + 1]}
    return _("in the %(which)s octave below middle C") % {"which": _ORDINALS[-steps]}


def shown(name: str) -> str:
    """Return a note's name with a sharp sign."""
    return name.replace("#", "♯")


def read_compass(text: str) -> tuple[str, str]:
    """Return the lowest and highest note of a compass written such as ``F1-F6``.

    Raises
    ------
    ValueError
        Where it is written otherwise, a note is not on the 88-key keyboard, or they are the wrong way round.
    """
    given = _GIVEN.fullmatch(text.strip().upper().replace("♯", "#"))
    if given is None:
        raise ValueError(f"{text!r} is no compass: expected the lowest and highest note, such as F1-F6")
    lowest, highest = note_number(given[1]), note_number(given[2])
    if highest - lowest < 11:
        raise ValueError(f"{text!r} is no compass: expected at least an octave, the lowest note first")
    return note_name(lowest), note_name(highest)


def compass_of(kind: str, given: str = "", behaves_like: str = "") -> Compass:
    """Return the compass of an instrument: what is said of it, else that of its kind, else 88 keys.

    Raises
    ------
    ValueError
        Where what is said of it is no compass.
    """
    known = kind if kind in COMPASSES else behaves_like
    lowest, highest = read_compass(given) if given else COMPASSES.get(known, PIANO)
    return Compass(note_number(lowest), note_number(highest), known in COLOURS_VARY)


def frequencies(compass: Compass, a4_hz: float) -> dict[int, float]:
    """Return the frequency of every key at the pitch an instrument is kept at [Hz]."""
    return {key.number: round(frequency_hz(key.number, a4_hz), 3) for key in compass.keys}
