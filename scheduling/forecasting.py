"""Forecasts as a service: compute from the facts, keep one current row per instrument and kind of service."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from django.db import transaction
from django.utils import timezone

from fleet.models import Site
from fleet.refusal import Refused
from scheduling import engine
from scheduling.engine.forecast import FleetModel, Outlook, build_model
from scheduling.inputs import FleetFacts, fleet_facts
from scheduling.models import Forecast, ForecastRun, ForecastState

SEED = 20_261_125
HORIZON_DAYS = 365
LONGEST_HORIZON_DAYS = 1100
# An instrument leaves soon when it is as likely as not out within so many days: time enough to plan a visit.
# Prior: common practice, no source.
SOON_DAYS = 21
OUT_FROM = 0.5

Progress = Callable[[str], None]


@cache
def engine_version() -> str:
    """Return a mark of the forecasting code itself, so that no change of it can be forgotten."""
    seen = hashlib.sha256()
    for file in sorted(Path(engine.__file__).parent.glob("*.py")):
        seen.update(file.read_bytes())
    return seen.hexdigest()[:16]


def refresh(
    site: Site,
    today: date,
    horizon_days: int = HORIZON_DAYS,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> ForecastRun:
    """Bring a site's forecasts up to date with its facts and return the run they belong to.

    The same facts on the same day give the same run, and nothing is computed again. The whole site is
    computed together, since its instruments learn from each other.

    Raises
    ------
    fleet.refusal.Refused
        Where the horizon is out of range or the engine refuses a fact.
    """
    if not 1 <= horizon_days <= LONGEST_HORIZON_DAYS:
        raise Refused(
            "the horizon is out of range", value=horizon_days, accepted=f"1 to {LONGEST_HORIZON_DAYS} days"
        )
    facts = fleet_facts(site, today, horizon_days)
    key = {
        "site": site,
        "today": today,
        "horizon_days": horizon_days,
        "input_hash": facts.digest(),
        "seed": SEED,
        "code_version": engine_version(),
    }
    run = ForecastRun.objects.filter(**key).first()
    if run is not None and run.forecasts.count() == len(facts.lines):
        return run
    outlooks = model_of(facts).outlooks(SEED, _told(progress))
    return _store(key, facts, outlooks, now or timezone.now())


def model_of(facts: FleetFacts) -> FleetModel:
    """Return the engine's model of a fleet.

    Raises
    ------
    fleet.refusal.Refused
        Where the engine refuses a fact; its words name the instrument, the value and the likely cause.
    """
    try:
        return build_model(
            facts.rooms, facts.subjects, facts.playing, facts.today.toordinal(), facts.horizon_days
        )
    except ValueError as error:
        raise Refused(f"no forecast can be made: {error}") from error


def _told(progress: Progress | None) -> Callable[[int, int], None] | None:
    if progress is None:
        return None
    said = -1

    def tell(done: int, total: int) -> None:
        nonlocal said
        tenth = 10 * done // max(total, 1)
        if tenth > said:
            said = tenth
            progress(f"forecasts: {done:,} of {total:,}")

    return tell


@transaction.atomic
def _store(key: dict[str, Any], facts: FleetFacts, outlooks: Sequence[Outlook], now: datetime) -> ForecastRun:
    run, _ = ForecastRun.objects.update_or_create(**key, defaults={"made_at": now})
    rows = [
        _row(run, line.instrument_id, outlook) for line, outlook in zip(facts.lines, outlooks, strict=True)
    ]
    same = ("instrument", "kind")
    changing = [
        field.name
        for field in Forecast._meta.concrete_fields
        if not field.primary_key and field.name not in same
    ]
    Forecast.objects.bulk_create(
        rows, batch_size=500, update_conflicts=True, unique_fields=same, update_fields=changing
    )
    Forecast.objects.of_site(run.site).exclude(run=run).delete()
    return run


def _row(run: ForecastRun, instrument_id: int, outlook: Outlook) -> Forecast:
    return Forecast(
        run=run,
        instrument_id=instrument_id,
        kind=outlook.service,
        unit=outlook.unit,
        tolerance=outlook.tolerance,
        last_service=_date(outlook.last_service),
        state=state_of(outlook.out_now, _date(outlook.p50), run.today),
        out_now=_fraction(outlook.out_now),
        due_early=_date(outlook.p10),
        due_middle=_date(outlook.p50),
        due_late=_date(outlook.p90),
        weekly=[
            [date.fromordinal(int(day)).isoformat(), _fraction(p), float(mean), float(sd)]
            for day, p, mean, sd in zip(outlook.days, outlook.p_out, outlook.mean, outlook.sd, strict=True)
        ],
        drivers=[asdict(driver) for driver in outlook.drivers],
        learned_from=outlook.learned_from,
        mostly_prior=outlook.mostly_prior,
    )


def state_of(out_now: float, due_middle: date | None, today: date) -> str:
    """Return the state in words: out when more likely than not, leaving soon when due within three weeks."""
    if out_now >= OUT_FROM:
        return ForecastState.OUT
    if due_middle is not None and due_middle <= today + timedelta(days=SOON_DAYS):
        return ForecastState.LEAVING_SOON
    return ForecastState.IN_TOLERANCE


def _date(ordinal: int | None) -> date | None:
    return None if ordinal is None else date.fromordinal(int(ordinal))


def _fraction(value: float) -> float:
    """A probability from sums of floats may miss 0 or 1 by a rounding."""
    return min(max(float(value), 0.0), 1.0)
