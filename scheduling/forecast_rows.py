"""Forecasts as rows: one current row per instrument and kind of service, with what it was made from."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.db import transaction

from fleet.models import Site
from fleet.signals import tell_facts_changed
from scheduling.engine.deviation import N_PARTS
from scheduling.engine.findings import N_NOISES
from scheduling.engine.forecast import Heard, Outlook
from scheduling.engine.priors import REGISTER_SPREAD, Lesson
from scheduling.engine.testimony import SILENCE, Testimony
from scheduling.inputs import FleetFacts, Line
from scheduling.models import Forecast, ForecastRun, ForecastState

# An instrument leaves soon when it is as likely as not out within so many days: time enough to plan a visit.
# Prior: common practice, no source.
SOON_DAYS = 21
OUT_FROM = 0.5

Others = dict[tuple[str, str], Testimony]
Digests = dict[tuple[int, str], str]  # by instrument and kind of service


def store(run: ForecastRun, facts: FleetFacts, outlooks: Sequence[Outlook], heard: Heard) -> None:
    """Keep the outlooks of the lines of some facts as the current forecasts of a run."""
    rows = [
        _row(run, line, facts.digest_of(line), outlook, heard)
        for line, outlook in zip(facts.lines, outlooks, strict=True)
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


@contextmanager
def one_at_a_time(site: Site) -> Iterator[None]:
    """Open a transaction in which nobody else stores forecasts of a site."""
    with transaction.atomic():
        Site.objects.select_for_update(no_key=True).get(pk=site.pk)
        yield


def digests_of(rows: Iterable[Forecast]) -> Digests:
    """Return what rows were made from, by instrument and kind."""
    return {(row.instrument_id, row.kind): row.digest for row in rows}


def stored_digests(site: Site, instruments: Collection[int] | None = None) -> Digests:
    """Return what the current forecasts of a site, or of some of its instruments, were made from."""
    rows = Forecast.objects.of_site(site)
    if instruments is not None:
        rows = rows.filter(instrument__in=instruments)
    return digests_of(rows.only("instrument_id", "kind", "digest"))


def look_again(
    site: Site, before: Digests, facts: FleetFacts, instruments: Collection[int] | None = None
) -> None:
    """Before forecasts of a site or some instruments are stored, note where others came between.

    Two who compute side by side may have read different facts, and the slower one need not have read the
    newer ones. Instruments about which they differ are computed again from what is known then.
    """
    mine = {(line.instrument_id, line.subject.service): facts.digest_of(line) for line in facts.lines}
    overtaken = {
        name[0]
        for name, digest in stored_digests(site, instruments).items()
        if digest not in (before.get(name), mine.get(name))
    }
    tell_facts_changed(site.pk, instrument_ids=overtaken)


def forget_parts(site: Site) -> None:
    """Delete runs of some instruments whose forecasts have all been replaced; no plan rests on them."""
    runs = ForecastRun.objects.of_site(site).filter(part_of__isnull=False, forecasts=None, plans=None)
    ForecastRun.objects.filter(pk__in=list(runs.values_list("pk", flat=True))).delete()


def others_of(rows: Iterable[Forecast]) -> Others:
    """Return what instruments alike had said, by instrument and kind, as it was kept with forecasts."""
    return {
        (row.instrument.tag, service): _testimony(numbers)
        for row in rows
        for service, numbers in row.others.items()
    }


def _others(heard: Heard, line: Line) -> dict[str, list[float]]:
    """What was heard for a line, without the silent; with a tuning goes the spread of its registers."""
    subject = line.subject
    services = (subject.service, REGISTER_SPREAD) if subject.service == "tuning" else (subject.service,)
    found = ((service, heard.others.get((subject.instrument, service), SILENCE)) for service in services)
    return {service: list(_numbers(told)) for service, told in found if told is not SILENCE}


def _numbers(told: Testimony) -> Iterator[float]:
    yield from told.precision.ravel().tolist()
    yield from told.shift.tolist()
    yield from (told.misfit, told.count)
    yield from (*told.lesson.noise, *told.lesson.scatter, told.lesson.bedded, told.lesson.wear)


def _testimony(numbers: Sequence[float]) -> Testimony:
    squares, ends = N_PARTS * N_PARTS, N_PARTS * (N_PARTS + 1)
    misfit, count, *lesson = numbers[ends:]
    rest = N_NOISES + N_PARTS
    return Testimony(
        np.array(numbers[:squares], float).reshape(N_PARTS, N_PARTS),
        np.array(numbers[squares:ends], float),
        float(misfit),
        int(count),
        Lesson(tuple(lesson[:N_NOISES]), tuple(lesson[N_NOISES:rest]), *lesson[rest:]),
    )


def _row(run: ForecastRun, line: Line, digest: str, outlook: Outlook, heard: Heard) -> Forecast:
    return Forecast(
        run=run,
        instrument_id=line.instrument_id,
        digest=digest,
        others=_others(heard, line),
        kind=outlook.service,
        unit=outlook.unit,
        tolerance=outlook.tolerance,
        last_service=_date(outlook.last_service),
        state=state_of(outlook.out_now, _date(outlook.p50), run.today),
        out_now=_fraction(outlook.out_now),
        due_early=_date(outlook.p10),
        due_middle=_date(outlook.p50),
        due_late=_date(outlook.p90),
        weekly=_weekly(outlook),
        drivers=[{"name": one.name, "share": one.share, "words": one.words} for one in outlook.drivers],
        learned_from=outlook.learned_from,
        mostly_prior=outlook.mostly_prior,
        sensitivities=[
            [one.name, one.learned.mean, one.learned.sd, one.usual.mean, one.usual.sd]
            for one in outlook.sensitivities
        ],
    )


def _weekly(outlook: Outlook) -> list[list[Any]]:
    days = [date.fromordinal(day).isoformat() for day in outlook.days.tolist()]
    p_out = np.clip(outlook.p_out, 0.0, 1.0)
    columns = days, p_out.tolist(), outlook.mean.tolist(), outlook.sd.tolist()
    return [list(row) for row in zip(*columns, strict=True)]


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
