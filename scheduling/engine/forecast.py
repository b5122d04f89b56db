"""The forecast of a fleet: when each instrument leaves its tolerance, how surely, and why."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from scheduling.engine.cases import Beliefs, Case, prepare, prior_beliefs
from scheduling.engine.drivers import Driver, explain_group
from scheduling.engine.expectation import Moments, after_service, since_last
from scheduling.engine.fabric import Fabric, Group, weave
from scheduling.engine.findings import earliest_finding
from scheduling.engine.held_year import Holding, LineYear, held_years
from scheduling.engine.learning import Learned
from scheduling.engine.learning import learn as learn_all
from scheduling.engine.passage import NEVER, Draws, draw, quantile_days
from scheduling.engine.priors import Belief
from scheduling.engine.registers import spread_subjects
from scheduling.engine.renewal import RENEWED_PATHS, needed
from scheduling.engine.sensitivities import Sensitivity, sensitivities, sensitivity
from scheduling.engine.simulation import ENOUGH, PATHS, Weather, first_days_out
from scheduling.engine.subjects import Days, Floats, Knock, Playing, Record, RoomAir, Stay, Subject
from scheduling.engine.testimony import SILENCE, Testimony

T = TypeVar("T")

__all__ = [
    "Driver",
    "FleetModel",
    "Heard",
    "Knock",
    "Outlook",
    "Playing",
    "Record",
    "RoomAir",
    "Stay",
    "Subject",
    "build_model",
]

WORKERS = 2  # threads
DUE_SHARES = (0.1, 0.5, 0.9)
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
    sensitivities : tuple of Sensitivity
        How far it goes for damp, warmth, playing and newness.
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
    sensitivities: tuple[Sensitivity, ...] = ()


@dataclass(frozen=True)
class Heard:
    """What a forecast of a whole fleet leaves for forecasting some of its instruments again.

    Attributes
    ----------
    since : int
        First day that mattered to any instrument, proleptic ordinal.
    others : mapping of (instrument, service) to Testimony
        What all others that are alike said together.
    """

    since: int
    others: Mapping[tuple[str, str], Testimony]


@dataclass(frozen=True)
class _Worked:
    """A set of cases whose air, wood and beliefs have been worked out."""

    fabric: Fabric
    groups: Sequence[Group]
    cases: Sequence[Case]
    beliefs: Sequence[Beliefs]
    today: int
    horizon_days: int

    @cached_property
    def mondays(self) -> Days:
        """From today on, within the horizon."""
        first = self.today + (1 - self.today) % 7  # ordinal 1 was a Monday
        return np.arange(first, self.today + self.horizon_days + 1, 7)

    def side_by_side(
        self, work: Callable[[Sequence[Group]], T], parts: Iterable[Sequence[Group]]
    ) -> Iterator[T]:
        """Work parts of the fleet in threads; the arrays are large enough to leave the interpreter free."""
        with ThreadPoolExecutor(WORKERS) as pool:
            yield from pool.map(work, parts)

    @cached_property
    def by_air(self) -> list[list[Group]]:
        """The groups sorted by the air they felt, whose simulated futures they share."""
        found: dict[int, list[Group]] = {}
        for group in self.groups:
            found.setdefault(id(group.woods[0].air), []).append(group)
        return list(found.values())

    def draws(self, seed: int) -> dict[str, Draws]:
        """Random numbers by service: cases of one share them, whoever else is forecast with them."""
        services = {self.cases[group.members[0]].subject.service for group in self.groups}
        streams = {service: (seed, zlib.crc32(service.encode()), 1) for service in services}
        days = self.horizon_days + 1
        return {
            service: draw(np.random.default_rng(stream), PATHS, days) for service, stream in streams.items()
        }

    def passages(
        self, groups: Sequence[Group], seed: int, draws: Mapping[str, Draws], enough: float = ENOUGH
    ) -> Iterator[tuple[Group, list[tuple[int, Days]]]]:
        """First days out of groups that felt one air, group by group."""
        weather = Weather(groups, self.cases, self.today, seed, PATHS)
        for group in groups:
            own = draws[self.cases[group.members[0]].subject.service]
            found = first_days_out(group, self.cases, self.beliefs, self.today, weather, own, enough)
            yield group, list(found)

    def outlooks(self, groups: Sequence[Group], seed: int, draws: Mapping[str, Draws]) -> dict[int, Outlook]:
        """Of the members of groups that felt one air, by place."""
        out: dict[int, Outlook] = {}
        end = self.today + self.horizon_days
        days = np.concatenate([[self.today], self.mondays])
        for group, passages in self.passages(groups, seed, draws):
            moments = since_last(group, self.cases, self.beliefs, days)
            due = [quantile_days(first, DUE_SHARES) for _, first in passages]
            reason_days = [end if middle is None else self.today + middle for _, middle, _ in due]
            drivers = explain_group(self.fabric, group, self.cases, self.beliefs, reason_days)
            for row, i in enumerate(group.members):
                out[i] = self._outlook(i, row, moments, due[row], drivers[row])
        return out

    def waits(self, groups: Sequence[Group], seed: int, draws: Mapping[str, Draws]) -> dict[int, Days]:
        """Days from today until each path of each member of groups of one air is out, by place."""
        return {
            i: np.where(first == NEVER, self.horizon_days + 1, first)
            for _, passages in self.passages(groups, seed, draws, enough=1.0)
            for i, first in passages
        }

    def _outlook(
        self, i: int, row: int, moments: Moments, due: Sequence[int | None], drivers: tuple[Driver, ...]
    ) -> Outlook:
        case, belief = self.cases[i], self.beliefs[i]
        p10, p50, p90 = (None if wait is None else self.today + wait for wait in due)
        return Outlook(
            instrument=case.subject.instrument,
            service=case.subject.service,
            unit=case.subject.unit,
            tolerance=case.subject.tolerance,
            last_service=case.last_done,
            out_now=float(moments.p_out[row, 0]),
            p10=p10,
            p50=p50,
            p90=p90,
            days=self.mondays,
            p_out=moments.p_out[row, 1:],
            mean=moments.mean[row, 1:],
            sd=np.sqrt(moments.variance[row, 1:]),
            drivers=drivers,
            learned_from=belief.learned_from,
            mostly_prior=belief.learned_from < MOSTLY_PRIOR_BELOW,
            sensitivities=sensitivities(case, belief),
        )

    def probability(self, rows: Sequence[int], service_days: Days, days: Days) -> tuple[Floats, Floats]:
        """Since the last service, and after services to come, of some cases in the order asked."""
        places = {row: place for place, row in enumerate(rows)}
        since = np.zeros((len(rows), len(days)))
        after = np.zeros((len(rows), len(service_days), len(days)))

        def work(groups: Sequence[Group]) -> None:
            for group in groups:
                at = [places[row] for row in group.members]
                since[at] = since_last(group, self.cases, self.beliefs, days).p_out
                after[at] = after_service(group, self.cases, self.beliefs, service_days, days)

        asked = (
            replace(group, members=tuple(row for row in group.members if row in places))
            for group in self.groups
        )
        for _ in self.side_by_side(work, ([group] for group in asked if group.members)):
            pass
        return since, after


class FleetModel:
    """A fleet whose air, wood and deviations have been worked out; asked for outlooks or probabilities."""

    def __init__(self, worked: _Worked, spreads: dict[int, int], heard: Heard) -> None:
        """Keep the cases; `spreads` gives, for a tuning's place, the case of its registers' spread."""
        self._worked, self._spreads, self.heard = worked, spreads, heard
        hidden = set(spreads.values())
        self.subjects = tuple(case.subject for i, case in enumerate(worked.cases) if i not in hidden)

    def outlooks(self, seed: int, progress: Callable[[int, int], None] | None = None) -> list[Outlook]:
        """Forecast every subject, in the order of `subjects`; `progress` is told (done, total)."""
        worked = self._worked
        out: dict[int, Outlook] = {}
        draws = worked.draws(seed)
        for some in worked.side_by_side(lambda part: worked.outlooks(part, seed, draws), worked.by_air):
            out.update(some)
            if progress is not None:
                done = sum(i < len(self.subjects) for i in out)
                progress(done, len(self.subjects))
        for place, spread in self._spreads.items():
            out[place] = _either(out[place], out[spread])
        return [out[i] for i in range(len(self.subjects))]

    def waits(self, seed: int) -> list[Days]:
        """Days from today to the first day out of every subject, path by path, in rising order.

        A path that stays in tolerance counts as one day beyond the horizon. The dates of :meth:`outlooks` are
        quantiles of these.
        """
        worked = self._worked
        out: dict[int, Days] = {}
        draws = worked.draws(seed)
        for some in worked.side_by_side(lambda part: worked.waits(part, seed, draws), worked.by_air):
            out.update({place: np.sort(days) for place, days in some.items()})
        for place, spread in self._spreads.items():
            out[place] = np.minimum(out[place], out[spread])
        return [out[i] for i in range(len(self.subjects))]

    def services_needed(
        self, stretch: Days, seed: int, paths: int = RENEWED_PATHS
    ) -> Iterator[tuple[int, Days]]:
        """How many services every subject needs, each done as it leaves its tolerance.

        Parameters
        ----------
        stretch : int array, shape (horizon_days + 1,)
            Which stretch of the future each day belongs to, from today on, rising from 0.
        seed : int
        paths : int
            Simulated futures, in each of which all subjects live through the same weather.

        Returns
        -------
        iterator of (place of the subject in `subjects`, int array of shape (n_stretches, paths))
        """
        return needed(self._worked, self._spreads, stretch, seed, paths)

    def moments(self, days: Days) -> tuple[Floats, Floats]:
        """Mean and sd of every subject's true deviation on some days if nothing more is done [unit].

        Parameters
        ----------
        days : int array
            Proleptic ordinals, none before the day of the forecast nor beyond its horizon.

        Returns
        -------
        mean, sd : float array, shape (n_subjects, n_days)
        """
        worked = self._worked
        mean, variance = np.zeros((2, len(worked.cases), len(days)))
        for group in worked.groups:
            found = since_last(group, worked.cases, worked.beliefs, np.asarray(days, np.int64))
            mean[list(group.members)], variance[list(group.members)] = found.mean, found.variance
        return mean[: len(self.subjects)], np.sqrt(variance[: len(self.subjects)])

    def sensitivity(self, row: int) -> tuple[Belief, int]:
        """How far a subject goes for a point of humidity [unit per percent], and from how many values."""
        belief = self._worked.beliefs[row]
        return sensitivity(belief), belief.learned_from

    def held_years(self, holding: Holding, seed: int) -> Iterator[LineYear]:
        """What holding a room does in a year to each line in it; a place counts among `subjects`."""
        worked = self._worked
        yield from held_years(
            worked.fabric,
            worked.groups,
            worked.cases,
            worked.beliefs,
            self._spreads,
            worked.today,
            holding,
            seed,
        )

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
        end = self._worked.today + self._worked.horizon_days
        for asked in (service_days, days):
            if asked.size and asked.max() > end:
                raise ValueError(f"day {asked.max()} lies beyond the horizon ({end})")
        wanted = list(range(len(self.subjects)) if rows is None else rows)
        spread_at = [place for place, row in enumerate(wanted) if row in self._spreads]
        hidden = [self._spreads[wanted[place]] for place in spread_at]
        since, after = self._worked.probability(wanted + hidden, service_days, days)
        n = len(wanted)
        since[spread_at] = np.maximum(since[spread_at], since[n:])
        after[spread_at] = np.maximum(after[spread_at], after[n:])
        return since[:n], after[:n]


def _either(mean: Outlook, spread: Outlook) -> Outlook:
    """A tuning is out when its mean or the spread of its registers is, whichever comes first."""

    def earlier(share: str) -> int | None:
        days = [day for day in (getattr(mean, share), getattr(spread, share)) if day is not None]
        return min(days, default=None)

    return replace(
        mean,
        out_now=max(mean.out_now, spread.out_now),
        p10=earlier("p10"),
        p50=earlier("p50"),
        p90=earlier("p90"),
        p_out=np.maximum(mean.p_out, spread.p_out),
    )


def build_model(
    rooms: Sequence[RoomAir],
    subjects: Sequence[Subject],
    playing: Playing,
    today: int,
    horizon_days: int = 365,
    learn: bool = True,
    heard: Heard | None = None,
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
    heard : Heard, optional
        What a forecast of the whole fleet had heard, where `subjects` are only some of it: with it they get
        the same figures as among all. `rooms` are always all.

    Raises
    ------
    ValueError
        Names instrument or room, value and likely cause.
    """
    if horizon_days < 1:
        raise ValueError(f"horizon of {horizon_days} days: must look at least one day ahead")
    spread = spread_subjects(subjects)
    cases = [prepare(subject, today) for subject in [*subjects, *spread.values()]]
    since = min([today, *(case.last_day for case in cases)])
    since = min(since, earliest_finding(cases, today)) if learn else since
    since = since if heard is None else min(since, heard.since)
    fabric = weave(rooms, cases, playing, today, horizon_days, since)
    groups = fabric.groups(cases)
    told = None if heard is None else heard.others
    known = learn_all(groups, cases, today, told) if learn else _unlearned(cases)
    worked = _Worked(fabric, groups, known.cases, known.beliefs, today, horizon_days)
    spreads = {place: len(subjects) + j for j, place in enumerate(spread)}
    names = [(case.subject.instrument, case.subject.service) for case in cases]
    return FleetModel(worked, spreads, Heard(since, dict(zip(names, known.others, strict=True))))


def _unlearned(cases: list[Case]) -> Learned:
    return Learned(cases, [prior_beliefs(case.prior) for case in cases], [SILENCE] * len(cases))
