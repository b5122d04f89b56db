"""A keyboard as lines: what a template needs to draw a compass small, with keys marked by shape."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import lru_cache

from fleet.keyboard import Compass, Key

# Units of the drawing: a natural is ten wide; the keys begin below the marks.
NATURAL, SHARP = 10, 6
TOP, SHARP_DEPTH, DEPTH = 18, 22, 36
MARK_AT, RING_AT = 8, 13


@dataclass(frozen=True)
class KeyboardMap:
    """A drawn compass: its size, outlines and marks as paths, and the names below every C."""

    width: int
    height: int
    naturals: str
    sharps: str
    marks: str
    rings: str
    names: list[tuple[int, str]]


def keyboard_map(compass: Compass, marked: Collection[int] = (), ringed: Collection[int] = ()) -> KeyboardMap:
    """Return the drawing of a compass: filled diamonds over the marked keys, rings over the ringed ones."""
    centre, bare = _bare(compass)
    return replace(
        bare,
        marks="".join(_diamond(centre[number]) for number in sorted(set(marked)) if number in centre),
        rings="".join(
            _ring(centre[number]) for number in sorted(set(ringed) - set(marked)) if number in centre
        ),
    )


@lru_cache(maxsize=256)
def _bare(compass: Compass) -> tuple[dict[int, int], KeyboardMap]:
    """Where each key lies across, and the drawing without marks; the same in every language."""
    centre = _centres(compass)
    edges = [TOP, TOP + DEPTH]
    naturals = [key for key in compass.keys if not key.sharp]
    width = NATURAL * len(naturals)
    lines = "".join(f"M{NATURAL * n} {edges[0]}V{edges[1]}" for n in range(1, len(naturals)))
    return centre, KeyboardMap(
        width=width,
        height=TOP + DEPTH + 14,
        naturals=f"M0 {edges[0]}H{width}V{edges[1]}H0z{lines}",
        sharps="".join(_sharp(centre[key.number]) for key in compass.keys if key.sharp),
        marks="",
        rings="",
        names=[(centre[key.number], key.name) for key in compass.keys if key.name[:-1] == "C"],
    )


def _centres(compass: Compass) -> dict[int, int]:
    """Return where the middle of each key lies across."""
    found, naturals = {}, 0
    for key in compass.keys:
        found[key.number] = NATURAL * naturals if key.sharp else NATURAL * naturals + NATURAL // 2
        naturals += not key.sharp
    return found


def _sharp(x: int) -> str:
    return f"M{x - SHARP // 2} {TOP}h{SHARP}v{SHARP_DEPTH}h-{SHARP}z"


def _diamond(x: int) -> str:
    return f"M{x} {MARK_AT - 8}l5 8-5 9-5-9z"


def _ring(x: int) -> str:
    return f"M{x - 2} {RING_AT}a2 2 0 1 0 4 0a2 2 0 1 0-4 0z"


def part(compass: Compass, marked: Collection[int], least: int = 3) -> Compass:
    """Return the octaves in which the marked keys and their neighbours lie, and at least so many."""
    within = [number for number in marked if number in compass]
    if not within:
        return compass
    first, last = _octave(min(within) - 1), _octave(max(within) + 1)
    lowest, highest = _octave(compass.lowest), _octave(compass.highest)
    while last - first + 1 < least and (first > lowest or last < highest):
        first -= first > lowest
        last += last < highest and last - first + 1 < least
    return Compass(
        max(compass.lowest, _first_of(first)), min(compass.highest, _first_of(last + 1)), compass.lengths
    )


def _octave(number: int) -> int:
    """Return the octave of a key; C4 is the fortieth of the keyboard."""
    return (number + 8) // 12


def _first_of(octave: int) -> int:
    return 12 * octave - 8


def around(keys: Collection[int], compass: Compass) -> list[Key]:
    """Return the keys to try first: a semitone beside the given ones and not among them."""
    beside = {key.number: key for number in keys if number in compass for key in compass.neighbours(number)}
    return [beside[number] for number in sorted(beside) if number not in keys]
