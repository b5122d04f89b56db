"""Backups of a running installation: whole, of one instant, and nothing lost where they are killed.

Run from the repository's root: ``python tests/benchmarks/backups.py [--readings 200000] [--seed 1]``;
``DATABASE_URL`` of a PostgreSQL server adds it; databases of their own are made there and dropped.
Writers in processes of their own add rows in pairs, one transaction each, all the while. What is asked:

1. every backup holds both rows of each pair or neither, and writers are held up by no more than a second;
2. it comes back into an empty database with every table the same, and from SQLite to PostgreSQL and back;
3. killed in its middle it leaves no file of its name; killed in its middle a restore leaves what was there;
4. on a disk without room it is refused, and nothing is left behind or changed.

Printed are rows, seconds, the longest wait of a writer, and how many kills were survived.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path
from uuid import uuid4

ROOT = Path(__file__).resolve().parents[2]
WRITER = """
import signal, sys, time
import django; django.setup()
from django.db import transaction
from django.utils import timezone
from scheduling.models import Heartbeat
longest, number = 0.0, 0
signal.signal(signal.SIGTERM, signal.default_int_handler)
print("at work", flush=True)
try:
    while True:
        began = time.perf_counter()
        with transaction.atomic():
            for half in "ab":
                name = f"pair {sys.argv[1]}-{number}-{half}"
                Heartbeat.objects.create(name=name, at=timezone.now())
        longest, number = max(longest, time.perf_counter() - began), number + 1
        time.sleep(0.002)
except KeyboardInterrupt:
    print(number, f"{longest:.3f}", flush=True)
