"""What the sensors in the invented rooms wrote: offsets, noise, silences, a stuck one and a few jumps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from fleet.demo.fleet import InventedFleet
from fleet.demo.house import TIME_ZONE, RoomPlan
from fleet.demo.spec import HOURS_A_DAY, FleetSpec, Floats

# Days before today on which a fault begins, and how many days it lasts.
STUCK = (300, 21)
SILENT = (185, 21)
JUMPS, JUMP_RH = 5, 0.36
SHORT_SILENCES, LONGEST_SILENCE_HOURS = 3, 9
# Spread of what a sensor reads too much or too little, and of its noise [fraction]; prior, common practice.
UNKNOWN_OFFSET_RH, NOISE_RH, NOISE_C = 0.010, 0.003, 0.05
KNOWN_OFFSETS_RH = (-0.030, 0.025)  # two sensors whose check showed what they read too much


@dataclass(frozen=True)
class SensorFaults:
    """Rooms, by position, whose sensors fail in a way of their own."""

    stuck: int | None
    silent: int | None
    jumping: int | None
    known_offset: dict[int, float]


@dataclass(frozen=True)
class RoomReadings:
    """Readings of one room: positions in the list of instants, tenths of a degree and of a percent."""

    room: RoomPlan
    positions: NDArray[np.int64]
    tenths_c: NDArray[np.int64]
    tenths_percent: NDArray[np.int64]


def faults_of(spec: FleetSpec, rooms: tuple[RoomPlan, ...]) -> SensorFaults:
    """Return which sensors fail; nowhere where the spec wants none or the house is too small for it."""
    sensed = [number for number, room in enumerate(rooms) if room.has_sensor]
    if not spec.faults or len(sensed) < 5:
        return SensorFaults(None, None, None, {})
    stuck, silent, jumping, *known = (
        sensed[int(share * len(sensed))] for share in (0.25, 0.4, 0.55, 0.7, 0.85)
    )
    return SensorFaults(stuck, silent, jumping, dict(zip(known, KNOWN_OFFSETS_RH, strict=True)))


def instants(fleet: InventedFleet) -> list[datetime]:
    """Return the instants of all readings: up to the midnight with which today begins at the site."""
    step = timedelta(minutes=fleet.spec.reading_minutes)
    first = datetime.combine(fleet.line.recorded, time(0), UTC)
    midnight = datetime.combine(fleet.line.today, time(0), ZoneInfo(TIME_ZONE))
    return [first + step * number for number in range(-((first - midnight) // step))]


def readings(fleet: InventedFleet) -> Iterator[RoomReadings]:
    """Give what the sensor of each room wrote, room by room."""
    faults = faults_of(fleet.spec, fleet.rooms)
    when = instants(fleet)
    begin = fleet.line.index(fleet.line.recorded) * HOURS_A_DAY
    hours = begin + np.arange(len(when)) * fleet.spec.reading_minutes / 60
    clock = np.arange(fleet.line.n_hours)
    for number, room in enumerate(fleet.rooms):
        if not room.has_sensor:
            continue
        rng = fleet.spec.stream("sensors", number)
        offset = faults.known_offset.get(number, rng.normal(0, UNKNOWN_OFFSET_RH))
        temp = np.interp(hours, clock, fleet.air.temp_c[number]) + rng.normal(0, NOISE_C, hours.size)
        rh = np.interp(hours, clock, fleet.air.rh[number]) + offset + rng.normal(0, NOISE_RH, hours.size)
        kept = spoil(fleet, rng, faults, number, temp, rh)
        yield RoomReadings(room, np.flatnonzero(kept), tenths(temp[kept], 1), tenths(rh[kept], 100))


def tenths(values: Floats, factor: float) -> NDArray[np.int64]:
    """Return values times a factor in tenths, the step in which a sensor writes."""
    return np.rint(values * factor * 10).astype(np.int64)


def spoil(
    fleet: InventedFleet,
    rng: np.random.Generator,
    faults: SensorFaults,
    number: int,
    temp: Floats,
    rh: Floats,
) -> NDArray[np.bool_]:
    """Let a sensor fail in place and return which of its readings exist."""
    np.clip(rh, 0.01, 0.99, out=rh)
    kept = np.ones(rh.size, bool)
    if not fleet.spec.faults:
        return kept
    hourly = 60 // fleet.spec.reading_minutes
    for start in rng.integers(0, rh.size, SHORT_SILENCES):
        kept[start : start + hourly * int(rng.integers(2, LONGEST_SILENCE_HOURS))] = False
    if number == faults.stuck:
        days = stretch(fleet, STUCK)
        temp[days], rh[days], kept[days] = temp[days.start], rh[days.start], True
    if number == faults.silent:
        kept[stretch(fleet, SILENT)] = False
    if number == faults.jumping:
        rh[rng.choice(rh.size, JUMPS, replace=False)] += JUMP_RH
        np.clip(rh, 0.01, 0.99, out=rh)
    return kept


def stretch(fleet: InventedFleet, fault: tuple[int, int]) -> slice:
    """Return the positions of the readings of a fault given as days before today and how long it lasts."""
    each_day = HOURS_A_DAY * 60 // fleet.spec.reading_minutes
    begin = (fleet.line.index(fleet.line.today) - fault[0] - fleet.line.index(fleet.line.recorded)) * each_day
    return slice(begin, begin + fault[1] * each_day)


def sensor_rows(fleet: InventedFleet) -> Iterator[tuple[str, str, date, date | None, float | None]]:
    """Give sensor, room, first and last day, percent to add to what it reads; the stuck one was replaced."""
    faults = faults_of(fleet.spec, fleet.rooms)
    came = fleet.line.recorded
    for number, room in enumerate(fleet.rooms):
        if not room.has_sensor:
            continue
        name = f"S{number + 1:02d}"
        offset = faults.known_offset.get(number)
        to_add = None if offset is None else round(-100 * offset, 1)
        if number == faults.stuck:
            replaced = fleet.line.today - timedelta(days=STUCK[0] - STUCK[1])
            yield f"{name}-old", room.name, came, replaced - timedelta(days=1), None
            came_now = replaced
        else:
            came_now = came
        yield name, room.name, came_now, None, to_add
