"""Worksheets summed up: what a record says as found and as left, and mean and spread by register."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import fmean

from fleet.records import Point
from fleet.worksheets.layout import (
    CONDITIONS,
    DIP,
    GAP,
    OFFSET,
    REGISTERS,
    TARGET,
    TARGETS_MM,
    register_of,
)

DIGITS = 3  # a thousandth of a cent or millimetre is beyond any measurement here


@dataclass(frozen=True)
class Spread:
    """Several measured values: their mean and how far the highest lies above the lowest, in their unit."""

    mean: float
    spread: float
    count: int


@dataclass(frozen=True)
class Summary:
    """What a worksheet comes to, in the unit of its kind; None where nothing was measured."""

    found: float | None = None
    left: float | None = None
    registers: tuple[float | None, ...] = (None,) * 4
    before: dict[str, Spread] = field(default_factory=dict)
    after: dict[str, Spread] = field(default_factory=dict)
    worst: str = ""


def summarise(kind: str, points: Sequence[Point]) -> Summary:
    """Return what the points of a worksheet come to.

    Notes
    -----
    *Bedding*: the gap that is largest in size, of any glide in any stated condition; as found in the first
    pass, as left when each was last looked at; negative where forced. *Tuning*: the mean over all notes, and
    over those of each register. *Regulation*: the mean over the keys of dip less its target. *Voicing* is
    marked as a whole, not summed up.
    """
    return SUMMARIES[kind](points) if kind in SUMMARIES else Summary()


def _bedding(points: Sequence[Point]) -> Summary:
    gaps = [one for one in points if one.quantity == GAP and one.condition in CONDITIONS]
    first = [(one.before, one.point) for one in gaps if one.pass_number == 1 and one.before is not None]
    last: dict[tuple[str, str], tuple[float, str]] = {}
    for one in sorted(gaps, key=lambda one: one.pass_number):
        if one.after is not None:
            last[one.point, one.condition] = one.after, one.point
    found = max(first, key=_size, default=None)
    left = max(last.values(), key=_size, default=None)
    return Summary(
        found=found[0] if found else None, left=left[0] if left else None, worst=found[1] if found else ""
    )


def _size(value: tuple[float, str]) -> float:
    return abs(value[0])


def _tuning(points: Sequence[Point]) -> Summary:
    notes = [one for one in points if one.quantity == OFFSET]
    before = _by_register((one.point, one.before) for one in notes)
    after = _by_register((one.point, one.after) for one in notes)
    registers = tuple(before[name].mean if name in before else None for name in REGISTERS)
    found, left = before.get("all"), after.get("all")
    return Summary(found.mean if found else None, left.mean if left else None, registers, before, after)


def _by_register(values: Iterable[tuple[str, float | None]]) -> dict[str, Spread]:
    known = [(register_of(note), value) for note, value in values if value is not None]
    groups = {name: [value for register, value in known if register == name] for name in REGISTERS}
    groups["all"] = [value for _, value in known]
    return {name: spread(group) for name, group in groups.items() if group}


def spread(values: Sequence[float]) -> Spread:
    """Return mean and spread of at least one value."""
    return Spread(round(fmean(values), DIGITS), round(max(values) - min(values), DIGITS), len(values))


def _regulation(points: Sequence[Point]) -> Summary:
    targets = TARGETS_MM | {one.quantity: one.after for one in points if one.point == TARGET and one.after}
    keys = [one for one in points if one.point != TARGET and one.quantity in targets]
    before = _off_target(targets, ((one.quantity, one.before) for one in keys))
    after = _off_target(targets, ((one.quantity, one.after) for one in keys))
    found, left = before.get(DIP), after.get(DIP)
    return Summary(found.mean if found else None, left.mean if left else None, before=before, after=after)


def _off_target(
    targets: Mapping[str, float], values: Iterable[tuple[str, float | None]]
) -> dict[str, Spread]:
    """Return by quantity how far the keys are from its target."""
    known = [(quantity, value - targets[quantity]) for quantity, value in values if value is not None]
    groups = {name: [value for quantity, value in known if quantity == name] for name in targets}
    return {name: spread(group) for name, group in groups.items() if group}


SUMMARIES = {"bedding": _bedding, "tuning": _tuning, "regulation": _regulation}