"""
FILL = """
import sys
import django; django.setup()
from datetime import UTC, datetime, timedelta
from fleet.models import ClimateReading
from tests import factories as make
from tests.reports.house import make_house
house = make_house(make.TODAY)
began, room = datetime(2020, 1, 1, tzinfo=UTC), house.rooms[-1]
ClimateReading.objects.bulk_create(
    (
        ClimateReading(room=room, time=began + timedelta(minutes=number), temp_c=20 + number % 7 / 10, rh=0.4)
        for number in range(int(sys.argv[1]))
    ),
    batch_size=5000,
)
"""


class House:
    """A database of its own and the commands on it."""

    def __init__(self, url: str, folder: Path) -> None:
        self.url, self.folder = url, folder
        drop = {"DATABASE_URL", "BROKER_URL", "PRODUCTION"}
        self.env = {name: value for name, value in os.environ.items() if name not in drop} | {
            "DATABASE_URL": url,
            "VAR_DIR": str(folder),
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "PYTHONPATH": str(ROOT),
        }

    def start(self, *arguments: object, **rest: object) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, *map(str, arguments)],
            cwd=ROOT,
            env=self.env,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **rest,  # type: ignore[call-overload]
        )

    def manage(self, *arguments: object, **rest: object) -> tuple[int, str, float]:
        began = time.perf_counter()
        process = self.start("manage.py", *arguments, **rest)
        out, err = process.communicate()
        return process.returncode, out + err, time.perf_counter() - began

    def must(self, *arguments: object) -> float:
        code, said, seconds = self.manage(*arguments)
        assert code == 0, said
        return seconds


def tables(file: Path) -> dict[str, tuple[int, str]]:
    """The rows and hash of every table of a backup."""
    told = json.loads(zipfile.ZipFile(file).read("manifest.json"))["tables"]
    return {name: (one["rows"], one["sha256"]) for name, one in told.items()}


def pairs_are_whole(file: Path) -> int:
    """How many pairs a backup holds; each must be whole."""
    raw = zipfile.ZipFile(file).read("tables/scheduling_heartbeat.jsonl").decode()
    names = {json.loads(line)[1] for line in raw.splitlines()}
    halves = {name[:-2] for name in names if name.startswith("pair ")}
    assert all({f"{half}-a", f"{half}-b"} <= names for half in halves), "half a pair"
    return len(halves)


def while_writers_run(house: House, folder: Path) -> Path:
    writers = [house.start("-c", WRITER, number) for number in range(3)]
    for writer in writers:
        writer.stdout.readline()  # type: ignore[union-attr]
    for number in range(3):
        file = folder / f"running-{number}.zip"
        seconds = house.must("backup", file)
        rows = sum(rows for rows, _ in tables(file).values())
        print(f"  backup {number + 1} beside 3 writers: {rows:,} rows, {pairs_are_whole(file):,} pairs, "
              f"{file.stat().st_size:,} bytes, {seconds:.1f} s")  # fmt: skip
    waits, written = [], 0
    for writer in writers:
        writer.terminate()
        last = writer.communicate()[0].strip().splitlines()[-1].split()
        written += int(last[0])
        waits.append(float(last[1]))
    print(f"  writers stored {written:,} pairs meanwhile, the longest one waited {max(waits):.2f} s")
    return file


def killed(house: House, folder: Path, whole: Path, chance: random.Random, kills: int) -> None:
    span = house.must("backup", folder / "span.zip")
    left = on_the_way = 0
    for number in range(kills):
        file = folder / f"killed-{number}.zip"
        process = house.start("manage.py", "backup", file)
        time.sleep(span * chance.uniform(0.2, 0.95))
        on_the_way += process.poll() is None
        process.kill()
        process.communicate()
        left += file.exists() and not zipfile.is_zipfile(file)
    print(f"  {on_the_way} of {kills} backups killed before their end: {left} broken files of their name")
    assert not left
    on_the_way = 0
    before = tables(folder / "span.zip")
    for number in range(kills):
        process = house.start("manage.py", "restore", whole, "--replace")
        time.sleep(span * chance.uniform(0.3, 1.2))
        on_the_way += process.poll() is None
        process.kill()
        process.communicate()
        file = folder / f"after-{number}.zip"
        house.must("backup", file)
        assert tables(file) in (before, tables(whole)), "something between the two"
        before = tables(file)
    print(f"  {on_the_way} of {kills} restores killed before their end: each left all of what was there,"
          " or all of what was to come")  # fmt: skip


def without_room(house: House, folder: Path, whole: Path) -> None:
    def small() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))

    code, said, _ = house.manage("backup", folder / "no-room.zip", preexec_fn=small)
    assert code == 1, said
    assert not list(folder.glob("no-room*"))
    print(f"  a backup without room: {said.strip().splitlines()[-1][-120:]}")
    if not house.url.startswith("sqlite"):
        return
    house.must("backup", folder / "before.zip")
    code, said, _ = house.manage("restore", whole, "--replace", preexec_fn=small)
    assert code == 1, said
    house.must("backup", folder / "since.zip")
    assert tables(folder / "before.zip") == tables(folder / "since.zip")
    print(f"  a restore without room: {said.strip().splitlines()[-1][-120:]}")


def moved(house: House, other: House, folder: Path, file: Path, name: str) -> None:
    seconds = other.must("restore", file)
    back = folder / f"{name}.zip"
    other.must("backup", back)
    assert tables(back) == tables(file), "tables differ"
    print(f"  {name}: {len(tables(file))} tables the same, restored in {seconds:.1f} s")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--readings", type=int, default=200_000)
    parser.add_argument("--kills", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    server = os.environ.get("DATABASE_URL", "")
    server = server.rpartition("/")[0] if server.startswith("postgres") else ""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = House(f"sqlite:///{folder}/one.db", folder)
        other = House(f"sqlite:///{folder}/two.db", folder)
        try_out(files, other, folder, asked, "SQLite")
        if server:
            with_server(server, folder, asked)
    return 0


def try_out(house: House, other: House, folder: Path, asked: argparse.Namespace, kind: str) -> Path:
    print(kind)
    house.must("migrate", "-v0")
    fill = house.start("-c", FILL, asked.readings)
    assert fill.wait() == 0, fill.communicate()[1]
    whole = while_writers_run(house, folder)
    moved(house, other, folder, whole, f"{kind} to {kind}")
    killed(house, folder, whole, random.Random(asked.seed), asked.kills)
    without_room(house, folder, whole)
    for file in folder.glob("*-[0-9].zip"):
        if file != whole:
            file.unlink()
    return whole


def with_server(server: str, folder: Path, asked: argparse.Namespace) -> None:
    import psycopg

    names = [f"almanac_kept_{uuid4().hex[:10]}" for _ in range(3)]
    with psycopg.connect(f"{server}/postgres", autocommit=True) as admin:
        for name in names:
            admin.execute(f'CREATE DATABASE "{name}"')
        try:
            one, two, three = (House(f"{server}/{name}", folder) for name in names)
            from_files = folder / "running-2.zip"
            moved(one, three, folder, from_files, "SQLite to PostgreSQL")
            own = folder / "own"
            own.mkdir()
            whole = try_out(one, two, own, asked, "PostgreSQL")
            back = House(f"sqlite:///{folder}/back.db", folder)
            moved(one, back, folder, whole, "PostgreSQL to SQLite")
        finally:
            for name in names:
                admin.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


if __name__ == "__main__":
    sys.exit(main())
