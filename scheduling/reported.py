"""What open note requests are worth in a season: what a player heard is out until somebody has looked.

A report says that something is out of tolerance, true so often as the site's own answers say. Until the
first visit that deals with it, the service is therefore taken to be out with at least that probability, and a
performance on the instrument in the meantime counts as so many days more. The forecast itself is not touched:
the report says nothing about the day on which the next one will be due.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduling.engine.subjects import Days, Floats
from scheduling.inputs import Line, Performance, Report

TUNING = "tuning"
# Days out that a performance with a reported note counts as. Prior: common practice, no source.
PERFORMANCE_DAYS = 14.0


@dataclass(frozen=True)
class Trouble:
    """The reports that one line's next visit deals with, how likely they are true, and what is played."""

    reports: tuple[Report, ...]
    true: float
    performances: tuple[Performance, ...]

    @property
    def first_performance(self) -> Performance | None:
        """The performance that comes first, if there is one."""
        return min(self.performances, key=lambda one: one.day, default=None)


def troubles(
    lines: Sequence[Line],
    reports: Iterable[Report],
    performed: Iterable[Performance],
    true: float,
    today: date,
) -> dict[int, Trouble]:
    """Return, by line, what has been reported and which performances from today on it would trouble."""
    by_instrument: dict[int, dict[str, int]] = defaultdict(dict)
    for n, line in enumerate(lines):
        by_instrument[line.instrument_id][line.subject.service] = n
    played: dict[int, list[Performance]] = defaultdict(list)
    for performance in performed:
        if performance.day >= today:
            played[performance.instrument_id].append(performance)
    told: dict[int, list[Report]] = defaultdict(list)
    for report in reports:
        services = by_instrument.get(report.instrument_id)
        if services:
            told[_answering(services, report.service, lines)].append(report)
    return {
        n: Trouble(tuple(several), _at_least_one(true, len(several)), tuple(played[lines[n].instrument_id]))
        for n, several in told.items()
    }


def _answering(services: dict[str, int], wanted: str, lines: Sequence[Line]) -> int:
    """Return the line whose visit deals with a report: its own kind, else a tuning, else the shortest."""
    for kind in (wanted, TUNING):
        if kind in services:
            return services[kind]
    return min(services.values(), key=lambda n: (lines[n].hours, n))


def _at_least_one(true: float, count: int) -> float:
    """Return how likely at least one of several reports is true, each by itself."""
    return float(1 - (1 - true) ** count)


def days_added(trouble: Trouble, since_last: Floats, days: Days, to_come: Floats) -> tuple[Floats, Floats]:
    """Return what a line's trouble adds to each day until it is dealt with.

    Parameters
    ----------
    trouble : Trouble
    since_last : ndarray, shape (D,)
        Probability of being out on each day by the forecast [-].
    days : ndarray, shape (D,)
        The days as ordinals.
    to_come : ndarray, shape (D,)
        1 from today on, 0 before.

    Returns
    -------
    tuple of ndarray, shape (D,)
        Days out of tolerance added [d], and the same with what performances count beyond that.
    """
    plain = np.maximum(trouble.true - since_last, 0.0) * to_come
    played = np.isin(days, [one.day.toordinal() for one in trouble.performances])
    return plain, plain + played * to_come * PERFORMANCE_DAYS * trouble.true


def add_until_visit(arcs: Floats, added: Floats, service_day_index: Days) -> None:
    """Add to the arcs from the last service to each first visit, or to none, what passes until then.

    ``arcs`` has shape (W+2, W+2) and is changed in place; ``added`` has shape (D,).
    """
    running = np.concatenate([[0.0], np.cumsum(added)])
    arcs[0, 1:] += running[np.append(service_day_index, len(added))]
