"""What nobody can know of an invented fleet: its futures from a day on, drawn anew from the laws behind it.

Whoever knew every instrument to the last number, and where it stands today, but not the weather and the
chances to come, would plan by these. No plan made on that day can be expected to do better.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from fleet.demo.fleet import InventedFleet
from fleet.demo.indoor import indoor_air
from fleet.demo.spec import HOURS_A_DAY, FleetSpec, Timeline
from fleet.demo.truth import AIR_HOURS, Truth, at_noon, felt_air, states_of
from fleet.demo.weather import outdoor_air
from fleet.demo.wood import Slabs
from fleet.demo.year import playing_by_day

Floats = NDArray[np.float64]

# Streams of the generator that go on after today, hour by hour or day by day
OPEN = {"fronts", "spells", "dryness", "room warmth", "room unrest"}
OPEN |= {"pitch walk", "shocks", "shock sizes", "contact walk", "touch walk", "tone walk"}
SOAKED_DAYS = 400  # of air before today, after which the wood has forgotten how it began
STATES = ("pitch", "contact", "touch", "board_moisture", "walk_marks")  # of `Truth`, that chance moves


@dataclass(frozen=True)
class _Stream:
    """Random numbers that are those of the past up to a day and others after it; see numpy's generators."""

    past: np.random.Generator
    to_come: np.random.Generator
    line: Timeline
    day: int

    def standard_normal(self, shape: int | tuple[int, ...]) -> Floats:
        """Normal numbers in order of time."""
        return self._joined(self.past.standard_normal(shape), self.to_come.standard_normal(shape))

    def random(self, shape: int | tuple[int, ...]) -> Floats:
        """Uniform numbers in order of time."""
        return self._joined(self.past.random(shape), self.to_come.random(shape))

    def _joined(self, past: Floats, to_come: Floats) -> Floats:
        at = (self.day + 1) * (HOURS_A_DAY if len(past) == self.line.n_hours else 1)
        return np.concatenate([past[:at], to_come[at:]])


@dataclass(frozen=True)
class _Future(FleetSpec):
    line: Timeline | None = None
    day: int = 0
    which: int = 0

    def stream(self, name: str, number: int = 0) -> np.random.Generator:
        """The stream of a purpose, new after the day where it is open."""
        past = super().stream(name, number)
        if name not in OPEN or self.line is None:
            return past
        seed = [self.seed, zlib.crc32(name.encode()), number, 1 + self.which]
        return _Stream(past, np.random.default_rng(seed), self.line, self.day)  # type: ignore[return-value]


def futures(fleet: InventedFleet, day: int, count: int) -> Iterator[Truth]:
    """Give truths that agree with a fleet's up to the day at a position and are drawn anew after it."""
    line, real, natures = fleet.line, fleet.truth, fleet.truth.natures
    told = {one.name: getattr(fleet.spec, one.name) for one in fields(FleetSpec)}
    specs = [_Future(**told, line=line, day=day, which=which) for which in range(count)]
    playing = playing_by_day(line)
    felt = [
        felt_air(
            line,
            fleet.instruments,
            natures,
            indoor_air(spec, line, fleet.rooms, outdoor_air(spec, line), playing),
        )
        for spec in specs
    ]
    first = max(day - SOAKED_DAYS, 0)
    outer = [np.tile(air.moisture[:, first * HOURS_A_DAY // AIR_HOURS :], (3, 1)) for air in felt]
    wood = Slabs.together(*[natures.board, natures.frame, natures.bed] * count)
    noons = at_noon(wood, np.vstack(outer)).reshape(count, 3, len(fleet.instruments), -1)
    noons = np.pad(noons, ((0, 0), (0, 0), (0, 0), (first, 0)), mode="edge")
    for spec, air, moist in zip(specs, felt, noons, strict=True):
        states = states_of(spec, line, fleet.instruments, natures, air, moist, playing)
        yield replace(real, **{name: _continued(getattr(real, name), states[name], day) for name in STATES})


def _continued(past: Floats, other: Floats, day: int) -> Floats:
    """The past up to a day, carried on by the changes of another course."""
    return np.concatenate(
        [past[..., : day + 1], past[..., [day]] + other[..., day + 1 :] - other[..., [day]]], axis=-1
    )
