"""The forecast of a fleet: when each instrument leaves its tolerance, how surely, and why."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from scheduling.engine.cases import Beliefs, Case, prepare, prior_beliefs
from scheduling.engine.drivers import Driver, explain_group
from scheduling.engine.expectation import Moments, after_service, since_last
from scheduling.engine.fabric import Fabric, Group, weave
from scheduling.engine.findings import earliest_finding
from scheduling.engine.learning import learn as learn_fleet
from scheduling.engine.passage import quantile_day
from scheduling.engine.simulation import first_days_out
from scheduling.engine.subjects import Days, Floats, Knock, Playing, Record, RoomAir, Stay, Subject

__all__ = [
    "Driver",
    "FleetModel",
    "Knock",
    "Outlook",
    "Playing",
    "Record",
    "RoomAir",
    "Stay",
    "Subject",
    "build_model",
]

MOSTLY_PRIOR_BELOW = 3  # as-found values; a judgement: two can agree by chance


@dataclass(frozen=True)
class Outlook:
    """The forecast of one subject; the deviation is the true one, measurement error excluded.

    Attributes
    ----------
    out_now : float
        Probability of being out of tolerance today.
    p10, p50, p90 : int or None
        First day from today on that is out of tolerance, as quantiles; None beyond the horizon.
    days : int array, shape (n_weeks,)
        Mondays from today on, within the horizon.
    p_out, mean, sd : float array, shape (n_weeks,)
        At those days, if nothing more is done [-], [unit], [unit].
    learned_from : int
        Number of as-found values used.
    """

    instrument: str
    service: str
    unit: str
    tolerance: float
    last_service: int | None
    out_now: float
    p10: int | None
    p50: int | None
    p90: int | None
    days: Days
    p_out: Floats
    mean: Floats
    sd: Floats
    drivers: tuple[Driver, ...]
    learned_from: int
    mostly_prior: bool


class FleetModel:
    """A fleet whose air, wood and deviations have been worked out; asked for outlooks or probabilities."""

    def __init__(
        self,
        fabric: Fabric,
        groups: Sequence[Group],
        cases: Sequence[Case],
        beliefs: Sequence[Beliefs],
        today: int,
        horizon_days: int,
    ) -> None:
        self.subjects = tuple(case.subject for case in cases)
        self._fabric, self._cases, self._beliefs = fabric, cases, beliefs
        self._today, self._horizon_days = today, horizon_days
        self._groups = groups

    def outlooks(self, seed: int, progress: Callable[[int, int], None] | None = None) -> list[Outlook]:
        """Forecast every subject, in the order of `subjects`; `progress` is told (done, total)."""
        out: dict[int, Outlook] = {}
        for group in self._groups:
            out.update(self._group_outlooks(group, seed))
            if progress is not None:
                progress(len(out), len(self._cases))
        return [out[i] for i in range(len(self._cases))]

    def _group_outlooks(self, group: Group, seed: int) -> dict[int, Outlook]:
        days = np.concatenate([[self._today], self._mondays()])
        moments = since_last(group, self._cases, self._beliefs, days)
        service = self._cases[group.members[0]].subject.service
        stream = (seed, zlib.crc32(service.encode()))
        passages = first_days_out(group, self._cases, self._beliefs, self._today, stream)
        due = [
            tuple(self._date(quantile_day(first, share)) for share in (0.1, 0.5, 0.9))
            for _, first in passages
        ]
        end = self._today + self._horizon_days
        reason_days = [end if middle is None else middle for _, middle, _ in due]
        drivers = explain_group(self._fabric, group, self._cases, self._beliefs, reason_days)
        return {
            i: self._outlook(i, row, moments, due[row], drivers[row]) for row, i in enumerate(group.members)
        }

    def out_probability(
        self, service_days: Days, days: Days, rows: Sequence[int] | None = None
    ) -> tuple[Floats, Floats]:
        """Probability of being out of tolerance, since the last service and after a service to come.

        Parameters
        ----------
        service_days, days : int array
            Proleptic ordinals.
        rows : sequence of int, optional
            Places of the subjects that are asked for, in the order of the answer; all where left out.

        Returns
        -------
        since_last : float array, shape (n_subjects, n_days)
            0 before the last service.
        after : float array, shape (n_subjects, n_service_days, n_days)
            0 where ``days[d] < service_days[s]``; free of NaN.

        Raises
        ------
        ValueError
            If a day lies beyond the horizon.
        """
        service_days, days = np.asarray(service_days, np.int64), np.asarray(days, np.int64)
        for asked in (service_days, days):
            if asked.size and asked.max() > self._fabric.last_day:
                raise ValueError(f"day {asked.max()} lies beyond the horizon ({self._fabric.last_day})")
        wanted = {row: place for place, row in enumerate(range(len(self._cases)) if rows is None else rows)}
        since = np.zeros((len(wanted), len(days)))
        after = np.zeros((len(wanted), len(service_days), len(days)))
        for group in self._groups:
            asked_for = tuple(row for row in group.members if row in wanted)
            if not asked_for:
                continue
            part, places = replace(group, members=asked_for), [wanted[row] for row in asked_for]
            since[places] = since_last(part, self._cases, self._beliefs, days).p_out
            after[places] = after_service(part, self._cases, self._beliefs, service_days, days)
        return since, after

    def _mondays(self) -> Days:
        first = self._today + (1 - self._today) % 7  # ordinal 1 was a Monday
        return np.arange(first, self._today + self._horizon_days + 1, 7)

    def _outlook(
        self, i: int, row: int, moments: Moments, due: tuple[int | None, ...], drivers: tuple[Driver, ...]
    ) -> Outlook:
        case, belief = self._cases[i], self._beliefs[i]
        p10, p50, p90 = due
        return Outlook(
            instrument=case.subject.instrument,
            service=case.subject.service,
            unit=case.subject.unit,
            tolerance=case.subject.tolerance,
            last_service=case.last_day if case.serviced else None,
            out_now=float(moments.p_out[row, 0]),
            p10=p10,
            p50=p50,
            p90=p90,
            days=self._mondays(),
            p_out=moments.p_out[row, 1:],
            mean=moments.mean[row, 1:],
            sd=np.sqrt(moments.variance[row, 1:]),
            drivers=drivers,
            learned_from=belief.learned_from,
            mostly_prior=belief.learned_from < MOSTLY_PRIOR_BELOW,
        )

    def _date(self, days_from_today: int | None) -> int | None:
        return None if days_from_today is None else self._today + days_from_today


def build_model(
    rooms: Sequence[RoomAir],
    subjects: Sequence[Subject],
    playing: Playing,
    today: int,
    horizon_days: int = 365,
    learn: bool = True,
) -> FleetModel:
    """Work out air, wood and deviation for a fleet.

    Parameters
    ----------
    rooms : sequence of RoomAir
        Days after `today` are not looked at.
    subjects : sequence of Subject
    playing : Playing
    today : int
        Proleptic ordinal in local time.
    horizon_days : int
        How far the forecast looks.
    learn : bool
        Whether values found at services count, or the priors alone.

    Raises
    ------
    ValueError
        Names instrument or room, value and likely cause.
    """
    if horizon_days < 1:
        raise ValueError(f"horizon of {horizon_days} days: must look at least one day ahead")
    cases = [prepare(subject, today) for subject in subjects]
    earliest = earliest_finding(cases, today) if learn else today
    fabric = weave(rooms, cases, playing, today, horizon_days, earliest)
    groups = fabric.groups(cases)
    beliefs = learn_fleet(groups, cases, today) if learn else [prior_beliefs(case.prior) for case in cases]
    return FleetModel(fabric, groups, cases, beliefs, today, horizon_days)
