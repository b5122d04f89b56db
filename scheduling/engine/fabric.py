"""The air and wood behind a fleet: seasons of rooms, what each instrument felt, and shared clocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from scheduling.engine import air, priors
from scheduling.engine.air import Season
from scheduling.engine.airpath import AirPath, joined, room_path
from scheduling.engine.cases import TAU_FACTORS, Case
from scheduling.engine.deviation import Wood, played, travelled
from scheduling.engine.held_air import held_air
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.subjects import Playing, RoomAir, Subject
from scheduling.engine.year_shape import year_shapes

Floats = NDArray[np.float64]

WARM_UP_DAYS = 730  # [d] of air before the first service: eight times the longest lag on the grid
LONGEST_MEMORY_DAYS = 5844  # [d], 16 years; an older service is treated as that old


@dataclass(frozen=True)
class Group:
    """Cases that felt the same air with the same wood.

    Attributes
    ----------
    members : tuple of int
        Their places in the fleet.
    woods : tuple of Wood
        One per time-constant factor; a single one where nothing swells.
    playing_days, travel : array, shape (n,)
        Running usual playing days, and moisture travelled by the key frame [fraction].
    warmth : array, shape (n,)
        Expected temperature of the room [degC].
    """

    first_day: int
    members: tuple[int, ...]
    woods: tuple[Wood, ...]
    playing_days: Floats
    travel: Floats
    warmth: Floats

    def place(self, days: NDArray[np.int64]) -> NDArray[np.int64]:
        """Places of days on the grid; days before it count as its first."""
        return np.maximum(np.asarray(days) - self.first_day, 0)


@dataclass(frozen=True)
class Fabric:
    """All rooms of a site on one grid of days."""

    first_day: int
    last_day: int
    moisture: dict[str, AirPath]
    warmth: dict[str, Floats]
    humidity_seasons: dict[str, Season]
    rooms: dict[str, RoomAir]
    playing: Playing

    def spans(self, subject: Subject) -> tuple[tuple[int, str], ...]:
        """Places on the grid from which the subject stood in each room; the first stay reaches back."""
        spans: list[tuple[int, str]] = []
        for stay in subject.stays:
            start = max(stay.from_day - self.first_day, 0)
            if start > self.last_day - self.first_day:
                break
            if spans and spans[-1][0] == start:
                spans.pop()
            if not spans or spans[-1][1] != stay.room:
                spans.append((start, stay.room))
        spans = spans or [(0, "")]
        return ((0, spans[0][1]), *spans[1:])

    @cached_property
    def playing_days(self) -> Floats:
        """Running sum of usual playing days over the grid."""
        return played(self.playing, self.first_day, self.last_day - self.first_day + 1)

    def groups(self, cases: Sequence[Case]) -> list[Group]:
        """Sort cases by what they felt."""
        sorted_cases: dict[
            tuple[tuple[tuple[int, str], ...], str, tuple[tuple[float, float], ...]], list[int]
        ] = {}
        for place, case in enumerate(cases):
            key = (self.spans(case.subject), case.subject.service, case.prior.components)
            sorted_cases.setdefault(key, []).append(place)
        felt: dict[tuple[tuple[int, str], ...], tuple[AirPath, Floats, Floats]] = {}
        groups = []
        for (spans, _, components), members in sorted_cases.items():
            if spans not in felt:
                path = joined(self.moisture, spans)
                felt[spans] = path, travelled(path, priors.KEY_FRAME_TAU), self._warmth_felt(spans)
            path, travel, warmth = felt[spans]
            factors = TAU_FACTORS if components else np.ones(1)
            woods = [
                Wood(path, tuple((sign, tau * factor) for sign, tau in components)) for factor in factors
            ]
            clocks = self.playing_days, travel, warmth
            groups.append(Group(self.first_day, tuple(members), tuple(woods), *clocks))
        return groups

    def _warmth_felt(self, spans: Sequence[tuple[int, str]]) -> Floats:
        warmth = np.empty(self.last_day - self.first_day + 1)
        for start, room in spans:
            warmth[start:] = self.warmth[room][start:]
        return warmth


def weave(
    rooms: Sequence[RoomAir],
    cases: Sequence[Case],
    playing: Playing,
    today: int,
    horizon_days: int,
    earliest: int | None = None,
) -> Fabric:
    """Fit all seasons and lay every room's air out on one grid of days.

    Parameters
    ----------
    earliest : int, optional
        The oldest service that matters; of the last ones, if not given.

    Raises
    ------
    ValueError
        If two rooms share a name, or a room's readings are impossible.

    Notes
    -----
    A room that no `RoomAir` describes has no readings: it leans on its site, or on the prior season. The
    seasons of all rooms are fitted, since they lean on each other; only rooms that somebody stood in are
    laid out. Of temperature the expected course alone is laid out: a kelvin is worth a third of a cent, far
    less than the air's humidity leaves open.
    """
    known = _named(rooms, cases)
    history = {name: _moisture_history(room, today) for name, room in known.items()}
    buildings = {name: room.building for name, room in known.items()}
    earliest = min([case.last_day for case in cases] + [today if earliest is None else earliest])
    first_day = max(earliest - WARM_UP_DAYS, today - LONGEST_MEMORY_DAYS)
    last_day = today + horizon_days
    read = {
        name: (days, known[name].temp_c[: len(days)], known[name].rh[: len(days)])
        for name, (days, _) in history.items()
    }
    shapes = year_shapes(read, buildings)
    moist = {name: shape.moisture for name, shape in shapes.items()}
    seasons = air.fit_seasons(history, buildings, air.MOISTURE, moist)
    stood_in = sorted({"", *(stay.room for case in cases for stay in case.subject.stays)})
    moisture = {
        name: room_path(
            seasons[name], air.MOISTURE, *history[name], first_day, last_day, bool(known[name].borrowed_from)
        )
        for name in stood_in
    }
    warm = {name: (days, temp_c) for name, (days, temp_c, _) in read.items()}
    warm_seasons = air.fit_seasons(
        warm, buildings, air.WARMTH, {name: shape.warmth for name, shape in shapes.items()}
    )
    warmth = {
        name: room_path(warm_seasons[name], air.WARMTH, *warm[name], first_day, last_day).mean
        for name in stood_in
    }
    moisture = {name: held_air(path, known[name], today) for name, path in moisture.items()}
    humidity_seasons = air.fit_seasons(
        {name: (days, rh) for name, (days, _, rh) in read.items()},
        buildings,
        air.HUMIDITY,
        {name: shape.humidity for name, shape in shapes.items()},
    )
    return Fabric(first_day, last_day, moisture, warmth, humidity_seasons, known, playing)


def _named(rooms: Sequence[RoomAir], cases: Sequence[Case]) -> dict[str, RoomAir]:
    known: dict[str, RoomAir] = {}
    for room in rooms:
        if room.room in known:
            raise ValueError(f"room {room.room!r} is given twice")
        known[room.room] = room
    nothing = np.array([], dtype=np.int64), np.array([]), np.array([])
    for name in [stay.room for case in cases for stay in case.subject.stays] + [""]:
        known.setdefault(name, RoomAir(name, "", *nothing))
    return known


def _moisture_history(room: RoomAir, today: int) -> tuple[NDArray[np.int64], Floats]:
    """Daily equilibrium moisture up to today."""
    if not len(room.days) == len(room.temp_c) == len(room.rh):
        raise ValueError(f"room {room.room!r}: days, temperatures and humidities differ in length")
    if np.any(np.diff(room.days) <= 0):
        raise ValueError(f"room {room.room!r}: days must rise")
    if not (np.isfinite(room.temp_c).all() and np.isfinite(room.rh).all()):
        raise ValueError(f"room {room.room!r}: a daily mean is not a number; leave such days out")
    count = int(np.searchsorted(room.days, today, side="right"))
    try:
        values = equilibrium_moisture(room.temp_c[:count], room.rh[:count])
    except ValueError as error:
        raise ValueError(f"room {room.room!r}: {error}") from error
    return np.asarray(room.days[:count], np.int64), values
