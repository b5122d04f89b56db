"""The hidden truth of an invented fleet: how far each instrument really has gone since its last service."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from fleet.demo.collection import Instrument
from fleet.demo.indoor import IndoorAir
from fleet.demo.nature import Natures
from fleet.demo.spec import HOURS_A_DAY, FleetSpec, Floats, Timeline
from fleet.demo.wood import Slabs, sorbed

AIR_HOURS = 3  # one step of the wood
CONTROLLED_RH = 0.42
USUAL_MOISTURE, USUAL_C = 0.085, 21.0
CREEP_DAYS, SETTLING_DAYS = 20.0, 15.0
SETTLING_LEFT = 0.55  # share of the settling that is left after each bedding
DIP_POWER = 0.85
SHOCK_CENTS = 2.5
WORST_MARK = 10.0
Index = int | slice | NDArray[np.int64]


@dataclass(frozen=True)
class Anchor:
    """Where a service left an instrument.

    Attributes
    ----------
    index : position of its day
    left : true deviation after it, in the unit of its kind
    number : services of this kind before it
    gap : true gap under the key frame at that time [mm], for a regulation
    """

    index: int
    left: float
    number: int = 0
    gap: float = 0.0


@dataclass(frozen=True)
class Visit:
    """A service on a day and the true deviation it leaves, in the unit of its kind."""

    day: date
    left: float


@dataclass(frozen=True)
class Truth:
    """States that nobody services, from which every true deviation follows; arrays end in days.

    Attributes
    ----------
    line : the days
    fleet : the instruments
    natures : their true sensitivities
    pitch : shape (n, 4, days), pitch by register of a never tuned instrument [cents]
    contact : shape (n, days), gap by weather and chance of a never bedded frame [mm]
    age : shape (n, days), logarithm of age, in tens, as settling counts it
    touch : shape (n, days), dip by cycling and chance of a never regulated action [mm]
    hours : shape (n, days), hours played so far [h]
    board_moisture : shape (n, days), mean of the soundboard [fraction]
    walk_marks : shape (n, days), unevenness by chance
    beginnings : by (tag, kind), the state in which the history begins
    visits : by (tag, kind), the services of the history
    """

    line: Timeline
    fleet: tuple[Instrument, ...]
    natures: Natures
    pitch: Floats
    contact: Floats
    age: Floats
    touch: Floats
    hours: Floats
    board_moisture: Floats
    walk_marks: Floats
    beginnings: Mapping[tuple[str, str], Anchor]
    visits: Mapping[tuple[str, str], Sequence[Visit]]

    def deviation(
        self, number: int, kind: str, days: Index, anchor: Anchor, gap: float | Floats = 0.0
    ) -> Floats:
        """Return the true deviation on days after a service.

        Parameters
        ----------
        number : int
            Position of the instrument.
        kind : str
            Kind of service.
        days : int, slice or int array
            Positions of the days.
        anchor : Anchor
            The last service of that kind.
        gap : float array
            True gap under the key frame on those days [mm]; matters to regulation only.

        Returns
        -------
        float array
            In the unit of the kind.
        """
        return LAWS[kind](self, number, days, anchor, gap)

    def registers(self, number: int, index: int, anchor: Anchor) -> Floats:
        """Return the true offsets by register [cents] on a day after a tuning, shape (4,)."""
        return np.asarray(anchor.left + self.pitch[number, :, index] - self.pitch[number, :, anchor.index])

    def paths(self, tag: str, visits: Mapping[str, Sequence[Visit]] | None = None) -> dict[str, Floats]:
        """Return the true deviation of an instrument by kind of service, for every day.

        Parameters
        ----------
        tag : str
            The instrument.
        visits : mapping of kind to visits, in order, optional
            What is done besides the history, such as the visits of a plan.

        Returns
        -------
        dict of kind to float array, shape (days,)
            On a day of service the state after it; NaN before the instrument came.
        """
        number = self.tags.index(tag)
        found: dict[str, Floats] = {}
        gap = np.zeros(self.line.n_days)
        for kind in sorted(self.fleet[number].kinds_of_service, key=lambda kind: kind != "bedding"):
            done = [*self.visits.get((tag, kind), ()), *(visits or {}).get(kind, ())]
            found[kind] = self.path(number, kind, sorted(done, key=lambda visit: visit.day), gap)
            if kind == "bedding":
                gap = found[kind]
        return found

    def path(self, number: int, kind: str, visits: Sequence[Visit], gap: Floats) -> Floats:
        """Return the true deviation of one kind through a sequence of visits, shape (days,)."""
        anchor = self.beginnings[self.fleet[number].tag, kind]
        values = np.full(self.line.n_days, np.nan)
        for visit in (*visits, None):
            end = self.line.index(visit.day) if visit else self.line.n_days
            stretch = slice(anchor.index, max(end, anchor.index))
            values[stretch] = self.deviation(number, kind, stretch, anchor, gap[stretch])
            if visit:
                anchor = Anchor(end, visit.left, anchor.number + 1, float(gap[end]))
        return values

    @property
    def tags(self) -> list[str]:
        """Inventory tags in order."""
        return [one.tag for one in self.fleet]


def pitch_law(truth: Truth, number: int, days: Index, anchor: Anchor, gap: float | Floats) -> Floats:
    """Return the mean of the registers [cents]."""
    pitch = truth.pitch[number]
    return np.asarray(anchor.left + pitch[:, days].mean(axis=0) - pitch[:, anchor.index].mean())


def contact_law(truth: Truth, number: int, days: Index, anchor: Anchor, gap: float | Floats) -> Floats:
    """Return the gap of the worst glide [mm]; the frame settles less after each bedding."""
    settling = truth.natures.settling_mm[number] * SETTLING_LEFT**anchor.number
    aged = settling * (truth.age[number, days] - truth.age[number, anchor.index])
    moved = truth.contact[number, days] - truth.contact[number, anchor.index]
    return np.asarray(anchor.left + moved + aged)


def touch_law(truth: Truth, number: int, days: Index, anchor: Anchor, gap: float | Floats) -> Floats:
    """Return the error of key dip [mm]: felt that wears, wood that works, a frame that hangs over a gap."""
    played = truth.hours[number, days] - truth.hours[number, anchor.index]
    worn = truth.natures.dip_mm[number] * np.maximum(played, 0.0) ** DIP_POWER
    moved = truth.touch[number, days] - truth.touch[number, anchor.index]
    hung = truth.natures.dip_per_gap[number] * (np.asarray(gap) - anchor.gap)
    return np.asarray(anchor.left + worn + moved + hung)


def tone_law(truth: Truth, number: int, days: Index, anchor: Anchor, gap: float | Floats) -> Floats:
    """Return the unevenness of tone, a mark between 0 and 10."""
    natures = truth.natures
    played = truth.hours[number, days] - truth.hours[number, anchor.index]
    worn = natures.marks[number] * np.maximum(played, 0.0) ** natures.marks_power[number]
    dried = np.abs(truth.board_moisture[number, days] - truth.board_moisture[number, anchor.index])
    walked = truth.walk_marks[number, days] - truth.walk_marks[number, anchor.index]
    return np.asarray(
        np.clip(anchor.left + worn + natures.marks_per_moisture[number] * dried + walked, 0.0, WORST_MARK)
    )


LAWS = {"tuning": pitch_law, "bedding": contact_law, "regulation": touch_law, "voicing": tone_law}


@dataclass(frozen=True)
class Felt:
    """What instruments felt by three-hour step: temperature [degC], moisture it leads to [fraction]."""

    temp_c: Floats
    moisture: Floats


def felt_air(line: Timeline, fleet: Sequence[Instrument], natures: Natures, air: IndoorAir) -> Felt:
    """Return the air each instrument felt where it stood, past its humidity control if it has one."""
    steps = line.n_hours // AIR_HOURS
    temps = air.temp_c.reshape(-1, steps, AIR_HOURS).mean(axis=2)
    rhs = air.rh.reshape(-1, steps, AIR_HOURS).mean(axis=2)
    temp, rh = np.empty((len(fleet), steps)), np.empty((len(fleet), steps))
    for number, one in enumerate(fleet):
        for day, room in one.stays:
            begin = max(line.index(day), 0) * HOURS_A_DAY // AIR_HOURS if day != one.in_service else 0
            temp[number, begin:], rh[number, begin:] = temps[room, begin:], rhs[room, begin:]
    rh = CONTROLLED_RH + natures.control[:, None] * (rh - CONTROLLED_RH)
    return Felt(temp, sorbed(rh, temp))


def at_noon(slabs: Slabs, outer: Floats) -> Floats:
    """Return the mean moisture of slabs at noon of every day, shape (n, days), for that of their air."""
    each_day = HOURS_A_DAY // AIR_HOURS
    noons = np.empty((outer.shape[1] // each_day, len(outer)))
    start = outer[:, : 30 * each_day].mean(axis=1)
    steps: Iterator[Floats] = iter(np.ascontiguousarray(outer.T))
    for step, moisture in enumerate(slabs.soak(steps, start, AIR_HOURS * 3600.0)):
        if step % each_day == each_day // 2 - 1:
            noons[step // each_day] = moisture
    return np.ascontiguousarray(noons.T)


def walk(spec: FleetSpec, name: str, line: Timeline, spread: Floats) -> Floats:
    """Return random walks with a spread by instrument [unit per square root of a day], shape (n, days)."""
    steps = spec.stream(name).standard_normal((line.n_days, len(spread)))
    return np.cumsum(steps * spread, axis=0).T


def shocks(spec: FleetSpec, line: Timeline, natures: Natures) -> Floats:
    """Return the sum of sudden losses and gains of pitch [cents], shape (n, days)."""
    shape = (line.n_days, len(natures.bend))
    happened = spec.stream("shocks").random(shape) < natures.shocks_per_day
    sizes = spec.stream("shock sizes").standard_normal(shape) * SHOCK_CENTS
    return np.cumsum(happened * sizes, axis=0).T


def states(
    spec: FleetSpec,
    line: Timeline,
    fleet: tuple[Instrument, ...],
    natures: Natures,
    air: IndoorAir,
    playing: Floats,
) -> dict[str, Floats]:
    """Return the states of :class:`Truth` that nobody services."""
    felt = felt_air(line, fleet, natures, air)
    wood = Slabs.together(natures.board, natures.frame, natures.bed)
    noons = at_noon(wood, np.tile(felt.moisture, (3, 1))).reshape(3, len(fleet), line.n_days)
    return states_of(spec, line, fleet, natures, felt, noons, playing)


def states_of(
    spec: FleetSpec,
    line: Timeline,
    fleet: tuple[Instrument, ...],
    natures: Natures,
    felt: Felt,
    noons: Floats,
    playing: Floats,
) -> dict[str, Floats]:
    """Return the states of :class:`Truth` for wood (board, frame, bed) at noon, shape (3, n, days)."""
    board, frame, bed = noons
    noon = HOURS_A_DAY // AIR_HOURS
    warmth = felt.temp_c[:, noon // 2 :: noon] - USUAL_C
    hours = np.cumsum(np.outer([one.hours_per_week / 7 for one in fleet], playing), axis=1)
    age_days = np.array([[(line.first - date(one.year_built, 7, 1)).days] for one in fleet], float)
    age_days = np.maximum(age_days + np.arange(line.n_days), since_service(line, fleet))
    away = board - USUAL_MOISTURE
    weather = away * (1 + natures.bend[:, None] * away)
    common = (
        natures.cents_per_k[:, None] * warmth
        - natures.creep_cents[:, None] * np.log10(1 + age_days / CREEP_DAYS)
        + natures.cents_per_hour[:, None] * hours
        + walk(spec, "pitch walk", line, natures.walk_cents)
        + shocks(spec, line, natures)
    )
    cycling = np.cumsum(np.abs(np.diff(frame, axis=1, prepend=frame[:, :1])), axis=1)
    return {
        "pitch": natures.cents_per_moisture[:, :, None] * weather[:, None, :] + common[:, None, :],
        "contact": natures.mm_per_moisture[:, None] * (frame - bed)
        + walk(spec, "contact walk", line, natures.walk_gap_mm),
        "age": np.log10(1 + age_days / SETTLING_DAYS),
        "touch": natures.dip_per_cycling[:, None] * cycling
        + walk(spec, "touch walk", line, natures.walk_dip_mm),
        "hours": hours,
        "board_moisture": board,
        "walk_marks": walk(spec, "tone walk", line, np.full(len(fleet), 0.01)),
    }


def since_service(line: Timeline, fleet: Sequence[Instrument]) -> Floats:
    """Return the days since each instrument came, not below zero, shape (n, days)."""
    came = np.array([[line.index(one.in_service)] for one in fleet], float)
    return np.asarray(np.maximum(np.arange(line.n_days) - came, 0.0))
