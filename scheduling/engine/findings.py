"""What the records of a case say: values found, with what had happened since the service before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.cases import (
    Case,
    gaps_closed,
    jumps_between,
    left_by,
    services_among,
    still_new,
    unrecorded_service,
    watched_since,
)
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, N_PARTS, SETTLING, WARMTH
from scheduling.engine.expectation import settling_change
from scheduling.engine.fabric import Group
from scheduling.engine.priors import Belief, Lesson
from scheduling.engine.subjects import Record

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

LEARNING_DAYS = 2922  # [d], eight years; before that it was another room, another technician; a judgement
N_NOISES = 4  # kinds of noise that a fleet's records can tell apart
MOST_FINDINGS = 200  # the latest; more would change nothing but the time it takes


def earliest_finding(cases: Sequence[Case], today: int) -> int:
    """The first day of a record that is still learned from; today if there is none."""
    oldest = today - LEARNING_DAYS
    days = [record.day for case in cases for record in case.subject.records if record.day >= oldest]
    supposed = [
        unrecorded_service(case.subject, case.subject.records[0].day)[0]
        for case in cases
        if _tells_of_before(case)
    ]
    return min([*days, *(day for day in supposed if day >= oldest)], default=today)


@dataclass(frozen=True)
class Span:
    """From one service to the next look: days, value known at the start, settling to come, gaps closed.

    `start_mean` includes the jumps between, the variances do not; `guess_variance` is that of a start nobody
    recorded; `closed` is what beddings closed in all, times the lever.
    """

    start: int
    end: int
    start_mean: float
    start_variance: float
    fade: float
    jump_variance: float = 0.0
    closed: float = 0.0
    guess_variance: float = 0.0


@dataclass(frozen=True)
class Findings:
    """Observations of one case, n of them, for k time-constant factors.

    Attributes
    ----------
    parts : array, shape (k, n, 5)
        What the coefficients multiply.
    noise : array, shape (n,)
        Variance of all else, at a noise factor of 1 [unit^2].
    values : array, shape (n,)
        Found, less what the service before had left [unit].
    shares : array, shape (n, 4)
        Of `noise`: walk by days, walk by hours, error of both values, gaps closed by beddings [unit^2]. The
        rest is air that no sensor saw, and starts that nobody recorded.
    closed : array, shape (n,)
        Gaps closed by beddings, times the lever [mm].
    """

    parts: Floats
    noise: Floats
    values: Floats
    shares: Floats
    closed: Floats

    def __len__(self) -> int:
        return len(self.values)


def found_spans(case: Case, today: int) -> tuple[list[Span], list[float]]:
    """Spans that end in a found value, and those values; a record without one is only a new start.

    Notes
    -----
    A service done before the tolerance was left thus counts with the deviation it found, never as a failure;
    one that measured nothing says nothing of how far the instrument had moved. What the first service on
    record found counts from where the one before it is supposed, if that is more than a guess. Without it
    only those would be heard that are served often, because they wear soonest.
    """
    spans, values = [], []
    records = case.subject.records
    oldest = today - LEARNING_DAYS
    if _tells_of_before(case):
        first = records[0]
        day, sd = unrecorded_service(case.subject, first.day)
        if oldest <= day < first.day:
            spans.append(
                replace(span_between(case, day, case.prior.start.mean, 0, first.day), guess_variance=sd**2)
            )
            values.append(float(first.found or 0.0))
    for j in range(1, len(records)):
        found = records[j].found
        earlier = records[j - 1]
        if found is None or earlier.day >= records[j].day or earlier.day < oldest:
            continue
        spans.append(span_from(case, earlier, j, records[j].day))
        values.append(found)
    return spans[-MOST_FINDINGS:], values[-MOST_FINDINGS:]


def _tells_of_before(case: Case) -> bool:
    """Whether the first service found a value, and it is known for long that none was done before it.

    For long: half an interval, which is what is guessed of the time before that.
    """
    subject = case.subject
    if not subject.records or subject.records[0].found is None:
        return False
    first = subject.records[0].day
    watched = first - watched_since(subject, first)
    return still_new(subject, first) or watched >= subject.interval_days / 2.0


def knock_spans(case: Case, today: int) -> tuple[list[Span], list[bool]]:
    """Spans from the last bedding to each trial of the glides, and whether any glide knocked."""
    spans, knocked = [], []
    records = case.subject.records
    for knock in case.subject.knocks:
        before = [j for j, record in enumerate(records) if record.day < knock.day]
        if knock.tried and before and today - LEARNING_DAYS <= records[before[-1]].day and knock.day <= today:
            spans.append(span_from(case, records[before[-1]], before[-1] + 1, knock.day))
            knocked.append(knock.knocked > 0)
    return spans[-MOST_FINDINGS:], knocked[-MOST_FINDINGS:]


def span_from(case: Case, record: Record, count: int, end: int) -> Span:
    """The span from the case's `count`-th record to a day; other services between are jumps."""
    mean, sd = left_by(record, case.prior)
    services = services_among(case.subject.records[:count])
    return replace(span_between(case, record.day, mean, services, end), start_variance=sd**2)


