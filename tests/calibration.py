"""How well forecasts of invented fleets agree with the truth behind them, scored as shares and ratios.

The generator of the fleets shares no code with the engine: another sorption curve, diffusion through layers,
power laws of wear, sensitivities of its own, and sensors and technicians that err.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from fleet.demo.fleet import InventedFleet, invent
from fleet.demo.spec import HOURS_A_DAY, FleetSpec
from fleet.demo.truth import CONTROLLED_RH, USUAL_MOISTURE
from fleet.demo.wood import sorbed
from scheduling.engine.backtest import Pair, backtest
from scheduling.engine.forecast import FleetModel, Subject, build_model
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.priors import PER_POINT
from tests.told_fleets import told_playing, told_rooms, told_subjects

Floats = NDArray[np.float64]

TODAY = date(2026, 11, 25)
HORIZON_DAYS = 365
AHEAD_DAYS = 182  # Mondays on which the interval of the deviation is held against the truth
FEWEST_RECORDS = 3
MANY_VALUES = 10  # found at tunings, from which the sensitivity's interval is judged
EIGHTY = float(ndtri(0.9))
SHARES = (0.1, 0.5, 0.9)


@dataclass
class Scores:
    """Over some fleets; by kind of service where it says so.

    Attributes
    ----------
    inside : by kind: for each Monday, whether the true deviation lies within the 80 % interval
    places : by kind: where the true first day out lies in the distribution told, randomised [0 to 1]
    ends : by kind: told probability of today, and of beyond the horizon, and whether it was so; rows of four
    sensitivity_inside : whether the true sensitivity of a pitch lies within its 80 % interval
    pairs : forecasts of found values from the records before, each beside its baselines
    """

    inside: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    places: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    ends: dict[str, list[tuple[float, ...]]] = field(default_factory=lambda: defaultdict(list))
    sensitivity_inside: list[bool] = field(default_factory=list)
    pairs: dict[str, list[Pair]] = field(default_factory=lambda: defaultdict(list))

    def coverage(self, kinds: Iterable[str] = ()) -> float:
        """Share of Mondays within the interval, of some kinds or all [-]."""
        return float(np.mean(np.concatenate([self.inside[kind] for kind in kinds or self.inside])))

    def reached(self, kinds: Iterable[str] = ()) -> list[float]:
        """Share of true dates up to the early, middle and late ones told; 0.1, 0.5 and 0.9 if calibrated."""
        places = np.concatenate([self.places[kind] for kind in kinds or self.places])
        return [float(np.mean(places <= share)) for share in SHARES]

    def gains(self, kind: str, least_before: int = 1) -> tuple[float, float]:
        """How much lower the CRPS is than that of the fixed interval and of the seasonal mean [-].

        Of the values found after at least so many earlier records.
        """
        pairs = [pair for pair in self.pairs[kind] if pair.past.index >= least_before]
        crps, fixed, seasonal = (
            np.mean([getattr(pair, name) for pair in pairs])
            for name in ("crps", "fixed_interval", "seasonal_mean")
        )
        return float(1 - crps / fixed), float(1 - crps / seasonal)

    def sensitivity_coverage(self) -> float:
        """Share of true sensitivities within their 80 % interval [-]."""
        return float(np.mean(self.sensitivity_inside))


def fleet_of(spec: FleetSpec) -> InventedFleet:
    """A fleet whose truth is known for a horizon after today, on which nobody does anything any more."""
    return invent(replace(spec, days_after=HORIZON_DAYS), TODAY)


def score(scores: Scores, fleet: InventedFleet, seed: int, folds: int) -> None:
    """Forecast a fleet on its day, hold it against what really comes, and add what is found to the scores."""
    told = told_rooms(fleet), told_subjects(fleet), told_playing(fleet)
    today = fleet.line.today.toordinal()
    model = build_model(*told, today, HORIZON_DAYS)
    mondays = today + np.arange((1 - today) % 7, AHEAD_DAYS + 1, 7)
    means, sds = model.moments(mondays)
    rng = np.random.default_rng(seed)
    paths: dict[str, dict[str, Floats]] = {}
    for row, (subject, waits) in enumerate(zip(model.subjects, model.waits(seed), strict=True)):
        if len(subject.records) < FEWEST_RECORDS:
            continue
        if subject.instrument not in paths:
            paths[subject.instrument] = fleet.truth.paths(subject.instrument)
        true = paths[subject.instrument][subject.service][fleet.line.index(fleet.line.today) :]
        off = np.abs(true[mondays - today] - means[row])
        scores.inside[subject.service] += (off <= EIGHTY * sds[row]).tolist()
        really = first_out(fleet, subject, true)
        scores.places[subject.service].append(randomised_place(really, waits, rng))
        ends = (
            np.mean(waits == 0),
            float(really == 0),
            np.mean(waits > HORIZON_DAYS),
            float(really > HORIZON_DAYS),
        )
        scores.ends[subject.service].append(ends)
    scores.sensitivity_inside += sensitivities_inside(fleet, model)
    for pair in backtest(*told, folds).scored:
        if len(told[1][pair.past.place].records) >= FEWEST_RECORDS:
            scores.pairs[pair.past.service].append(pair)


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


def sensitivities_inside(fleet: InventedFleet, model: FleetModel) -> list[bool]:
    """Whether each pitch's true answer to humidity lies in its 80 % interval, of those with many values."""
    inside = []
    for row, subject in enumerate(model.subjects):
        told, values = model.sensitivity(row)
        if subject.service == "tuning" and values >= MANY_VALUES:
            off = abs(true_sensitivity(fleet, subject.instrument) - told.mean)
            inside.append(bool(off <= EIGHTY * told.sd))
    return inside


def true_sensitivity(fleet: InventedFleet, tag: str) -> float:
    """What a sensitivity is in the generator's terms: the pitch it would come to in still air, at once.

    Slope of that pitch on the moisture that the engine's sorption curve gives for the room's true air, over
    the days on record, in cents per percent of humidity. The curves differ, as no two such curves agree; the
    warmth of the strings is left out, since the engine has a term of its own for it.
    """
    truth, line = fleet.truth, fleet.line
    number = truth.tags.index(tag)
    days = slice(line.index(line.recorded), line.index(line.today))
    room = truth.fleet[number].room
    temp, rh = (
        air[room].reshape(-1, HOURS_A_DAY).mean(axis=1)[days] for air in (fleet.air.temp_c, fleet.air.rh)
    )
    natures = truth.natures
    felt = CONTROLLED_RH + natures.control[number] * (rh - CONTROLLED_RH)
    away = sorbed(felt, temp) - USUAL_MOISTURE
    cents = natures.cents_per_moisture[number].mean() * away * (1 + natures.bend[number] * away)
    return float(np.polyfit(equilibrium_moisture(temp, rh), cents, 1)[0] / PER_POINT)
