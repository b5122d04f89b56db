"""What stands elsewhere in a new plan than in the one people worked by, and why, in words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import zip_longest
from typing import Any

from scheduling.engine.said import Figure, worded
from scheduling.engine.season import SeasonResult
from scheduling.reasons import LEAST_SAVING
from scheduling.season_problem import Previous, SeasonSetup

Weeks = Sequence[int]
# A record this fresh answers for a visit that has gone from the plan [days].
RECENTLY_DAYS = 14


def what_moved(setup: SeasonSetup, result: SeasonResult, before: Previous) -> list[dict[str, Any]]:
    """Return every visit to come that has moved, gone or is new, as rows for the page and the letter.

    Each row holds the instrument's id and tag, the kind, the Mondays it moved from and to (None where it is
    new, or gone) and why. Empty where nobody worked by a plan before.
    """
    if not before:
        return []
    now: dict[int, list[int]] = defaultdict(list)
    for visit in result.visits:
        now[visit.job].append(visit.week)
    for tuning in setup.wishes.dated:
        now[tuning.line].append(setup.season.week(tuning.day))
    first = setup.season.week(max(setup.season.today, setup.season.start))
    rows = []
    for n, line in enumerate(setup.lines):
        old = before.get((line.instrument_id, line.subject.service), ())
        new = [week for week in sorted(set(now[n])) if week >= first]
        for start, end in _pairs(old, new):
            rows.append(
                {
                    "instrument": line.instrument_id,
                    "tag": line.subject.instrument,
                    "kind": line.subject.service,
                    "from": _monday(setup, start),
                    "to": _monday(setup, end),
                    "why": _why(setup, n, (start, end), old, new),
                }
            )
    return sorted(rows, key=lambda row: (row["from"] or row["to"], row["tag"], row["kind"]))


def _pairs(old: Weeks, new: Weeks) -> Iterator[tuple[int | None, int | None]]:
    """Pair, in order, the weeks that have no equal on the other side."""
    gone = [week for week in sorted(old) if week not in new]
    come = [week for week in sorted(new) if week not in old]
    yield from zip_longest(gone, come)


def _monday(setup: SeasonSetup, week: int | None) -> str | None:
    return None if week is None else setup.season.monday(week).isoformat()


def _why(setup: SeasonSetup, n: int, moved: tuple[int | None, int | None], old: Weeks, new: Weeks) -> str:
    start, end = moved
    job = setup.problem.jobs[n]
    done = [record.day for record in setup.lines[n].subject.answered]
    if end is not None and end in job.held:
        return worded("Held there by hand.")
    if end is not None and any(setup.season.week(t.day) == end for t in setup.wishes.dated if t.line == n):
        return worded("A performance asks for it in that week.")
    if start is not None and start in setup.wishes.closed.get(n, {}):
        why = setup.wishes.closed[n][start]
        return worded(
            "The week of %(week)s is closed to it: %(why)s.", week=setup.season.monday(start), why=why
        )
    if end is None and done and done[-1] >= setup.season.today.toordinal() - RECENTLY_DAYS:
        return worded("Done on %(day)s.", day=date.fromordinal(done[-1]))
    return _by_cost(path_cost(setup, n, old) - path_cost(setup, n, new))


def _by_cost(saved: float) -> str:
    if saved >= LEAST_SAVING:
        return worded(
            "By the forecast of now that spares %(saved)s weighted days out of tolerance.",
            saved=Figure(saved, ".1f"),
        )
    if saved <= -LEAST_SAVING:
        return worded(
            "Its hours spare more elsewhere; here %(more)s weighted days more are expected.",
            more=Figure(-saved, ".1f"),
        )
    return worded("It costs the same there, and makes room for others.")


def path_cost(setup: SeasonSetup, n: int, weeks: Weeks) -> float:
    """Return what a line costs with visits in these weeks [weighted d]."""
    nodes = [0, *sorted(set(weeks)), setup.season.weeks + 1]
    return float(setup.problem.jobs[n].cost[nodes[:-1], nodes[1:]].sum())


def path_days(setup: SeasonSetup, n: int, weeks: Weeks) -> float:
    """Return the expected days out of tolerance of a line with visits in these weeks, without weights [d]."""
    nodes = [0, *sorted(set(weeks)), setup.season.weeks + 1]
    return float(setup.problem.jobs[n].days_out[nodes[:-1], nodes[1:]].sum())
