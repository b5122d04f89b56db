"""Server time, queries and size of every page at a large house.

Run from the repository's root: ``python tests/benchmarks/pages.py [--instruments 1000] [--rooms 60]
[--years 2] [--step-minutes 60] [--times 20] [--only NAME ...] [--keep FOLDER]``; ``DATABASE_URL`` chooses the
database server, and a test database of its own is made and, unless kept, dropped. The pages are those of
``tests/doors.py``, so a new one is measured by itself, and some as they are at their largest. Each is asked
for through the whole of Django; the rival of the same run is a view behind the same door that answers
nothing: login, membership, no template. Files to take away (CSV, XLSX, PDF) are marked: they are read once a
season and not looked through. Of the times, the wall's are what a person waits, and stretch with whatever
else the machine does; busy is the processor time of this process and, where PostgreSQL runs on the same
machine, of the server process that answers it: on an idle machine both are the same. Pages over the limit
are marked, those whose wall alone is over it with a question mark.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
LIMIT_MS = 100.0
RIVAL = "empty view behind the door"
WEEKS = 26
MINUTE = 60_000_000
# Pages as they are at their largest: who asks, and what.
LARGEST = {
    "this_week everyone": ("technician", "/?who=all"),
    "week_plan everyone": ("technician", "/week/?who=all"),
    "instruments last first": ("technician", "/instruments/?order=-service&page=12"),
    "instruments of words": ("technician", "/instruments/?text=hall+upright&service=tuning&state=out"),
    "requests all": ("technician", "/requests/?state="),
    "room five years": ("technician", "/rooms/{room}/?span=years"),
    "season visit in hand": ("technician", "/season/?visit={visit}"),
    "budget five years": ("administrator", "/budget/?first=2023-01-02&last=2027-06-27&by=person"),
    "fleet due": ("technician", "/fleet/due/"),
    "fleet weather": ("technician", "/fleet/weather/"),
    "fleet hours": ("technician", "/fleet/hours/"),
}


@dataclass(frozen=True)
class Took:
    """One page: times [ms], queries, bytes as sent without and with compression, and whether it is a file."""

    name: str
    median: float
    p95: float
    busy: float
    busy_p95: float
    queries: int
    raw: int
    packed: int
    file: bool


def build(options: argparse.Namespace) -> dict[str, Any]:
    """Fill a house: instruments with forecasts and records, rooms with years of readings, a long plan.

    Returns what the doors' table names, and the people who walk through them.
    """
    from django.utils import timezone

    from fleet import intake
    from fleet.local_time import micros
    from tests import factories as make
    from tests.house_with_doors import things_of
    from tests.reports.house import make_house

    began = time.perf_counter()
    house = make_house(make.TODAY, options.instruments, rooms=options.rooms, weeks=WEEKS)
    step = options.step_minutes * MINUTE
    count = options.years * 365 * 1440 // options.step_minutes
    end = micros(timezone.now().replace(microsecond=0))
    times = end - np.arange(count)[::-1] * step
    rng = np.random.default_rng(20261125)
    season = 0.1 * np.cos(2 * np.pi * times / (365.2425 * 1440 * MINUTE))
    for room in house.rooms:
        rh = np.round(0.45 - season + rng.normal(0, 0.02, count), 3)
        temp_c = np.round(21 + rng.normal(0, 0.4, count), 2)
        intake.store_readings(house.site, np.full(count, room.pk), times, temp_c, rh)
    people = {"technician": house.technician.pk, "administrator": house.administrator.pk}
    things = {**things_of(house), **people}
    lasted = time.perf_counter() - began
    print(
        f"{options.instruments:,} instruments, {options.rooms} rooms, {count * options.rooms:,} readings ",
        end="",
    )
    print(f"of {options.years} years, a plan of {WEEKS} weeks; made in {lasted:.0f} s", flush=True)
    return things


def pages(things: dict[str, Any], only: list[str]) -> Iterator[tuple[str, str, str]]:
    """Every page with who may read it: name, who, address."""
    from tests.doors import DOORS, PEOPLE
    from tests.house_with_doors import filled, path_of

    for name, door in DOORS.items():
        if only and name not in only:
            continue
        for who in ("administrator", "technician"):
            if door.get[PEOPLE.index(who)] == 200:
                query = "&".join(f"{key}={value}" for key, value in filled(door.query, things).items())
                path = path_of(name, door, things)
                yield name, who, f"{path}?{query}" if query else path
                break
    for name, (who, path) in LARGEST.items():
        if not only or name.split()[0] in only:
            yield name, who, path.format(**things)


def server_time(process: int | None) -> float:
    """Return how long the database's process for this connection has been at work [ms], 0 where unknown."""
    file = Path(f"/proc/{process}/schedstat")
    return int(file.read_text().split()[0]) / 1e6 if process and file.exists() else 0.0


def server_process() -> int | None:
    """Return the number of that process; None where there is none of its own."""
    from django.db import connection

    if connection.vendor != "postgresql":
        return None
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        return int(cursor.fetchone()[0])


