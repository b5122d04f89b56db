"""What holding a room's humidity would be worth: asked on a page, computed by the worker, kept as a row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.utils import timezone

from fleet.models import Room
from fleet.refusal import Refused
from scheduling import forecasting
from scheduling.asked_work import OPEN, Reporter, carry_out
from scheduling.engine.held_year import FREE, HELD, PATHS, Holding, LineYear
from scheduling.engine.subjects import Band, Floats
from scheduling.forecasting import LONGEST_HORIZON_DAYS, SEED
from scheduling.inputs import FleetFacts, Line, fleet_facts, weight_factors
from scheduling.models import HoldingStudy
from scheduling.scenarios.changes import Humidity
from scheduling.season_changes import Author

YEAR_DAYS = 365
# The first days from which a year is still within what a forecast reaches.
LATEST_START_DAYS = LONGEST_HORIZON_DAYS - YEAR_DAYS
# Eight futures of ten lie between these.
LOW, HIGH = 0.1, 0.9
CALENDAR, ONCE_OUT = "calendar", "once_out"
RULES = (CALENDAR, ONCE_OUT)
MEASURES = ("days", "weighted", "services", "hours")


@dataclass(frozen=True)
class Question:
    """A room held between two humidities [fraction] from a day on."""

    room: Room
    low_rh: float
    high_rh: float
    first: date


@transaction.atomic
def ask(question: Question, by: Author, at: datetime) -> HoldingStudy:
    """Ask for a year of a room held to a band; the same that still waits or runs is not asked for twice.

    Raises
    ------
    fleet.refusal.Refused
        Where band or day cannot be meant.
    """
    site = question.room.site
    today = site.local_date(at)
    band = question.low_rh, question.high_rh
    Humidity(question.room.name, *band, question.first).check(site, today)
    latest = today + timedelta(days=LATEST_START_DAYS)
    if not today <= question.first <= latest:
        accepted = f"{today.isoformat()} to {latest.isoformat()}"
        raise Refused(
            "held from a day that is over or too far ahead", value=question.first, accepted=accepted
        )
    wanted = {"room": question.room, "low_rh": band[0], "high_rh": band[1], "first_day": question.first}
    waiting = HoldingStudy.objects.filter(state__in=OPEN, **wanted).first()
    return waiting or HoldingStudy.objects.create(
        site=site, asked_at=at, asked_by=by.user, asker=by.name, **wanted
    )


def compute(study_id: int) -> HoldingStudy | None:
    """Compute a study unless that was done, is being done, or is no longer wanted."""
    return carry_out(HoldingStudy, study_id, _compute)


def _compute(study: HoldingStudy, reporter: Reporter) -> None:
    site = study.site
    today = site.local_date(timezone.now())
    first = max(study.first_day, today)
    reporter.say("reading what is known")
    horizon = (first - today).days + YEAR_DAYS
    facts = staying(fleet_facts(site, today, horizon), first)
    here = [n for n, line in enumerate(facts.lines) if line.room_on(first) == study.room.name]
    if not here:
        raise Refused(
            f"no instrument stands in {study.room.name} on {first.isoformat()}",
            value=study.room.name,
            accepted="a room with instruments in use",
        )
    reporter.say("learning from the whole fleet")
    model = forecasting.model_of(facts)
    days = first.toordinal() + np.arange(YEAR_DAYS, dtype=np.int64)
    band = Band(first.toordinal(), study.low_rh, study.high_rh)
    holding = Holding(study.room.name, band, YEAR_DAYS, weight_factors(site, days))
    years = []
    for year in model.held_years(holding, SEED):
        years.append(year)
        reporter.say(f"living the year of {len(years):,} of {len(here):,} lines")
    figures = {**summed_up(years, facts.lines), "today": today, "first_day": first, "paths": PATHS}
    HoldingStudy.objects.filter(pk=study.pk, state=HoldingStudy.State.RUNNING).update(
        **figures, hour_cost=site.hour_cost
    )


def staying(facts: FleetFacts, first: date) -> FleetFacts:
    """Leave out moves after a day: who stands in a room then is taken to stay."""
    return replace(facts, lines=tuple(_staying(line, first.toordinal()) for line in facts.lines))


def _staying(line: Line, day: int) -> Line:
    stays = line.subject.stays
    kept = tuple(stay for stay in stays if stay.from_day <= day) or stays[:1]
    return replace(line, subject=replace(line.subject, stays=kept))


def summed_up(years: Sequence[LineYear], lines: Sequence[Line]) -> dict[str, Any]:
    """Return sums over all lines, future by future, and each line's own figures, as rows of plain values."""
    worked = [(lines[year.place], measures_of(year, lines[year.place])) for year in years]
    together = {name: np.sum([found[name] for _, found in worked], axis=0) for name in MEASURES}
    return {
        "sums": figures_of(together),
        "lines": [
            {
                "instrument": line.instrument_id,
                "tag": line.subject.instrument,
                "kind": line.subject.service,
                **figures_of(found),
            }
            for line, found in worked
        ],
    }


def measures_of(year: LineYear, line: Line) -> dict[str, Floats]:
    """Return a line's days, weighted days, services and hours, each of shape (2 worlds, 2 rules, paths)."""
    return {
        "days": year.days,
        "weighted": line.weight * year.weighted,
        "services": year.services,
        "hours": line.hours * year.services,
    }


def figures_of(measures: dict[str, Floats]) -> dict[str, dict[str, dict[str, Any]]]:
    """Return, by rule and measure, means in both worlds and what is saved with its range."""
    return {
        rule: {name: _figure(values[FREE, n], values[HELD, n]) for name, values in measures.items()}
        for n, rule in enumerate(RULES)
    }


def _figure(free: Floats, held: Floats) -> dict[str, Any]:
    saved = free - held
    return {
        "free": float(free.mean()),
        "held": float(held.mean()),
        "saved": float(saved.mean()),
        "low": float(np.quantile(saved, LOW)),
        "high": float(np.quantile(saved, HIGH)),
        "error": float(saved.std(ddof=1) / np.sqrt(len(saved))),
    }
