"""Cosines and sines of whole cycles a year."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

YEAR_DAYS = 365.2425  # Gregorian calendar, mean year [d]


def harmonics(days: ArrayLike, cycles: int = 2) -> NDArray[np.float64]:
    """Columns 1, then cosine and sine of one cycle a year, of two, and so on; shape (n, 2 cycles + 1)."""
    turn = 2.0 * np.pi * np.asarray(days, float) / YEAR_DAYS
    waves = [wave(number * turn) for number in range(1, cycles + 1) for wave in (np.cos, np.sin)]
    return np.column_stack([np.ones_like(turn), *waves])