def measure(client: Any, name: str, path: str, times: int) -> Took | str:
    """Ask for a page some times, the first left out; what answers anything but 200 is returned as words."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection) as queries:
        answer = client.get(path)
        asked = len(queries.captured_queries)
    if answer.status_code != 200:
        return f"{name:28}answered {answer.status_code}, not measured"
    content = b"".join(answer.streaming_content) if answer.streaming else answer.content
    wall, busy, server = [], [], server_process()
    for _ in range(times):
        start, began = time.perf_counter(), 1000 * time.process_time() + server_time(server)
        answer = client.get(path)
        if answer.streaming:
            b"".join(answer.streaming_content)
        wall.append(1000 * (time.perf_counter() - start))
        busy.append(1000 * time.process_time() + server_time(server) - began)
    return Took(
        name,
        statistics.median(wall),
        float(np.quantile(wall, 0.95)),
        statistics.median(busy),
        float(np.quantile(busy, 0.95)),
        asked,
        len(content),
        len(gzip.compress(content, 6)),
        "attachment" in answer.headers.get("Content-Disposition", ""),
    )


def told(found: list[Took], rival: Took) -> None:
    """Print the pages, the slowest first."""
    head = ("median ms", "p95 ms", "busy ms", "its p95", "queries", "kB", "kB packed", "ratio")
    print(f"{'':28}" + "".join(f"{one:>11}" for one in head))
    for one in [rival, *sorted(found, key=lambda each: -each.p95)]:
        figures = (
            f"{one.median:>11.1f}{one.p95:>11.1f}{one.busy:>11.1f}{one.busy_p95:>11.1f}{one.queries:>11}"
        )
        figures += f"{one.raw / 1000:>11.1f}{one.packed / 1000:>11.1f}{one.median / rival.median:>11.1f}"
        over = "over the limit" + ("" if one.busy_p95 > LIMIT_MS else "?") if one.p95 > LIMIT_MS else ""
        print(f"{one.name:28}{figures}  {'a file' if one.file else over}")
    for words, times in (("wall", "p95"), ("busy", "busy_p95")):
        over_it = [one.name for one in found if getattr(one, times) > LIMIT_MS and not one.file]
        print(f"pages over {LIMIT_MS:g} ms at p95, {words}: {', '.join(over_it) or 'none'}")


def first_load(client: Any, path: str) -> tuple[int, int]:
    """Bytes of a page with its styles and scripts, and those of them that draw figures; compressed."""
    from django.contrib.staticfiles import finders

    content = client.get(path).content
    asked = set(re.findall(r'(?:href|src)="/static/([^"]+)"', content.decode()))
    sizes = {}
    for name in asked:
        found = finders.find(name)
        if found:
            sizes[name] = len(gzip.compress(Path(found).read_bytes(), 6))
    figures = sum(size for name, size in sizes.items() if "plotly" in name)
    return len(gzip.compress(content, 6)) + sum(sizes.values()), figures


def asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    for name, default in (
        ("instruments", 1000),
        ("rooms", 60),
        ("years", 2),
        ("step-minutes", 60),
        ("times", 20),
    ):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--only", nargs="*", default=[], help="names of tests/doors.py")
    parser.add_argument("--keep", type=Path, help="a folder by which the house is found again")
    return parser.parse_args()


def walk(options: argparse.Namespace, things: dict[str, Any]) -> None:
    """Measure the pages and print them."""
    from django.contrib.auth import get_user_model
    from django.db import connection
    from django.test import Client

    clients = {}
    for who in ("technician", "administrator"):
        clients[who] = Client()
        clients[who].force_login(get_user_model().objects.get(pk=things[who]))
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    rival = measure(clients["technician"], RIVAL, "/nothing/", options.times)
    assert isinstance(rival, Took), rival
    found = []
    for name, who, path in pages(things, options.only):
        took = measure(clients[who], name, path, options.times)
        if isinstance(took, Took):
            found.append(took)
        else:
            print(took)
    told(found, rival)
    for path in ("/", f"/instruments/{things['instrument']}/"):
        whole, figures = first_load(clients["technician"], path)
        print(f"first load of {path}: {(whole - figures) / 1000:.0f} kB without what draws figures, ", end="")
        print(f"{whole / 1e6:.2f} MB with it, compressed")


def main() -> None:
    options = asked()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    import time_machine
    from django.conf import settings
    from django.db import connection
    from django.http import HttpResponse
    from django.urls import path as address

    import config.wsgi  # noqa: F401 -- what the server does before it answers anybody
    from config.urls import urlpatterns as every
    from reports.doors import site_page
    from tests.house_with_doors import MORNING

    module: Any = sys.modules[__name__]
    module.urlpatterns = [*every, address("nothing/", site_page(lambda request: HttpResponse("")))]
    settings.ROOT_URLCONF, settings.ALLOWED_HOSTS, settings.DEBUG = __name__, ["testserver"], False
    with tempfile.TemporaryDirectory() as name:
        folder = options.keep or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        settings.UPLOADS_DIR = folder / "uploads"
        connection.settings_dict["TEST"]["NAME"] = (
            str(folder / "pages.db") if connection.vendor == "sqlite" else "pages"
        )
        kept = folder / "things.json"
        there = kept.exists()
        connection.creation.create_test_db(verbosity=0, autoclobber=True, keepdb=there)
        try:
            with time_machine.travel(MORNING - timedelta(minutes=1), tick=True):
                things = json.loads(kept.read_text()) if there else build(options)
                kept.write_text(json.dumps(things, default=str))
                walk(options, things)
        finally:
            base = str(connection.settings_dict["NAME"])
            connection.creation.destroy_test_db(base, verbosity=0, keepdb=options.keep is not None)


if __name__ == "__main__":
    main()
