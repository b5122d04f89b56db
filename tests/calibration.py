"""How well forecasts of invented fleets agree with the truth behind them, scored as shares and ratios."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fleet.demo.fleet import InventedFleet, invent
from fleet.demo.spec import FleetSpec
from scheduling.engine.cases import prepare
from scheduling.engine.deviation import MOISTURE
from scheduling.engine.fabric import weave
from scheduling.engine.findings import earliest_finding
from scheduling.engine.forecast import Outlook, Subject, build_model
from scheduling.engine.learning import learn
from tests.told_fleets import told_playing, told_rooms, told_subjects

Floats = NDArray[np.float64]

TODAY = date(2026, 11, 25)
HORIZON_DAYS = 365
AHEAD_DAYS = 182  # Mondays on which the interval of the deviation is held against the truth
FEWEST_RECORDS = 3
EIGHTY = float(ndtri(0.9))
SHARES = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Scores:
    """Over some instruments and kinds of service; arrays by kind of service.

    Attributes
    ----------
    inside : whether the true deviation of each Monday lies within the 80 % interval
    places : where the true first day out lies in the distribution told, randomised [0 to 1]
    sensitivity_inside : whether the true sensitivity of the pitch lies within its 80 % interval
    """

    inside: dict[str, NDArray[np.bool_]]
    places: dict[str, Floats]
    sensitivity_inside: NDArray[np.bool_]

    def __add__(self, other: Scores) -> Scores:
        def joined(one: dict[str, Floats], two: dict[str, Floats]) -> dict[str, Floats]:
            names = sorted({*one, *two})
            return {
                name: np.concatenate([part[name] for part in (one, two) if name in part]) for name in names
            }

        return Scores(
            joined(self.inside, other.inside),
            joined(self.places, other.places),
            np.concatenate([self.sensitivity_inside, other.sensitivity_inside]),
        )


def fleet_of(spec: FleetSpec) -> InventedFleet:
    """A fleet whose truth is known for a horizon after today, on which nobody does anything any more."""
    return invent(replace(spec, days_after=HORIZON_DAYS), TODAY)


def score(fleet: InventedFleet, seed: int) -> Scores:
    """Forecast a fleet on its day and hold it against what really comes."""
    subjects = told_subjects(fleet)
    rooms, playing = told_rooms(fleet), told_playing(fleet)
    today = fleet.line.today.toordinal()
    model = build_model(rooms, subjects, playing, today, HORIZON_DAYS)
    outlooks, waits = model.outlooks(seed), model.waits(seed)
    rng = np.random.default_rng(seed)
    inside: dict[str, list[NDArray[np.bool_]]] = {}
    places: dict[str, list[float]] = {}
    paths: dict[str, dict[str, Floats]] = {}
    for subject, outlook, wait in zip(subjects, outlooks, waits, strict=True):
        if len(subject.records) < FEWEST_RECORDS:
            continue
        if subject.instrument not in paths:
            paths[subject.instrument] = fleet.truth.paths(subject.instrument)
        true = paths[subject.instrument][subject.service][fleet.line.index(fleet.line.today) :]
        inside.setdefault(subject.service, []).append(within(outlook, true, today))
        really = first_out(fleet, subject, true)
        places.setdefault(subject.service, []).append(randomised_place(really, wait, rng))
    return Scores(
        {kind: np.concatenate(parts) for kind, parts in inside.items()},
        {kind: np.array(parts) for kind, parts in places.items()},
        sensitivities_inside(fleet, rooms, subjects, playing),
    )


def within(outlook: Outlook, true: Floats, today: int) -> NDArray[np.bool_]:
    """Whether the true deviation lies within the 80 % interval, on the Mondays of half a year."""
    ahead = outlook.days - today
    near = ahead <= AHEAD_DAYS
    off = np.abs(true[ahead[near]] - outlook.mean[near])
    return np.asarray(off <= EIGHTY * outlook.sd[near])


def first_out(fleet: InventedFleet, subject: Subject, true: Floats) -> int:
    """Days from today to the first on which the truth is out of tolerance; a day beyond the horizon if none.

    A tuning is out as well where half the range of its registers passes the tolerance.
    """
    out = np.abs(true) > subject.tolerance
    if subject.service == "tuning" and any(
        value is not None for r in subject.records for value in r.registers
    ):
        out |= parted_by(fleet, subject.instrument) > subject.tolerance
    out = out[: HORIZON_DAYS + 1]
    return int(np.argmax(out)) if out.any() else HORIZON_DAYS + 1


def parted_by(fleet: InventedFleet, tag: str) -> Floats:
    """Half the range of the true registers from today on, since the last tuning [cents]."""
    number, line = fleet.truth.tags.index(tag), fleet.line
    last = line.index(fleet.truth.visits[tag, "tuning"][-1].day)
    moved = fleet.truth.pitch[number] - fleet.truth.pitch[number][:, [last]]
    return np.asarray(np.ptp(moved, axis=0)[line.index(line.today) :] / 2.0)


def randomised_place(really: int, waits: NDArray[np.int64], rng: np.random.Generator) -> float:
    """Where a day lies in a distribution of days: uniform between the shares before it and up to it.

    Uniform over many forecasts if they are calibrated, whatever lumps there are at today or beyond the
    horizon (C. Czado, T. Gneiting, L. Held, Predictive model assessment for count data, Biometrics 65, 2009).
    """
    before, until = np.mean(waits < really), np.mean(waits <= really)
    return float(before + rng.random() * (until - before))


def sensitivities_inside(
    fleet: InventedFleet, rooms: Sequence, subjects: Sequence[Subject], playing: object
) -> NDArray[np.bool_]:
    """Whether what is believed of the pitch's answer to moisture holds the truth, tunings only."""
    today = fleet.line.today.toordinal()
    tunings = [one for one in subjects if one.service == "tuning" and len(one.records) >= FEWEST_RECORDS]
    cases = [prepare(subject, today) for subject in tunings]
    fabric = weave(rooms, cases, playing, today, 1, earliest_finding(cases, today))  # type: ignore[arg-type]
    inside = []
    learned = learn(fabric.groups(cases), cases, today)
    for case, belief in zip(learned.cases, learned.beliefs, strict=True):
        number = fleet.truth.tags.index(case.subject.instrument)
        natures = fleet.truth.natures
        true = float(natures.cents_per_moisture[number].mean() * natures.control[number])
        middle = belief.weights @ belief.mean[:, MOISTURE]
        noise = belief.scale * belief.shape / (belief.shape - 1.0)
        variance = belief.weights @ (
            noise * belief.spread[:, MOISTURE, MOISTURE] + (belief.mean[:, MOISTURE] - middle) ** 2
        )
        inside.append(abs(true - middle) <= EIGHTY * variance**0.5)
    return np.array(inside)
