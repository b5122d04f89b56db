"""The air of a room whose humidity is going to be held to a band: what was foreseen, cut off at its ends."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from scheduling.engine.airpath import AirPath, Noise
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.subjects import Band, RoomAir

Floats = NDArray[np.float64]

ROOM_TEMP_C = 21.0  # where the room has no reading; prior: common practice, no source
LAST_YEAR_DAYS = 365


def held_air(path: AirPath, room: RoomAir, today: int) -> AirPath:
    """Hold the days to come of a room's moisture within the band its humidity is held to.

    Parameters
    ----------
    path : AirPath
        Equilibrium moisture as foreseen without holding [fraction].
    room : RoomAir
        Without a band the path is returned as it is.
    today : int
        Days up to it have been and stay what they were.

    Raises
    ------
    ValueError
        Where the band is none: its ends must rise and lie within 0..1.

    Notes
    -----
    The ends are humidities, taken as moisture (:func:`moisture_ends`). Each day's normal distribution is cut
    off at the ends, what lies beyond gathering there, and replaced by the normal one of the same mean and
    variance (:func:`cut_off`); a day hangs on the day before as it did, or less where the doubt shrinks
    faster than that. So a day that would have stayed within the band is hardly changed, and one far outside
    is held at an end with next to no doubt.
    """
    if room.band is None:
        return path
    low, high = moisture_ends(room, room.band, today)
    start = max(room.band.from_day, today + 1) - path.first_day
    return held_between(path, low, high, min(max(start, 0), len(path.mean)))


def moisture_ends(room: RoomAir, band: Band, today: int) -> tuple[float, float]:
    """The ends of a band of humidity as equilibrium moisture [fraction].

    Raises
    ------
    ValueError
        Where the band is none: its ends must rise and lie within 0..1.

    Notes
    -----
    Taken at the room's mean temperature of its last year of readings.
    """
    if not 0.0 <= band.low_rh < band.high_rh <= 1.0:
        raise ValueError(
            f"room {room.room!r}: humidity held between {band.low_rh:g} and {band.high_rh:g}, expected "
            "fractions that rise; percentages?"
        )
    last_year = (room.days > today - LAST_YEAR_DAYS) & (room.days <= today)
    temp_c = float(room.temp_c[last_year].mean()) if last_year.any() else ROOM_TEMP_C
    low, high = equilibrium_moisture(temp_c, np.array([band.low_rh, band.high_rh]))
    return float(low), float(high)


def held_between(path: AirPath, low: float, high: float, start: int) -> AirPath:
    """Cut a path off at two values from a place on; days before it are untouched.

    Parameters
    ----------
    path : AirPath
    low, high : float
        In the unit of the path.
    start : int
        First place that is held.
    """
    variance = (path.season_doubt**2).sum(axis=1) + sum(noise.variance for noise in path.noises)
    sd = np.sqrt(variance)
    mean, held_sd = cut_off(path.mean, sd, low, high)
    share = np.divide(held_sd, sd, out=np.zeros_like(sd), where=sd > 0)
    mean[:start], share[:start] = path.mean[:start], 1.0
    noises = tuple(_scaled(noise, share) for noise in path.noises)
    return AirPath(path.first_day, mean, path.season_doubt * share[:, None], noises)


def cut_off(mean: Floats, sd: Floats, low: float, high: float) -> tuple[Floats, Floats]:
    """Mean and standard deviation of normal values when what lies beyond two ends is put at the end.

    Notes
    -----
    With a = (low - mean)/sd and b = (high - mean)/sd, and F, f the standard normal distribution and density:
    mean' = low F(a) + high (1 - F(b)) + mean (F(b) - F(a)) + sd (f(a) - f(b)); the second moment likewise
    (elementary integrals of the normal density; no source needed).
    """
    safe = np.where(sd > 0, sd, 1.0)
    a, b = (low - mean) / safe, (high - mean) / safe
    below, above = ndtr(a), ndtr(-b)
    within = 1.0 - below - above
    at_a, at_b = _density(a), _density(b)
    first = low * below + high * above + mean * within + sd * (at_a - at_b)
    # Moments around an end close by, so that nothing cancels where the sd is small beside the mean.
    centre = np.clip(mean, low, high)
    off = mean - centre
    square = (low - centre) ** 2 * below + (high - centre) ** 2 * above
    square += (off**2 + sd**2) * within + 2 * off * sd * (at_a - at_b) + sd**2 * (a * at_a - b * at_b)
    spread = np.sqrt(np.maximum(square - (first - centre) ** 2, 0.0))
    certain = sd <= 0
    return np.where(certain, centre, first), np.where(certain, 0.0, spread)


def _density(z: Floats) -> Floats:
    # Far outside the density is 0, and so is its product with z.
    held = np.clip(z, -38.0, 38.0)
    return np.asarray(np.exp(-0.5 * held**2) / np.sqrt(2 * np.pi), float)


def _scaled(noise: Noise, share: Floats) -> Noise:
    """The process with each day's standard deviation times a share; its memory never grows."""
    variance = share**2 * noise.variance
    before = np.concatenate([[0.0], variance[:-1]])
    most = np.sqrt(np.divide(variance, before, out=np.zeros_like(before), where=before > 0))
    keep = np.minimum(noise.keep, most)
    return Noise(keep, np.sqrt(np.maximum(variance - keep**2 * before, 0.0)))
