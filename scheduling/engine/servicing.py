"""Futures lived day by day under a rule that says when a service is done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# From the day an instrument leaves its tolerance to the day somebody has dealt with it, where work is done as
# it falls due [d]: a week, since work is planned by weeks. Common practice, no source.
ANSWERED_AFTER = 7


@dataclass(frozen=True)
class Course:
    """A deviation as what each day adds to it, path by path.

    Attributes
    ----------
    start : array, shape (paths,)
        Deviation today [unit].
    moves : array, shape (n, paths)
        What each day from tomorrow on adds, whatever is done [unit].
    settles : array, shape (n, paths)
        What settling adds besides, fading with every service [unit].
    fade : float
        Factor on settling by a service.
    left : array, shape (n, paths)
        What a service on that day would leave [unit].
    """

    start: Floats
    moves: Floats
    settles: Floats
    fade: float
    left: Floats


@dataclass(frozen=True)
class Tally:
    """What a stretch of days came to on each path; arrays of shape (paths,)."""

    days: Floats
    weighted: Floats
    services: Floats


class Rule(Protocol):
    """When a service is done."""

    def begin(self, paths: int) -> None:
        """Forget what was, and stand at today."""

    def due(self, day: int, out: Bools) -> Bools:
        """Say on which paths a service is done on a day from today, given which are out before it."""


class ByCalendar:
    """A service whenever its interval is over, whatever it is like."""

    def __init__(self, interval_days: float, last: int) -> None:
        """Count from the last service, `last` days from today (none above 0)."""
        self._interval, self._first = interval_days, float(last)

    def begin(self, paths: int) -> None:
        """Stand at today."""
        self._last = np.full(paths, self._first)

    def due(self, day: int, out: Bools) -> Bools:
        """Every path whose interval is over."""
        now = day - self._last >= self._interval
        self._last[now] = day
        return np.asarray(now)


class OnceOut:
    """A service so many days after it has left its tolerance."""

    def __init__(self, answered_after: int = ANSWERED_AFTER) -> None:
        """Take so many days to answer."""
        self._wait = answered_after

    def begin(self, paths: int) -> None:
        """Stand at today."""
        self._called = np.full(paths, -1)

    def due(self, day: int, out: Bools) -> Bools:
        """Every path that has been called for long enough ago."""
        self._called[out & (self._called < 0)] = day
        now = (self._called >= 0) & (day - self._called >= self._wait)
        self._called[now] = -1
        return np.asarray(now)


def serviced(
    courses: Sequence[Course], limit: float, rule: Rule, window: tuple[int, int], weight: Floats
) -> Tally:
    """Live through the days under a rule and count what a stretch of them comes to.

    Parameters
    ----------
    courses : sequence of Course
        What can be out on its own and is dealt with by one service.
    limit : float
        Tolerance of each, either way [unit].
    rule : Rule
    window : tuple of int
        First day that counts and the first that does not, in days from today.
    weight : array, shape (days of the window,)

    Notes
    -----
    A day is judged after that day's service, so a service counts from its day on. Today itself is the first
    day on which one can be done.
    """
    paths = len(courses[0].start)
    state = [course.start.copy() for course in courses]
    settling = np.ones(paths)
    days, weighted, services = np.zeros((3, paths))
    rule.begin(paths)
    first, end = window
    if end - 1 > len(courses[0].moves):
        raise ValueError(f"day {end - 1} lies beyond the {len(courses[0].moves)} days that are known")
    for day in range(end):
        if day:
            for one, course in zip(state, courses, strict=True):
                one += course.moves[day - 1] + settling * course.settles[day - 1]
        done = rule.due(day, _out(state, limit))
        if done.any():
            for one, course in zip(state, courses, strict=True):
                one[done] = course.left[max(day - 1, 0)][done]
            settling[done] *= courses[0].fade
        if day >= first:
            out = _out(state, limit)
            days += out
            weighted += out * weight[day - first]
            services += done
    return Tally(days, weighted, services)


def _out(state: Sequence[Floats], limit: float) -> Bools:
    found = np.abs(state[0]) > limit
    for one in state[1:]:
        found |= np.abs(one) > limit
    return found
