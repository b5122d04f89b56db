"""Which readings of a room are doubtful: a stuck sensor, or a jump that no room makes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fleet.local_time import HOUR, SECOND, Micros
from fleet.models.air import Doubt

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]

#: Doubts by code; a reading with code 0 is trusted.
DOUBTS = (Doubt.NONE.value, Doubt.STUCK.value, Doubt.JUMP.value)
TRUSTED, STUCK, JUMP = range(3)

# Every figure below is a prior: common practice, no source.
STUCK_HOURS = 12.0  # [h] unchanged for so long, in both quantities
STUCK_READINGS = 6  # [-] and in at least so many readings
STUCK_GAP_HOURS = 6.0  # [h] a longer silence says nothing of what lies before and after it
JUMP_RH = 0.25  # [-] humidity, further than a room goes and comes back within the time below
JUMP_K = 8.0  # [K] temperature, likewise
JUMP_MINUTES = 65.0  # [min] an hour, and a little for loggers whose clock wobbles

JUMP_US = int(JUMP_MINUTES * 60 * SECOND)


def doubts(times: Micros, temp_c: Floats, rh: Floats) -> Codes:
    """Return the doubt of each reading of one room.

    Parameters
    ----------
    times : (n,) instants in rising order [µs]
    temp_c : (n,) temperature [°C]
    rh : (n,) relative humidity [fraction]

    Returns
    -------
    (n,) codes into :data:`DOUBTS`

    Notes
    -----
    *Stuck*: both values exactly the same for 12 hours and 6 readings, after the room had been seen to move.
    Air that never moved from the first reading on is trusted, since nothing says that it can move. A sensor
    that shows whole degrees and whole percents in a well-held room can be stuck by this rule without being
    broken.

    *Jump*: further than 0.25 or 8 K from a reading within the hour before and from one within the hour
    after, on the same side. A step that stays is not a jump, and readings further apart than an hour are
    never judged. Thresholds are priors: common practice, no source.
    """
    codes = np.where(stuck(times, temp_c, rh), STUCK, TRUSTED)
    jumped = excursions(times, rh, JUMP_RH) | excursions(times, temp_c, JUMP_K)
    return np.where((codes == TRUSTED) & jumped, JUMP, codes).astype(np.int8)


def stuck(times: Micros, temp_c: Floats, rh: Floats) -> NDArray[np.bool_]:
    """Return which readings belong to an unchanged run that is too long to be true, shape (n,)."""
    if not len(times):
        return np.zeros(0, bool)
    moved = (np.diff(rh) != 0) | (np.diff(temp_c) != 0)
    breaks = moved | (np.diff(times) > STUCK_GAP_HOURS * HOUR)
    run = np.concatenate([[0], np.cumsum(breaks)])
    first = np.concatenate([[0], np.flatnonzero(breaks) + 1])
    last = np.concatenate([first[1:], [len(times)]]) - 1
    moves_before = np.concatenate([[0], np.cumsum(moved)])[first]
    too_long = (
        (times[last] - times[first] >= STUCK_HOURS * HOUR)
        & (last - first + 1 >= STUCK_READINGS)
        & (moves_before > 0)
    )
    return np.asarray(too_long[run])


def excursions(times: Micros, values: Floats, size: float) -> NDArray[np.bool_]:
    """Return which readings stand out by more than a size from the hour before and the hour after, (n,)."""
    if not len(times) or np.ptp(values) <= size:
        return np.zeros(len(times), bool)
    here = np.arange(len(times))
    before = np.searchsorted(times, times - JUMP_US, side="left")
    after = np.searchsorted(times, times + JUMP_US, side="right")
    both = (before < here) & (after > here + 1)
    out = np.zeros(len(times), bool)
    for sign in (1, -1):
        lowest_before = _lowest(sign * values, before, here)
        lowest_after = _lowest(sign * values, here + 1, after)
        out |= (sign * values - np.maximum(lowest_before, lowest_after)) > size
    return out & both


def _lowest(values: Floats, start: NDArray[np.int64], end: NDArray[np.int64]) -> Floats:
    """Return the lowest of each stretch from start to before end; anything where a stretch is empty."""
    padded = np.append(values, np.inf)
    bounds = np.column_stack([start, end]).ravel()
    return np.asarray(np.minimum.reduceat(padded, bounds)[::2])
