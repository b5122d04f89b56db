"""How much surer a forecast would be with facts that are missing: the same model asked with and without."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from scheduling import forecasting
from scheduling.engine.forecast import MOSTLY_PRIOR_BELOW, Outlook, Record, RoomAir, Subject, build_model
from scheduling.inputs import FleetFacts, Line

MEASURED = 4  # services whose found value is supposed
EVERY = 90  # days between them
YEAR = 365
# A room heated in winter: driest late in January. Prior, common practice, no source; only its like matters.
TYPICAL_RH, SWING_RH, WEATHER_RH, KEEP, DRIEST = 0.45, 0.10, 0.04, 0.9, 25


@dataclass(frozen=True)
class Gain:
    """Days from the early to the late date of a due window, as it is and with the missing facts."""

    instrument: str
    service: str
    now: int
    then: int

    def row(self) -> dict[str, Any]:
        """Return it as plain values."""
        return {"instrument": self.instrument, "service": self.service, "now": self.now, "then": self.then}


def gains_of(facts: FleetFacts, outlooks: Sequence[Outlook]) -> dict[str, Any]:
    """Return, by what is missing, how far a typical tuning's due window would narrow with it.

    Nothing is said of what is there already, nor where a window reaches beyond the horizon either way.
    """
    found: dict[str, Gain | None] = {}
    place = _typical(facts, outlooks, lambda line, outlook: outlook.learned_from < MOSTLY_PRIOR_BELOW)
    if place is not None:
        found["services"] = _gain(facts, facts.lines[place], outlooks[place], _with_measurements)
    measured = {air.room for air in facts.rooms if len(air.days) and not air.borrowed_from}
    place = _typical(facts, outlooks, lambda line, outlook: line.room_on(facts.today) not in measured)
    if place is not None:
        found["readings"] = _gain(facts, facts.lines[place], outlooks[place], _with_readings)
    return {name: gain.row() for name, gain in found.items() if gain is not None}


def _typical(facts: FleetFacts, outlooks: Sequence[Outlook], wanted: Any) -> int | None:
    """Return the place of the wanted tuning whose window is the middle one in width; None where none is."""
    widths = [
        (width, place)
        for place, (line, outlook) in enumerate(zip(facts.lines, outlooks, strict=True))
        if line.subject.service == "tuning" and wanted(line, outlook) and (width := _width(outlook))
    ]
    return sorted(widths)[len(widths) // 2][1] if widths else None


def _width(outlook: Outlook) -> int | None:
    return None if outlook.p10 is None or outlook.p90 is None else outlook.p90 - outlook.p10


def _gain(facts: FleetFacts, line: Line, outlook: Outlook, more: Any) -> Gain | None:
    now = _width(outlook)
    rooms, subject = more(facts, line)
    today = facts.today.toordinal()
    model = build_model(rooms, [subject], facts.playing, today, facts.horizon_days)
    then = _width(model.outlooks(forecasting.SEED)[0])
    if not now or then is None or then >= now:
        return None
    return Gain(subject.instrument, subject.service, now, then)


def _with_measurements(facts: FleetFacts, line: Line) -> tuple[tuple[RoomAir, ...], Subject]:
    """The same instrument with services at which it was found as far out as was foreseen each time."""
    subject, today = line.subject, facts.today.toordinal()
    last = subject.records[-1].day if subject.records else today - EVERY
    days = [last - EVERY * back for back in range(MEASURED, -1, -1)]
    records = [Record(days[0], None, 0.0)]
    for day in days[1:]:
        model = build_model(facts.rooms, [replace(subject, records=tuple(records))], facts.playing, day, 30)
        mean, _sd = model.moments(np.array([day]))
        records.append(Record(day, float(mean[0, 0]), 0.0))
    return facts.rooms, replace(subject, records=tuple(records))


def _with_readings(facts: FleetFacts, line: Line) -> tuple[tuple[RoomAir, ...], Subject]:
    """The same instrument in a room that a sensor has watched for a year, through a typical year of air."""
    name = line.room_on(facts.today)
    days = facts.today.toordinal() - np.arange(YEAR)[::-1]
    phase = np.array(
        [(date.fromordinal(int(day)) - timedelta(days=DRIEST)).timetuple().tm_yday for day in days]
    )
    rh = TYPICAL_RH - SWING_RH * np.cos(2 * np.pi * phase / YEAR)
    rng, weather = np.random.default_rng(forecasting.SEED), np.zeros(YEAR)
    for day in range(1, YEAR):
        weather[day] = KEEP * weather[day - 1] + WEATHER_RH * np.sqrt(1 - KEEP**2) * rng.standard_normal()
    watched = next((air for air in facts.rooms if air.room == name), None)
    building = watched.building if watched else ""
    air = RoomAir(name, building, days, np.full(YEAR, 21.0), np.clip(rh + weather, 0.05, 0.95))
    return (*(other for other in facts.rooms if other.room != name), air), line.subject
