"""Forecasts as a service: compute from the facts, keep one current row per instrument and kind of service."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet.models import FactChange, Site
from fleet.refusal import Refused
from scheduling import engine
from scheduling.engine.forecast import FleetModel, Heard, build_model
from scheduling.forecast_rows import (
    digests_of,
    forget_parts,
    look_again,
    one_at_a_time,
    others_of,
    store,
    stored_digests,
)
from scheduling.inputs import FleetFacts, fleet_facts
from scheduling.models import Forecast, ForecastRun

SEED = 20_261_125
HORIZON_DAYS = 365
LONGEST_HORIZON_DAYS = 1100

Progress = Callable[[str], None]
RunKey = dict[str, Any]


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
    instruments: Collection[int] | None = None,
) -> ForecastRun:
    """Bring a site's forecasts up to date with its facts and return the run they belong to.

    The same facts on the same day give the same run, and nothing is computed again. The whole site is
    computed together, since its instruments learn from each other. Where instruments are given, only those
    of them are computed whose own facts have changed, with what the others had said when the whole site was
    last computed for that day; where it was not, it is now.

    Raises
    ------
    fleet.refusal.Refused
        Where the horizon is out of range or the engine refuses a fact.
    """
    if not 1 <= horizon_days <= LONGEST_HORIZON_DAYS:
        raise Refused(
            _("the horizon is out of range"),
            value=horizon_days,
            accepted=_("1 to %(longest_horizon_days)s days") % {"longest_horizon_days": LONGEST_HORIZON_DAYS},
        )
    # Facts that come in while this is computed are newer than the run.
    now = now or timezone.now()
    key = {
        "site": site,
        "today": today,
        "horizon_days": horizon_days,
        "seed": SEED,
        "code_version": engine_version(),
    }
    some = None if instruments is None else _refresh_some(key, instruments, now)
    return some or _refresh_whole(key, progress, now)


def let_go(changes: Collection[int]) -> None:
    """Forget changes of facts that forecasts have taken into account."""
    FactChange.objects.filter(pk__in=changes).delete()


def _refresh_whole(key: RunKey, progress: Progress | None, now: datetime) -> ForecastRun:
    site = key["site"]
    waiting = list(FactChange.objects.of_site(site).values_list("pk", flat=True))
    before = stored_digests(site)
    facts = fleet_facts(site, key["today"], key["horizon_days"])
    key = {**key, "input_hash": facts.digest()}
    run = ForecastRun.objects.filter(**key, part_of=None, since__isnull=False).first()
    if run is None or run.forecasts.count() != len(facts.lines):
        model = model_of(facts)
        outlooks = model.outlooks(SEED, _told(progress))
        with one_at_a_time(site):
            values = {"made_at": now, "since": model.heard.since, "part_of": None}
            run, _ = ForecastRun.objects.update_or_create(**key, defaults=values)
            look_again(site, before, facts)
            store(run, facts, outlooks, model.heard)
            Forecast.objects.of_site(site).exclude(run=run).delete()
            forget_parts(site)
    let_go(waiting)
    return run


def _refresh_some(key: RunKey, instruments: Collection[int], now: datetime) -> ForecastRun | None:
    """Refresh some instruments; None where the whole site has to be computed first."""
    known = ForecastRun.objects.filter(**key, part_of=None, since__isnull=False)
    whole = known.order_by("-made_at", "-pk").first()
    if whole is None:
        return None
    stored = Forecast.objects.filter(Q(run=whole) | Q(run__part_of=whole), instrument__in=instruments)
    rows = {(row.instrument_id, row.kind): row for row in stored.select_related("run", "instrument")}
    facts = fleet_facts(key["site"], key["today"], key["horizon_days"], instruments)
    lines = {(line.instrument_id, line.subject.service): line for line in facts.lines}
    if lines.keys() - rows.keys():
        return None
    changed = [name for name, line in lines.items() if facts.digest_of(line) != rows[name].digest]
    gone = [row for name, row in rows.items() if name not in lines]
    if not changed and not gone:
        return max((row.run for row in rows.values()), key=lambda run: run.made_at, default=whole)
    facts = replace(facts, lines=tuple(lines[name] for name in changed))
    key = {**key, "input_hash": _part_hash(whole, facts)}
    return _store_part(key, whole, facts, rows, gone, now)


def _part_hash(whole: ForecastRun, facts: FleetFacts) -> str:
    digests = (facts.digest_of(line) for line in facts.lines)
    return hashlib.sha256(" ".join([whole.input_hash, *digests]).encode()).hexdigest()


def _store_part(
    key: RunKey,
    whole: ForecastRun,
    facts: FleetFacts,
    rows: Mapping[tuple[int, str], Forecast],
    gone: Sequence[Forecast],
    now: datetime,
) -> ForecastRun:
    """Compute some lines with what was heard when the whole was, and drop the forecasts that have gone."""
    changed = [rows[line.instrument_id, line.subject.service] for line in facts.lines]
    outlooks, heard = [], Heard(whole.since or 0, others_of(changed))
    if facts.lines:
        outlooks = model_of(facts, heard).outlooks(SEED)
    site = key["site"]
    with one_at_a_time(site):
        values = {"made_at": now, "since": whole.since, "part_of": whole}
        run, _ = ForecastRun.objects.update_or_create(**key, defaults=values)
        look_again(site, digests_of(rows.values()), facts, {row.instrument_id for row in rows.values()})
        store(run, facts, outlooks, heard)
        Forecast.objects.filter(pk__in=[row.pk for row in gone]).delete()
        forget_parts(site)
    return run


def model_of(facts: FleetFacts, heard: Heard | None = None) -> FleetModel:
    """Return the engine's model of a fleet, or of some of it with what the whole had said.

    Raises
    ------
    fleet.refusal.Refused
        Where the engine refuses a fact; its words name the instrument, the value and the likely cause.
    """
    try:
        return build_model(
            facts.rooms,
            facts.subjects,
            facts.playing,
            facts.today.toordinal(),
            facts.horizon_days,
            heard=heard,
        )
    except ValueError as error:
        raise Refused(_("no forecast can be made: %(error)s") % {"error": error}) from error


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
