"""Seconds and memory for the forecasts of a large site, database included, beside one instrument at a time.

Run from the repository's root: ``python tests/benchmarks/refresh.py [--instruments 1000] [--rooms 60]
[--keep FILE]``. A site with two years of quarter-hour readings is made in a SQLite file (or in the file
named, and found there again). The rival is the plain loop: the same engine, given the same air and the same
experience, asked for one instrument after the other; it is timed over a sample and scaled. Processor seconds
stand beside the clock's, since a busy machine stretches the one and not the other.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
TODAY = date(2026, 11, 25)
NAME = "A large house"
DAYS = 730
QUARTER_HOUR = 900 * 1_000_000
WEEKS = 26
SAMPLE = 40  # instruments of the plain loop
KINDS = {"tuning": (75, 4.5), "bedding": (240, 0.10), "regulation": (450, 0.30), "voicing": (240, 3.0)}
RECORDS = 8  # of each kind and instrument


def timed(what: str, work: Callable[[], Any]) -> tuple[Any, float]:
    """Do some work, print how long it took and what the process held at most; return result and seconds."""
    begun, used = time.perf_counter(), time.process_time()
    result = work()
    lasted, used = time.perf_counter() - begun, time.process_time() - used
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what:44}{lasted:>9.2f}{used:>11.2f}{most:>10.0f}", flush=True)
    return result, lasted


def prepare(instruments: int, rooms: int) -> None:
    """Make the site with its readings and records."""
    from django.core.management import call_command
    from django.utils import timezone

    from fleet import intake
    from fleet.local_time import micros
    from fleet.models import Instrument, Room, Service, Site
    from fleet.sites import create_site

    call_command("migrate", verbosity=0)
    if Site.objects.filter(name=NAME).exists():
        return
    rng = np.random.default_rng(20261125)
    site = create_site(NAME, "Europe/Vienna")
    houses = Room.objects.bulk_create(
        Room(site=site, name=f"Room {number}", building=f"House {number % 5}") for number in range(rooms)
    )
    end = timezone.datetime(2026, 11, 25, 6, tzinfo=timezone.get_default_timezone())  # type: ignore[attr-defined]
    times = micros(end) - QUARTER_HOUR * np.arange(DAYS * 96)[::-1]
    days = times / 86_400e6
    for room in houses:
        weather = np.repeat(rng.normal(0, 0.03, DAYS), 96)
        rh = (
            0.43
            - 0.15 * np.cos(2 * np.pi * (days - 20) / 365.2425)
            + weather
            + rng.normal(0, 0.002, len(days))
        )
        temp_c = 21 + rng.normal(0, 0.2, len(days))
        intake.store_readings(site, np.full(len(days), room.pk), times, temp_c, np.clip(rh, 0.05, 0.95))
    fleet = Instrument.objects.bulk_create(
        Instrument(
            site=site,
            room=houses[number % rooms],
            tag=f"G-{number:04}",
            kind="grand",
            use_class="teaching",
            year_built=1970 + number % 50,
            in_service_since=date(1971 + number % 50, 1, 1),
        )
        for number in range(instruments)
    )
    Service.objects.bulk_create(
        [
            Service(
                instrument=one,
                kind=kind,
                date=TODAY - timedelta(days=round(interval * (back + rng.uniform(0.1, 0.9)))),
                found=float(rng.normal(0, tolerance / 2)),
                left=0.0,
            )
            for one in fleet
            for kind, (interval, tolerance) in KINDS.items()
            for back in range(RECORDS)
        ],
        batch_size=500,
    )


def measure() -> None:
    """Time the refresh and its parts."""
    from django.utils import timezone

    from fleet import intake
    from fleet.local_time import micros
    from fleet.models import FactChange, Instrument, Service, Site
    from fleet.signals import tell_facts_changed
    from scheduling import changed_facts, forecasting
    from scheduling.inputs import fleet_facts
    from scheduling.models import Forecast, ForecastRun

    site = Site.objects.get(name=NAME)
    ForecastRun.objects.all().delete()
    FactChange.objects.all().delete()
    print(f"{'':44}{'seconds':>9}{'processor':>11}{'most MiB':>10}")
    timed("whole refresh, database included", lambda: forecasting.refresh(site, TODAY))
    print(f"    {Forecast.objects.of_site(site).count():,} forecasts stored")
    facts, _ = timed("    of which: reading the facts", lambda: fleet_facts(site, TODAY, 365))
    model, learnt = timed("    of which: learning", lambda: forecasting.model_of(facts))
    _, dates = timed("    of which: dates, by simulation", lambda: model.outlooks(forecasting.SEED))
    service_days = TODAY.toordinal() + 7 * np.arange(WEEKS)
    days = TODAY.toordinal() + np.arange(7 * WEEKS)
    _, pairs = timed(
        f"closed form, {WEEKS} service weeks by {7 * WEEKS} days",
        lambda: model.out_probability(service_days, days),
    )

    one = Instrument.objects.of_site(site).first()
    assert one is not None

    def reading() -> None:
        at = np.array([micros(timezone.now())])
        intake.store_readings(site, np.array([one.room_id]), at, np.array([21.3]), np.array([0.5]))
        changed_facts.take_in(site, TODAY)

    def record() -> None:
        Service.objects.create(instrument=one, kind="tuning", date=TODAY, order=int(time.time()), found=3.0)
        tell_facts_changed(site.pk, [one.pk])
        changed_facts.take_in(site, TODAY)

    timed("one new reading, until the pages show it", reading)
    timed("one new record, until the pages show it", record)
    compare(facts, model, dates + learnt, pairs, service_days, days)


def compare(
    facts: Any, model: Any, dates: float, pairs: float, service_days: np.ndarray, days: np.ndarray
) -> None:
    """Time one instrument after the other, and print how much longer the whole would take like that."""
    from scheduling import forecasting

    names = sorted({line.instrument_id for line in facts.lines})[:: max(len(facts.lines) // 4 // SAMPLE, 1)]
    by_name = [
        replace(facts, lines=tuple(line for line in facts.lines if line.instrument_id == name))
        for name in names
    ]

    def loop() -> list[Any]:
        models = [forecasting.model_of(own, model.heard) for own in by_name]
        for own in models:
            own.outlooks(forecasting.SEED)
        return models

    scale = len(facts.lines) / sum(len(own.lines) for own in by_name)
    models, lasted = timed(f"plain loop: learning and dates of {len(names)}", loop)
    print(f"    the whole like that: {scale * lasted:,.0f} s, {scale * lasted / dates:.1f} times as long")

    def loop_pairs() -> None:
        for own in models:
            own.out_probability(service_days, days)

    _, lasted = timed(f"plain loop: closed form of {len(names)}", loop_pairs)
    print(f"    the whole like that: {scale * lasted:,.0f} s, {scale * lasted / pairs:.1f} times as long")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--instruments", type=int, default=1000)
    parser.add_argument("--rooms", type=int, default=60)
    parser.add_argument("--keep", type=Path, help="a SQLite file to keep the site in")
    parser.add_argument("--prepare", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    with tempfile.TemporaryDirectory() as folder:
        file = asked.keep or Path(folder) / "refresh.db"
        if not asked.prepare:
            # Made by a process of its own, whose memory does not count.
            arguments = [f"--instruments={asked.instruments}", f"--rooms={asked.rooms}", "--prepare"]
            os.environ["DATABASE_URL"] = f"sqlite:///{file.resolve()}"
            subprocess.run([sys.executable, __file__, *arguments], check=True)
        import django

        django.setup()
        if asked.prepare:
            prepare(asked.instruments, asked.rooms)
        else:
            print(f"{asked.instruments:,} instruments, {asked.rooms} rooms, {DAYS} days of readings")
            measure()


if __name__ == "__main__":
    main()
