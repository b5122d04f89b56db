"""Which service of an instrument waits for which other, as rules of the season's problem."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from scheduling.engine.said import worded
from scheduling.engine.season import Requirement, recent_visit, service_days, still_in_tolerance
from scheduling.engine.subjects import Floats
from scheduling.inputs import Line

# A regulation trusts a bedding for so many weeks; common practice, no source.
BEDDING_LASTS_WEEKS = 4


@dataclass(frozen=True)
class Standing:
    """What the rules are read from.

    ``done`` holds, by line, the weeks in which its service is done anyway: recorded ones (0 is the week
    before the first) and dated ones. ``since_last`` and ``after`` are the probabilities of being out.
    """

    lines: Sequence[Line]
    done: Sequence[Collection[int]]
    since_last: Floats
    after: Floats

    @property
    def weeks(self) -> int:
        """Weeks of the season."""
        return int(self.after.shape[1])


def service_order(standing: Standing) -> list[Requirement]:
    """Return the rules between the services of each instrument, common practice, no source."""
    by_instrument: dict[int, dict[str, int]] = defaultdict(dict)
    for n, line in enumerate(standing.lines):
        by_instrument[line.instrument_id][line.subject.service] = n
    return [
        rule(standing, services[job], services[on])
        for services in by_instrument.values()
        for job, on, rule in ORDER
        if job in services and on in services
    ]


def _bedded(standing: Standing, job: int, on: int) -> Requirement:
    return recent_visit(
        job,
        on,
        standing.weeks,
        BEDDING_LASTS_WEEKS,
        worded("bedding before regulation"),
        worded("a frame is bedded at most four weeks before it is regulated"),
        sorted(standing.done[on]),
    )


def _tuned(standing: Standing, job: int, on: int) -> Requirement:
    return recent_visit(
        job,
        on,
        standing.weeks,
        0,
        worded("tuning with voicing"),
        worded("tone is judged on an instrument tuned in the same week"),
        sorted(standing.done[on]),
    )


def _regulated(standing: Standing, job: int, on: int) -> Requirement:
    step = service_days(standing.weeks)
    out = np.vstack([standing.since_last[on, step], standing.after[on][:, step]])
    return still_in_tolerance(
        job, on, out, worded("regulation before voicing"), worded("an action out of regulation is not voiced")
    )


ORDER = (
    ("regulation", "bedding", _bedded),
    ("voicing", "tuning", _tuned),
    ("voicing", "regulation", _regulated),
)
