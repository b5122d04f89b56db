"""What the outdoor air becomes inside: heated, breathed in, let out, humidified and dried, hour by hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from fleet.demo.house import RoomPlan
from fleet.demo.spec import HOURS_A_DAY, FleetSpec, Floats, Timeline, wandering
from fleet.demo.weather import OutdoorAir, relative_humidity

# Outdoor temperature, smoothed, below which the heating runs; common practice, no source.
HEATING_LIMIT_C = 14.0
DRIEST, DAMPEST = 0.08, 0.92


@dataclass(frozen=True)
class IndoorAir:
    """True air of every room: temperature [degC] and relative humidity [fraction], shape (rooms, hours)."""

    temp_c: Floats
    rh: Floats


def following(values: Floats, hours: float) -> Floats:
    """Return hourly values followed with a first-order lag [h], starting settled."""
    keep = float(np.exp(-1.0 / hours))
    followed, _ = lfilter([1 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(followed)


def indoor_air(
    spec: FleetSpec, line: Timeline, rooms: Sequence[RoomPlan], outdoor: OutdoorAir, playing: Floats
) -> IndoorAir:
    """Return the true air of every room; `playing` is the factor on the hours played, by day."""
    awake = np.exp(-0.5 * ((line.hour_of_day() - 14.5) / 4.0) ** 2)
    occupied = awake * np.repeat(playing, HOURS_A_DAY)
    temp = np.empty((len(rooms), line.n_hours))
    rh = np.empty_like(temp)
    for number, room in enumerate(rooms):
        temp[number] = room_temperature(spec, line, room, number, outdoor, awake)
        rh[number] = room_humidity(spec, room, number, outdoor, temp[number], occupied)
    return IndoorAir(temp, rh)


def room_temperature(
    spec: FleetSpec, line: Timeline, room: RoomPlan, number: int, outdoor: OutdoorAir, awake: Floats
) -> Floats:
    """Return the temperature of a room: its set point while the heating runs, else what summer makes it."""
    smooth = following(outdoor.temp_c, 72.0)
    heating = 1 / (1 + np.exp((smooth - HEATING_LIMIT_C) / 1.2))
    heated = room.heated_to_c - room.setback_k * (1 - awake)
    free = np.clip(following(outdoor.temp_c, 40.0) + 4.5, room.heated_to_c - 1.5, 29.0)
    wander = wandering(spec.stream("room warmth", number), line.n_hours, 0.35, 0.6)
    return np.asarray(heating * heated + (1 - heating) * free + wander)


def room_humidity(
    spec: FleetSpec, room: RoomPlan, number: int, outdoor: OutdoorAir, temp_c: Floats, occupied: Floats
) -> Floats:
    """Return the relative humidity of a room after its people, its leaks and its machines."""
    ratio = following(outdoor.humidity_ratio + room.moisture_source * (0.35 + occupied), room.exchange_hours)
    rh = relative_humidity(ratio, temp_c)
    rh += wandering(spec.stream("room unrest", number), rh.size, room.unrest, 0.4)
    rh += room.humidifier_share * np.maximum(room.humidified_to - rh, 0.0)
    rh -= room.dryer_share * np.maximum(rh - room.dried_to, 0.0)
    return np.asarray(np.clip(rh, DRIEST, DAMPEST))
