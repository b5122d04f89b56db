"""How large an invented fleet is, how hard its climate swings, and the hours its air is simulated on."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]

WARM_UP_DAYS = 365
HOURS_A_DAY = 24


@dataclass(frozen=True)
class FleetSpec:
    """What is asked of the generator; the same spec and day give the same bytes.

    Attributes
    ----------
    name : str
        Name of the site.
    n_instruments, n_rooms : int
        Instruments in the fleet and rooms they stand in.
    seed : int
        Every random stream is derived from it.
    climate_swing : float
        Factor on the yearly swing of the outdoor air; 0 is a place without seasons.
    years : int
        Years of readings and records up to the day it is made for.
    days_after : int
        Days after that day for which the hidden truth is wanted as well.
    reading_minutes : int
        Minutes between two readings of a sensor, a divisor of 60.
    faults : bool
        Whether sensors fail the way sensors do: stuck, silent, jumping.
    """

    name: str = "Halvermoor Conservatory"
    n_instruments: int = 60
    n_rooms: int = 30
    seed: int = 20_260_901
    climate_swing: float = 1.0
    years: int = 2
    days_after: int = 0
    reading_minutes: int = 60
    faults: bool = True

    def __post_init__(self) -> None:
        if self.n_instruments < 1 or self.n_rooms < 1 or self.years < 1 or self.days_after < 0:
            raise ValueError("a fleet needs an instrument, a room and a year, and no negative days after")
        if self.reading_minutes < 1 or 60 % self.reading_minutes:
            raise ValueError(f"reading_minutes {self.reading_minutes} is not a divisor of 60")
        if self.climate_swing < 0:
            raise ValueError(f"climate_swing {self.climate_swing} is negative")

    def stream(self, name: str, number: int = 0) -> np.random.Generator:
        """Return the random stream of a purpose; one purpose never disturbs another."""
        return np.random.default_rng([self.seed, zlib.crc32(name.encode()), number])


DEMO = FleetSpec()


@dataclass(frozen=True)
class Timeline:
    """The days of an invented history; its hours are UTC.

    Attributes
    ----------
    first : date
        First simulated day; a year before anything is written, so that wood and records have a past.
    recorded : date
        First day of readings and records.
    today, end : date
        The day the fleet is made for, and the day after the last simulated one.
    """

    first: date
    recorded: date
    today: date
    end: date

    @classmethod
    def of(cls, spec: FleetSpec, today: date) -> Timeline:
        """Return the timeline of a spec around a day."""
        recorded = today - timedelta(days=365 * spec.years)
        return cls(
            recorded - timedelta(days=WARM_UP_DAYS),
            recorded,
            today,
            today + timedelta(days=1 + spec.days_after),
        )

    @property
    def n_days(self) -> int:
        """Number of simulated days."""
        return (self.end - self.first).days

    @property
    def n_hours(self) -> int:
        """Number of simulated hours."""
        return self.n_days * HOURS_A_DAY

    def index(self, day: date) -> int:
        """Return the position of a day."""
        return (day - self.first).days

    def day(self, index: int) -> date:
        """Return the day at a position."""
        return self.first + timedelta(days=int(index))

    def days(self) -> list[date]:
        """Return all simulated days."""
        return [self.day(index) for index in range(self.n_days)]

    def first_instant(self) -> datetime:
        """Return the instant of the first simulated hour."""
        return datetime(self.first.year, self.first.month, self.first.day, tzinfo=UTC)

    def year_phase(self) -> Floats:
        """Return the angle of the year by hour [rad]: zero on 20 January, when it is coldest."""
        coldest = date(self.first.year, 1, 20)
        hours = np.arange(self.n_hours) / HOURS_A_DAY + (self.first - coldest).days
        return np.asarray(2 * np.pi * hours / 365.2425)

    def hour_of_day(self) -> Floats:
        """Return the hour on the wall, an hour ahead of UTC all year [h]."""
        return np.asarray((np.arange(self.n_hours) + 1) % HOURS_A_DAY, float)


def wandering(rng: np.random.Generator, n: int, spread: float, days: float) -> Floats:
    """Return a stationary first-order wander with a standard deviation and a time constant.

    Parameters
    ----------
    spread : float
        Standard deviation, in the unit of what wanders.
    days : float
        Time constant [d]; a step is an hour.

    Returns
    -------
    float array, shape (n,)
        A longer draw from the same stream begins with the same values.
    """
    keep = float(np.exp(-1 / (HOURS_A_DAY * days)))
    noise = rng.standard_normal(n)
    noise[1:] *= np.sqrt(1 - keep**2)
    return spread * np.asarray(lfilter([1.0], [1.0, -keep], noise))
