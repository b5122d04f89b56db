"""What the forecast is told: room air, instruments with their records, and when they are played."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Days = NDArray[np.int64]
Floats = NDArray[np.float64]
Registers = tuple[float | None, float | None, float | None, float | None]


@dataclass(frozen=True)
class Band:
    """That a room's relative humidity is held between two values [fraction] from a day on."""

    from_day: int
    low_rh: float
    high_rh: float


@dataclass(frozen=True)
class RoomAir:
    """Daily means of the trusted readings of one room.

    Attributes
    ----------
    room, building : str
    days : int array, shape (n,)
        Days that have data, proleptic ordinals in local time, rising; may be empty.
    temp_c, rh : float array, shape (n,)
        Temperature [degC] and relative humidity [fraction].
    borrowed_from : str
        Not empty where the room has no sensor and the values come from elsewhere; doubt is then wider.
    band : Band, optional
        What the humidity is going to be held to; days up to today are what they were.
    """

    room: str
    building: str
    days: Days
    temp_c: Floats
    rh: Floats
    borrowed_from: str = ""
    band: Band | None = None


@dataclass(frozen=True)
class Stay:
    """The room an instrument stood in from a day on, until its next stay."""

    from_day: int
    room: str


@dataclass(frozen=True)
class Record:
    """One service done: the deviation found before it and left after it, in the unit of its kind.

    One that was only measured leaves what it found: a look, after which everything goes on as before.
    """

    day: int
    found: float | None
    left: float | None
    registers: Registers = (None, None, None, None)  # found in bass, tenor, middle, treble
    only_measured: bool = False


@dataclass(frozen=True)
class Knock:
    """How many glides knocked out of those tried on a day, before anything was set."""

    day: int
    knocked: int
    tried: int


@dataclass(frozen=True)
class Subject:
    """One instrument and one kind of service: what a forecast is about.

    Attributes
    ----------
    tolerance : float
        Largest deviation either way that is still in tolerance [unit].
    interval_days : float
        The calendar interval that would otherwise be used [d].
    built_day, in_service_day : int
        Proleptic ordinals.
    hours_per_week : float
        Hours played in a usual week [h].
    stays, records : tuple
        Rising by day; `records` are those of this kind of service only.
    related : mapping of service to records
        Records of the other kinds of the same instrument.
    behaves_like : str
        For an instrument kind a site has added: the known kind it behaves like.
    """

    instrument: str
    service: str
    instrument_kind: str
    use_class: str
    tolerance: float
    unit: str
    interval_days: float
    built_day: int
    in_service_day: int
    hours_per_week: float
    glides: int
    lever_front_mm: float
    lever_back_mm: float
    humidity_control: bool
    stays: tuple[Stay, ...]
    records: tuple[Record, ...]
    related: Mapping[str, tuple[Record, ...]] = field(default_factory=dict)
    behaves_like: str = ""
    knocks: tuple[Knock, ...] = ()

    @property
    def answered(self) -> tuple[Record, ...]:
        """Records by which a visit is answered: of work done, and of looks that found it in tolerance."""
        return tuple(one for one in self.records if not one.only_measured or self._bears(one.found))

    def _bears(self, found: float | None) -> bool:
        return found is not None and abs(found) <= self.tolerance


@dataclass(frozen=True)
class Playing:
    """Factor on the hours played, by day; a day that is not listed counts 1."""

    days: Days
    factor: Floats
