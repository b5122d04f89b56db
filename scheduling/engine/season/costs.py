"""Expected weighted days out of tolerance between any two visits of a season."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Reset:
    """A service that happens on a fixed day whatever is planned, such as the tuning before a concert.

    ``row`` is the job's row in the tables, ``day`` the day of the season (0 = Monday of week 1) and ``after``
    the probability of being out of tolerance on each day of the season [D] when last served that day.
    """

    row: int
    day: int
    after: Floats


def service_days(weeks: int) -> NDArray[np.int64]:
    """Day of the season on which the visit of each week counts: its fourth day, 7(w-1)+3."""
    return 7 * np.arange(weeks, dtype=np.int64) + 3


def arc_costs(
    since_last: Floats,
    after: Floats,
    factor: Floats,
    service_day_index: NDArray[np.int64],
    resets: Sequence[Reset] = (),
) -> Floats:
    """Cost of every arc between two visits of every job.

    Parameters
    ----------
    since_last : ndarray, shape (n, D)
        Probability of being out of tolerance on each day when last served before the season.
    after : ndarray, shape (n, W, D)
        The same when last served in week w (row w-1); days before the visit are not read.
    factor : ndarray, shape (n, D)
        Weight of a day out of tolerance, terms included [1/d]; ones give unweighted days.
    service_day_index : ndarray of int, shape (W,)
        Day on which the visit of each week counts.
    resets : sequence of Reset
        Dated services that happen anyway.

    Returns
    -------
    ndarray, shape (n, W+2, W+2)
        ``[:, s, e]`` is the sum of factor x probability over the days from the visit at s, that day included,
        up to the day before the visit at e. Entries with e <= s are zero.

    Raises
    ------
    ValueError
        When shapes disagree, a probability is outside 0..1 or a factor is negative.
    """
    n, days = since_last.shape
    weeks = len(service_day_index)
    _check(since_last, after, factor, service_day_index, resets)
    starts = np.concatenate([[0], service_day_index]).astype(np.int64)
    arcs = np.zeros((n, weeks + 2, weeks + 2))
    for node, start in enumerate(starts):
        curve = (since_last if node == 0 else after[:, node - 1]).copy()
        for reset in sorted(resets, key=lambda r: r.day):
            if reset.day >= start:
                curve[reset.row, reset.day :] = reset.after[reset.day :]
        # a service of week 1 may count from day 0 itself, so node 0 may cover no day at all
        cuts = np.append(starts[node:], days) - start
        running = np.zeros((n, days - start + 1))
        np.cumsum(curve[:, start:] * factor[:, start:], axis=1, out=running[:, 1:])
        arcs[:, node, node + 1 :] = running[:, cuts[1:]]
    return arcs


def _check(
    since_last: Floats,
    after: Floats,
    factor: Floats,
    service_day_index: NDArray[np.int64],
    resets: Sequence[Reset],
) -> None:
    n, days = since_last.shape
    if after.shape != (n, len(service_day_index), days) or factor.shape != (n, days):
        raise ValueError(
            f"shapes disagree: since_last {since_last.shape}, after {after.shape}, factor {factor.shape}"
        )
    if np.any(np.diff(service_day_index) <= 0) or np.any(
        (service_day_index < 0) | (service_day_index >= days)
    ):
        raise ValueError("service days must increase and lie within the season")
    if not np.all((since_last >= 0) & (since_last <= 1)):
        raise ValueError("a probability since the last service is outside 0..1")
    for week, day in enumerate(service_day_index):
        read = after[:, week, day:]
        if not np.all((read >= 0) & (read <= 1)):
            raise ValueError(f"a probability after a visit in week {week + 1} is outside 0..1")
    if not np.all(np.isfinite(factor) & (factor >= 0)):
        raise ValueError("a weight of a day out is negative or missing")
    for reset in resets:
        if not (0 <= reset.row < n and 0 <= reset.day < days and reset.after.shape == (days,)):
            raise ValueError(f"a dated service of row {reset.row} on day {reset.day} is outside the season")
