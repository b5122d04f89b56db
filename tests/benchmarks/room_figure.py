"""Server time of a room's figures and pages at many rooms and years of quarter-hour readings.

Run from the repository's root: ``python tests/benchmarks/room_figure.py [--rooms 60] [--years 2]``;
``DATABASE_URL`` chooses the database server, and a test database of its own is made and dropped. Each address
is asked for several times through the whole of Django; the median is printed, and its ratio to a rival of the
same run: one plain query for the same room's year of days, turned into JSON by the driver's rows alone. The
ratio is of the processor's times, which on a machine with other work tell more than the wall's.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
QUARTER_HOUR = 900 * 1_000_000
TIMES = 7


def median_ms(work: Callable[[], Any]) -> tuple[float, float]:
    """Return medians of several runs, the first left out: by the wall's clock and by the processor's [ms]."""
    work()
    wall, processor = [], []
    for _ in range(TIMES):
        start, busy = time.perf_counter(), time.process_time()
        work()
        wall.append(1000 * (time.perf_counter() - start))
        processor.append(1000 * (time.process_time() - busy))
    return statistics.median(wall), statistics.median(processor)


def fill(rooms: int, years: int) -> tuple[Any, Any]:
    """Store a site with so many rooms and years; return a room of it and a user who may see it."""
    from django.contrib.auth import get_user_model
    from django.utils import timezone

    from fleet import intake
    from fleet.local_time import micros
    from fleet.models import Membership, Role, Room
    from fleet.sites import create_site

    site = create_site("Timed", "Europe/Vienna")
    rng = np.random.default_rng(20261125)
    count = years * 365 * 96
    times = micros(timezone.now().replace(microsecond=0)) - np.arange(count)[::-1] * QUARTER_HOUR
    season = 0.1 * np.cos(2 * np.pi * times / (365.2425 * 96 * QUARTER_HOUR))
    for number in range(rooms):
        room = Room.objects.create(site=site, name=f"Room {number}", building=f"House {number % 3}")
        rh = np.round(0.45 - season + rng.normal(0, 0.02, count), 3)
        temp_c = np.round(21 + rng.normal(0, 0.4, count), 2)
        intake.store_readings(site, np.full(count, room.pk), times, temp_c, rh)
    user = get_user_model().objects.create_user("timed")
    Membership.objects.create(user=user, site=site, role=Role.READER)
    return room, user


def plain(room: Any) -> None:
    """Fetch the days that the figure is drawn from, and turn them into JSON."""
    from django.db import connection
    from django.utils import timezone

    since = (timezone.localdate() - timedelta(days=455)).isoformat()
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT date, rh_mean, rh_min, rh_max, temp_c_mean FROM fleet_climateday "
            "WHERE room_id = %s AND date > %s ORDER BY date",
            [room.pk, since],
        )
        json.dumps(cursor.fetchall(), default=str)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rooms", type=int, default=60)
    parser.add_argument("--years", type=int, default=2)
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection
    from django.test import Client

    settings.ALLOWED_HOSTS = ["testserver"]
    connection.settings_dict["TEST"]["NAME"] = (
        str(Path(tempfile.gettempdir()) / "room_figure.db")
        if connection.vendor == "sqlite"
        else "room_figure"
    )
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        room, user = fill(options.rooms, options.years)
        client = Client()
        client.force_login(user)
        rival = median_ms(lambda: plain(room))
        print(f"{options.rooms} rooms, {options.years} years of quarter hours, {connection.vendor}")
        print(f"{'':44}{'ms':>8}{'cpu ms':>8}{'ratio':>8}")
        print(f"{'plain query of the days as JSON':44}{rival[0]:>8.1f}{rival[1]:>8.1f}{1:>8.1f}")
        for path in (
            f"/rooms/{room.pk}/figures/humidity/?span=year",
            f"/rooms/{room.pk}/figures/temperature/?span=year",
            f"/rooms/{room.pk}/figures/wood/?span=year",
            f"/rooms/{room.pk}/figures/humidity/?span=week",
            f"/rooms/{room.pk}/figures/band/",
            f"/rooms/{room.pk}/",
            f"/rooms/{room.pk}/climate/",
            "/rooms/",
            "/rooms/compare/",
            "/rooms/compare/figure/",
            "/sensors/",
        ):
            took = median_ms(lambda path=path: client.get(path))  # type: ignore[misc]
            print(f"{path:44}{took[0]:>8.1f}{took[1]:>8.1f}{took[1] / rival[1]:>8.1f}")
    finally:
        connection.creation.destroy_test_db(str(connection.settings_dict["NAME"]), verbosity=0)


if __name__ == "__main__":
    main()
