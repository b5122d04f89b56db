"""Tunings that a performance asks for on a day: whose hours they take before anything else is planned."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from scheduling.engine.said import worded
from scheduling.engine.subjects import Floats
from scheduling.inputs import HoursOffered, Line, Performance

TUNING = "tuning"
# A tuning serves the performances of its day and of the next: within 48 hours. Common practice, no source.
SERVES_DAYS = 2


@dataclass(frozen=True)
class DatedTuning:
    """A tuning for performances; ``line`` and ``person`` are indices, ``day`` is the first performance's."""

    line: int
    day: date
    person: int
    titles: tuple[str, ...]


@dataclass
class DatedWork:
    """The dated tunings there are hours for, the hours left beside them, and words on those without."""

    tunings: list[DatedTuning]
    hours: Floats
    without_hours: list[str] = field(default_factory=list)


def dated_work(
    lines: Sequence[Line],
    performed: Iterable[Performance],
    held: Iterable[tuple[int, int]],
    offered: HoursOffered,
    start: date,
    today: date,
) -> DatedWork:
    """Give each performance its tuning within 48 hours, as far as the hours of its week reach.

    Held visits, given as (line, week from 0), keep their hours, and one of the same week stands in for the
    dated tuning. A day before today asks for nothing any more.
    """
    held = set(held)
    spare = _less_held(lines, held, offered)
    work = DatedWork([], offered.hours.copy())
    in_week: dict[tuple[int, int], int] = {}
    for line, day, titles in _demands(lines, performed, today):
        week = (day - start).days // 7
        if (line, week) in held:
            continue
        person = _who(spare[:, week], lines[line].hours, offered, in_week.get((line, week)))
        if person is None:
            work.without_hours.append(
                worded(
                    "no hours for the tuning of %(tag)s before %(title)s on %(day)s",
                    tag=lines[line].subject.instrument,
                    title=titles[0],
                    day=day,
                )
            )
            continue
        in_week[line, week] = person
        for hours in (spare, work.hours):
            hours[person, week] -= lines[line].hours
        work.tunings.append(DatedTuning(line, day, person, titles))
    return work


def _demands(
    lines: Sequence[Line], performed: Iterable[Performance], today: date
) -> list[tuple[int, date, tuple[str, ...]]]:
    """Return one demand per tuning, in order of days; a tuning already recorded serves what follows it."""
    tuned_line = {line.instrument_id: n for n, line in enumerate(lines) if line.subject.service == TUNING}
    demands: list[tuple[int, date, tuple[str, ...]]] = []
    latest: dict[int, int] = {}
    for performance in sorted(performed, key=lambda p: (p.day, p.instrument_id)):
        line = tuned_line.get(performance.instrument_id)
        if line is None or performance.day < today:
            continue
        records = lines[line].subject.answered
        if records and (performance.day - date.fromordinal(records[-1].day)).days < SERVES_DAYS:
            continue
        title = performance.title or worded("the performance")
        place = latest.get(line)
        if place is not None and performance.day - demands[place][1] < timedelta(days=SERVES_DAYS):
            demands[place] = (line, demands[place][1], (*demands[place][2], title))
            continue
        latest[line] = len(demands)
        demands.append((line, performance.day, (title,)))
    return demands


def _less_held(lines: Sequence[Line], held: set[tuple[int, int]], offered: HoursOffered) -> Floats:
    """Hours left when the held visits, longest first, are given to whoever has most left."""
    spare = offered.hours.copy()
    for line, week in sorted(held, key=lambda pair: (-lines[pair[0]].hours, pair)):
        able = list(offered.able(lines[line].subject.service))
        if able:
            person = able[int(np.argmax(spare[able, week]))]
            spare[person, week] = max(spare[person, week] - lines[line].hours, 0.0)
    return spare


def _who(spare: Floats, hours: float, offered: HoursOffered, already: int | None) -> int | None:
    """Return who tunes: whoever tuned it that week already, else who has most hours left."""
    able = [already] if already is not None else list(offered.able(TUNING))
    able = [person for person in able if spare[person] >= hours - 1e-9]
    return max(able, key=lambda person: float(spare[person])) if able else None
