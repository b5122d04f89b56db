"""A day of a room's air from irregular readings: the mean of its hourly means, and its extremes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.local_time import DAY, HOUR, LocalClock, Micros

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class DailyAir:
    """Days with at least one reading, in rising order; NaN where no reading of the day is trusted."""

    days: Ints  # (n,) local days from 1970-01-01
    readings: Ints
    doubtful: Ints
    hours_covered: Ints
    temp_c: Floats  # (n, 3) mean, lowest, highest [°C]
    rh: Floats  # (n, 3) mean, lowest, highest [fraction]


def local_days(times: Micros, clock: LocalClock) -> Ints:
    """Return the local day of each instant, counted from 1970-01-01, shape (n,)."""
    return np.floor_divide(clock.to_local(times), DAY)


def daily_air(
    times: Micros, temp_c: Floats, rh: Floats, trusted: NDArray[np.bool_], clock: LocalClock
) -> DailyAir:
    """Return the daily air of one room.

    Parameters
    ----------
    times : (n,) instants in rising order [µs]
    temp_c, rh : (n,) temperature [°C] and relative humidity [fraction], corrected for the sensor
    trusted : (n,) which readings count
    clock : the clock of the site over these instants

    Notes
    -----
    Readings are averaged within each hour from local midnight on, then the hours within the day, so that a
    burst of readings weighs no more than the hour it fell in. Hours without a reading are left out and not
    filled in. A day of 25 hours has 25 of them.
    """
    day = local_days(times, clock)
    days, where = np.unique(day, return_inverse=True)
    count = len(days)
    hour = np.clip((times - clock.midnight(day)) // HOUR, 0, 24)
    slots, slot = np.unique((where * 25 + hour)[trusted], return_inverse=True)
    slot_day = slots // 25
    return DailyAir(
        days=days,
        readings=np.bincount(where, minlength=count),
        doubtful=np.bincount(where[~trusted], minlength=count),
        hours_covered=np.bincount(slot_day, minlength=count),
        temp_c=_mean_low_high(temp_c[trusted], where[trusted], slot, slot_day, count),
        rh=_mean_low_high(rh[trusted], where[trusted], slot, slot_day, count),
    )


def _mean_low_high(values: Floats, day: Ints, slot: Ints, slot_day: Ints, count: int) -> Floats:
    """Return mean of the hourly means, lowest and highest value of each day, shape (count, 3)."""
    hourly = np.bincount(slot, values) / np.bincount(slot)
    hours = np.bincount(slot_day, minlength=count)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(slot_day, hourly, minlength=count) / hours
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, day, values)
    np.maximum.at(high, day, values)
    # A mean of equal values may leave their range by the last bit.
    table = np.column_stack([np.clip(mean, low, high), low, high])
    table[hours == 0] = np.nan
    return table