def span_between(case: Case, start: int, mean: float, services: int, end: int) -> Span:
    """The span between two days that begins so after so many services, without any doubt of its start."""
    jumps = jumps_between(case.subject, case.prior.bedded, start, end - 1)
    closed = gaps_closed(case.subject, start, end - 1)
    return Span(
        start=start,
        end=end,
        start_mean=mean + sum(size for _, size, _ in jumps),
        start_variance=0.0,
        fade=case.prior.settle_fade**services,
        jump_variance=sum(doubt**2 for _, _, doubt in jumps),
        closed=sum(gap or 0.0 for _, gap in closed),
    )


def lay_out(
    group: Group, case: Case, spans: Sequence[Span], values: Sequence[float], error_sd: float
) -> Findings:
    """Turn spans of a case of a group into rows of a regression.

    Parameters
    ----------
    values : sequence of float
        Found at the ends [unit].
    error_sd : float
        Of such a value [unit].
    """
    start = group.place(np.array([span.start for span in spans], dtype=np.int64))
    end = group.place(np.array([span.end for span in spans], dtype=np.int64))
    fade = np.array([span.fade for span in spans])
    starts, ends = (
        np.array([getattr(span, name) for span in spans], dtype=float) for name in ("start", "end")
    )
    parts = np.empty((len(group.woods), len(spans), N_PARTS))
    parts[..., MOISTURE] = [wood.mean[end] - wood.mean[start] for wood in group.woods]
    parts[..., SETTLING] = fade * settling_change(case, starts, ends)
    playing = group.playing_days[end] - group.playing_days[start]
    parts[..., HOURS] = playing * case.thousands_per_day
    parts[..., CYCLING] = group.travel[end] - group.travel[start]
    parts[..., WARMTH] = group.warmth[end] - group.warmth[start]
    shares = np.column_stack(
        [
            case.walk_day * (ends - starts),
            case.walk_hour * case.thousands_per_day * playing,
            np.array([span.start_variance for span in spans]) + error_sd**2,
            [span.jump_variance for span in spans],
        ]
    )
    size = case.prior.moisture.mean**2 + case.prior.moisture.sd**2
    noise = shares.sum(axis=1) + size * unseen_variance(group, start, end)
    noise += np.array([span.guess_variance for span in spans])
    left = np.array([span.start_mean for span in spans])
    closed = np.array([span.closed for span in spans])
    return Findings(parts, noise, np.asarray(values, float) - left, shares, closed)


def after_lesson(findings: Findings, lesson: Lesson, bedded: Belief) -> Findings:
    """The same findings as the prior with a lesson learned would lay them out; `bedded` is the prior's."""
    extra = findings.shares * (np.array(lesson.noise) - 1.0)
    return replace(
        findings,
        noise=findings.noise + extra.sum(axis=1),
        values=findings.values - lesson.bedded * bedded.sd * findings.closed,
        shares=findings.shares + extra,
    )


def unseen_variance(group: Group, start: Days, end: Days) -> Floats:
    """About the variance of the wood's change between two places, as far as no reading saw the air.

    Notes
    -----
    Exact for the doubt about the season. For the weather, the stationary variance behind the lag, as far as
    the wood remembers days without readings, and as if the weather of both ends had nothing in common. It
    only weighs old records against each other, at the middle time constant.
    """
    wood = group.woods[len(group.woods) // 2]
    if not wood.components or not wood.air.doubtful.any():
        return np.zeros(len(start))
    moved = wood.unseen_season[:, end] - wood.unseen_season[:, start]
    weather = wood.unseen_weather
    return np.asarray(np.sum(moved**2, axis=0) + weather[start] + weather[end])
