"""What the records of a case say: values found, with what had happened since the service before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from scheduling.engine.airpath import AirPath
from scheduling.engine.cases import Case, jumps_between, left_by
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, N_PARTS, SETTLING
from scheduling.engine.expectation import settling_change
from scheduling.engine.fabric import Group
from scheduling.engine.subjects import Record

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

LEARNING_DAYS = 2922  # [d], eight years; before that it was another room, another technician; a judgement
MOST_FINDINGS = 200  # the latest; more would change nothing but the time it takes


def earliest_finding(cases: Sequence[Case], today: int) -> int:
    """The first day of a record that is still learned from; today if there is none."""
    oldest = today - LEARNING_DAYS
    days = [record.day for case in cases for record in case.subject.records if record.day >= oldest]
    return min(days, default=today)


@dataclass(frozen=True)
class Span:
    """From one service to the next look: days, value known at the start, and settling still to come."""

    start: int
    end: int
    start_mean: float
    start_variance: float
    fade: float


@dataclass(frozen=True)
class Findings:
    """Observations of one case, n of them, for k time-constant factors.

    Attributes
    ----------
    parts : array, shape (k, n, 4)
        What the coefficients multiply.
    noise : array, shape (n,)
        Variance of all else, at a noise factor of 1 [unit^2].
    values : array, shape (n,)
        Found, less what the service before had left [unit].
    """

    parts: Floats
    noise: Floats
    values: Floats

    def __len__(self) -> int:
        return len(self.values)


def found_spans(case: Case, today: int) -> tuple[list[Span], list[float]]:
    """Spans that end in a found value, and those values; a record without one is only a new start.

    Notes
    -----
    A service done before the tolerance was left thus counts with the deviation it found, never as a failure;
    one that measured nothing says nothing of how far the instrument had moved.
    """
    spans, values = [], []
    records = case.subject.records
    for j in range(1, len(records)):
        found = records[j].found
        earlier = records[j - 1]
        if found is None or earlier.day >= records[j].day or earlier.day < today - LEARNING_DAYS:
            continue
        spans.append(span_from(case, earlier, j, records[j].day))
        values.append(found)
    return spans[-MOST_FINDINGS:], values[-MOST_FINDINGS:]


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


def span_from(case: Case, record: Record, services: int, end: int) -> Span:
    """The span from a record, the case's `services`-th, to a day; other services between are jumps."""
    mean, sd = left_by(record, case.prior)
    jumps = jumps_between(case.subject, record.day, end - 1)
    return Span(
        start=record.day,
        end=end,
        start_mean=mean + sum(size for _, size, _ in jumps),
        start_variance=sd**2 + sum(doubt**2 for _, _, doubt in jumps),
        fade=case.prior.settle_fade**services,
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
    noise = case.walk_day * (ends - starts) + case.walk_hour * case.thousands_per_day * playing
    noise += np.array([span.start_variance for span in spans]) + error_sd**2
    size = case.prior.moisture.mean**2 + case.prior.moisture.sd**2
    noise += size * unseen_variance(group, start, end)
    left = np.array([span.start_mean for span in spans])
    return Findings(parts, noise, np.asarray(values, float) - left)


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
    season = wood.respond(wood.air.season_doubt.T)
    weather = _weather_variance(wood.air, wood.components)
    moved = season[:, end] - season[:, start]
    return np.asarray(np.sum(moved**2, axis=0) + weather[start] + weather[end])


def _weather_variance(air: AirPath, components: tuple[tuple[float, float], ...]) -> Floats:
    """Stationary variance of lagged first-order noise, times the squared share of days unseen."""
    variance = np.zeros(len(air.mean))
    keeps = [(sign, float(np.exp(-1.0 / tau)) if tau > 0 else 0.0) for sign, tau in components]
    slowest = max(keep for _, keep in keeps)
    for noise in air.noises:
        level = noise.sd**2 / (1.0 - noise.keep**2)
        together = np.zeros_like(level)
        for sign, one in keeps:
            for other_sign, other in keeps:
                gain = (1 - one) * (1 - other) * (1 - noise.keep**2 * one * other)
                gain /= (1 - one * other) * (1 - noise.keep * one) * (1 - noise.keep * other)
                together += sign * other_sign * gain
        unseen = lfilter([1.0 - slowest], [1.0, -slowest], (noise.sd > 0).astype(float))
        usual = np.median((level * together)[noise.sd > 0]) if (noise.sd > 0).any() else 0.0
        variance += usual * unseen**2
    return variance
