"""Each thing that the almanac stands on, taken away and given back while people and loggers go on."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import psycopg
from django.db.backends.sqlite3._functions import register

from tests import mail_server
from tests.faults.house import House, Logger, heading, in_one_process, on_servers, until
from tests.own_servers import OwnPostgres
from tests.stage import ROOT, Stage, clean_environment

READINGS = "SELECT count(*) FROM fleet_climatereading"
WAITING = "SELECT count(*) FROM fleet_factchange"
AWAY_SECONDS = 6
STEP = "Applying "
HEALTH = """
import django; django.setup()
from django.utils import timezone
from scheduling.health import check
print(check(timezone.now()).document["database"])
"""
DISK_MB = 300


@dataclass
class Outcome:
    """What came of a fault.

    Attributes
    ----------
    faults : int
        How often something was taken away or killed.
    said : str
        What pages said meanwhile.
    back : float
        Time from giving back what was away until all was well by itself [s].
    lost : int
        Rows that were acknowledged and are not there.
    broken : list of str
        What did not hold.
    """

    name: str
    faults: int = 0
    said: str = ""
    back: float = 0.0
    lost: int = 0
    broken: list[str] = field(default_factory=list)

    def hold(self, holds: object, what: str) -> None:
        """Note what did not hold."""
        if not holds:
            self.broken.append(what)


@contextmanager
def at_work(house: House) -> Iterator[Logger]:
    """A house with a school, open, while a logger posts."""
    house.furnish()
    house.open()
    logger = Logger(house)
    logger.start()
    until(lambda: logger.taken >= 20, why=lambda: f"{logger.answers} {logger.words} {house.logs()}")
    try:
        yield logger
    finally:
        logger.stop()


def settle(house: House, logger: Logger, outcome: Outcome) -> None:
    """Wait until all is well by itself, and count what was acknowledged and is not there."""
    outcome.back = until(lambda: house.health().get("status") == "ok", why=house.logs)
    taken = logger.taken
    outcome.back += until(lambda: logger.taken > taken, why=house.logs)
    logger.stop()
    house.stage.act("age")  # what waits for its turn among many readings has it now
    until(lambda: house.number(WAITING) == 0, why=house.logs)
    outcome.lost = logger.taken - house.number(READINGS)
    outcome.hold(house.alive(), "a process ended")


def database_away(folder: Path, chance: random.Random) -> Outcome:
    """The database server is killed and comes back."""
    outcome = Outcome("PostgreSQL killed and started again", faults=1)
    with on_servers(folder) as house, at_work(house) as logger:
        assert house.postgres is not None
        visitor = house.visitor()
        house.postgres.kill()
        until(lambda: house.health().get("database") == "unreachable", 30)
        status, page = visitor.ask("/")
        outcome.said = f"{status} {heading(page)}"
        outcome.hold(status == 503, "the page was not a 503")
        time.sleep(AWAY_SECONDS)
        house.postgres.start()
        settle(house, logger, outcome)
        outcome.hold(503 in logger.answers, "the logger was not told to come again")
        outcome.hold(visitor.ask("/")[0] == 200, "the visitor's page did not come back")
    return outcome


def database_busy(folder: Path, chance: random.Random) -> Outcome:
    """Somebody holds SQLite's write lock for longer than writers wait."""
    outcome = Outcome("SQLite's write lock held for 25 s", faults=1)
    with in_one_process(folder) as house, at_work(house) as logger:
        visitor = house.visitor()
        with sqlite3.connect(folder / "almanac.db", isolation_level=None) as file:
            file.execute("BEGIN IMMEDIATE")
            begun = time.monotonic()
            outcome.hold(visitor.ask("/")[0] == 200, "a page could not be read meanwhile")
            until(lambda: 503 in logger.answers, 40)
            outcome.said = logger.words
            time.sleep(max(0.0, 25 - (time.monotonic() - begun)))
            file.execute("ROLLBACK")
        settle(house, logger, outcome)
    return outcome


def redis_away(folder: Path, chance: random.Random) -> Outcome:
    """The broker is killed and comes back empty."""
    outcome = Outcome("Redis killed and started again, empty", faults=1)
    with on_servers(folder) as house, at_work(house) as logger:
        assert house.redis is not None
        visitor = house.visitor()
        house.redis.stop()
        until(lambda: house.health().get("queue") == "unreachable", 30)
        outcome.said = f"queue {house.health()['queue']}"
        taken, begun = logger.taken, time.monotonic()
        until(lambda: logger.taken >= taken + 30)
        outcome.hold(time.monotonic() - begun < 30, "readings were taken slowly")
        outcome.hold(set(logger.answers) == {200}, f"the logger was answered {set(logger.answers)}")
        outcome.hold(visitor.ask("/")[0] == 200, "a page could not be read")
        time.sleep(AWAY_SECONDS)
        house.redis.start()
        settle(house, logger, outcome)
    return outcome


def mail_away(folder: Path, chance: random.Random) -> Outcome:
    """Letters are due and no mail server listens."""
    outcome = Outcome("no mail server, 20 letters due", faults=1)
    with in_one_process(folder) as house:
        house.stage.act("prepare 20 + compose")
        house.open()
        until(lambda: house.health()["letters"]["waiting"] == 20)
        time.sleep(AWAY_SECONDS)
        outcome.said = house.health()["words"][-1]
        with mail_server.running(house.manners, house.mail_port):
            outcome.back = until(lambda: len(house.manners.ids) == 20, 180, house.logs)
            until(lambda: house.health()["letters"] == {"waiting": 0, "refused": 0, "unknown": 0})
        outcome.lost = 20 - len(house.manners.ids)
        outcome.hold(max(house.manners.ids.values()) == 1, "a letter went out twice")
        outcome.hold(house.alive(), "a process ended")
    return outcome


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A disk in memory that can be filled."""
    disk = folder / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(disk)], check=True)
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def fill(disk: Path) -> Path:
    """Fill a disk to its last byte."""
    path = disk / "filler"
    with open(path, "wb", buffering=0) as file:
        for size in (2**20, 2**10, 1):
            try:
                while True:
                    file.write(b"\0" * size)
            except OSError:
                continue
    return path


def disk_full_on_sqlite(folder: Path, chance: random.Random) -> Outcome:
    """The disk of the one-process default has no byte left."""
    with small_disk(folder) as disk, in_one_process(folder, disk) as house:
        outcome = _disk_full(house, disk, "SQLite")
        with sqlite3.connect(disk / "almanac.db") as file:
            register(file)  # what the tables' own checks call
            sound = file.execute("PRAGMA integrity_check").fetchone()[0]
        outcome.hold(sound == "ok", f"the file is not sound: {sound}")
    return outcome


def disk_full_on_postgres(folder: Path, chance: random.Random) -> Outcome:
    """The disk of the database server's tables has no byte left."""
    with ExitStack() as stack:
        disk = stack.enter_context(small_disk(folder))
        return _disk_full(stack.enter_context(on_servers(folder, disk)), disk, "PostgreSQL")


def _disk_full(house: House, disk: Path, name: str) -> Outcome:
    outcome = Outcome(f"disk full under {name}", faults=1)
    with at_work(house) as logger:
        visitor = house.visitor()
        filler = fill(disk)
        until(lambda: 503 in logger.answers, 120, lambda: f"{logger.answers} {house.logs()}")
        outcome.said = logger.words
        outcome.hold("no room left" in logger.words, "the logger was not told of the disk")
        outcome.hold(visitor.ask("/")[0] == 200, "a page could not be read")
        if house.postgres is None:
            outcome.hold(house.health().get("disk") == "full", "the health page did not tell")
        time.sleep(AWAY_SECONDS)
        filler.unlink()
        settle(house, logger, outcome)
    return outcome


def half_a_migration(folder: Path, chance: random.Random) -> Outcome:
    """Migrating is killed again and again, each time a few steps further on, before it is let finish."""
    outcome = Outcome("migrate killed on the way, both databases")
    postgres = OwnPostgres(folder / "postgres")
    postgres.make()
    kills, told = Counter[str](), set[str]()
    try:
        for name, whole, halves in _databases(folder, postgres):
            stages = [
                Stage(folder, {**clean_environment(), "DATABASE_URL": url, "VAR_DIR": str(folder)})
                for url in (whole, halves)
            ]
            assert stages[0].python("manage.py", "migrate", log=f"whole {name}").wait() == 0
            while _migrate_killed(stages[1], f"halves {name}", chance):
                kills[name] += 1
                if kills[name] in (3, 12):
                    told.add(_health_of(stages[1]))
            begun = time.monotonic()
            assert stages[1].python("manage.py", "migrate", log=f"halves {name}").wait() == 0
            outcome.back = max(outcome.back, time.monotonic() - begun)
            outcome.hold(_tables(whole) == _tables(halves), f"other tables on {name}")
            said = subprocess.run(
                [sys.executable, "manage.py", "migrate", "--check"],
                cwd=ROOT, env=stages[1].env, capture_output=True,
            )  # fmt: skip
            outcome.hold(said.returncode == 0, f"migrations are left on {name}")
    finally:
        postgres.stop()
    outcome.faults = kills.total()
    outcome.hold(told <= {"behind", "unreachable"}, f"the health page said {told}")
    outcome.said = ", ".join(f"{number} kills on {name}" for name, number in kills.items())
    outcome.said += f"; database {' or '.join(sorted(told))} meanwhile"
    return outcome


def _health_of(stage: Stage) -> str:
    """Return what the health page would say of a database that no page can start on."""
    env = {**stage.env, "DJANGO_SETTINGS_MODULE": "config.settings"}
    said = subprocess.run([sys.executable, "-c", HEALTH], cwd=ROOT, env=env, capture_output=True, text=True)
    return said.stdout.strip() or said.stderr[-300:]


def _migrate_killed(stage: Stage, log: str, chance: random.Random) -> bool:
    """Kill a migration some steps after it began, and somewhere within the last one; False if it ended."""
    begun = stage.log(log).count(STEP)
    steps, process = chance.randint(1, 6), stage.python("manage.py", "migrate", log=log)
    while process.poll() is None and stage.log(log).count(STEP) < begun + steps:
        time.sleep(0.002)
    time.sleep(chance.uniform(0, 0.1))
    on_the_way = process.poll() is None
    process.kill()
    process.wait()
    return on_the_way


def _databases(folder: Path, postgres: OwnPostgres) -> Iterator[tuple[str, str, str]]:
    yield "SQLite", f"sqlite:///{folder / 'whole.db'}", f"sqlite:///{folder / 'halves.db'}"
    with psycopg.connect(postgres.url, autocommit=True) as admin:
        admin.execute("CREATE DATABASE halves")
    yield "PostgreSQL", postgres.url, postgres.url.replace("/almanac", "/halves")


def _tables(url: str) -> list[tuple[object, ...]]:
    """Return columns, indexes and constraints as the database itself tells them."""
    if url.startswith("sqlite"):
        with sqlite3.connect(url.removeprefix("sqlite:///")) as file:
            return sorted(file.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL"))
    columns = "SELECT table_name, column_name, data_type, is_nullable FROM information_schema.columns"
    with psycopg.connect(url) as store:
        rows = store.execute(f"{columns} WHERE table_schema = 'public'").fetchall()
        rows += store.execute("SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'")
    return sorted(rows)


def worker_killed_on_servers(folder: Path, chance: random.Random, kills: int = 8) -> Outcome:
    """The worker is killed while it stores a file, forecasts and plans."""
    with on_servers(folder) as house:
        return _worker_killed(house, chance, kills, "worker beside servers", house.hire)


def all_killed_in_one_process(folder: Path, chance: random.Random, kills: int = 8) -> Outcome:
    """The one process is killed while it stores a file, forecasts and plans."""
    with in_one_process(folder) as house:

        def again() -> None:
            house.worker = house.stage.python(
                "manage.py", "up", "--no-demo", "--port", str(house.port), log="web"
            )

        return _worker_killed(house, chance, kills, "the one process", again)


def _worker_killed(
    house: House, chance: random.Random, kills: int, name: str, again: Callable[[], None]
) -> Outcome:
    """Kill whoever works while a file of readings, a refresh and a season's draft are in hand."""
    lines = 150_000
    outcome = Outcome(f"{name} killed at import, forecast, plan")
    house.furnish(40)
    house.open()
    house.stage.act(f"ask_for_much {lines}")

    def open_work() -> int:
        refused = house.number("SELECT count(*) FROM fleet_readingsupload WHERE state = 'refused'")
        assert not refused, "the file was refused"
        orders = house.number("SELECT count(*) FROM scheduling_draftorder WHERE state <> 'done'")
        files = house.number("SELECT count(*) FROM fleet_readingsupload WHERE state <> 'stored'")
        return orders + files + house.number(WAITING)

    while outcome.faults < kills and open_work():
        time.sleep(chance.uniform(0.5, 6.0))
        assert house.worker is not None
        house.stage.started.remove(house.worker)
        os.killpg(house.worker.pid, signal.SIGKILL)
        house.worker.wait()
        outcome.faults += 1
        if outcome.faults == 1 and house.postgres:
            until(lambda: house.health().get("beat") == "late", 60)
            outcome.said = house.health()["words"][2]
        stored = house.number(READINGS)
        outcome.hold(stored in (0, lines), f"{stored} readings of a file of {lines} were stored")
        house.stage.act("age")
        hired = f"'{datetime.now(UTC):%Y-%m-%d %H:%M:%S}+00'"
        again()
        ticked = f"SELECT count(*) FROM scheduling_heartbeat WHERE name = 'tick' AND at > {hired}"
        until(lambda ticked=ticked: house.number(ticked), 120, house.logs)  # it is at work again
    outcome.hold(outcome.faults > 2, "there was too little to do to be killed at it")
    outcome.back = until(lambda: not open_work(), 400, house.logs)
    outcome.lost = lines - house.number(READINGS)
    # The one process makes a plan of other weeks by itself when it starts.
    drafts = house.number("SELECT count(*) FROM scheduling_seasonplan WHERE weeks = 12")
    outcome.hold(drafts == 1, f"{drafts} drafts and not one")
    outcome.hold(house.alive(), "a process ended")
    outcome.said = f"{outcome.said} file whole or not at all, one draft".strip()
    return outcome


FAULTS: tuple[Callable[[Path, random.Random], Outcome], ...] = (
    database_away,
    database_busy,
    redis_away,
    mail_away,
    disk_full_on_sqlite,
    disk_full_on_postgres,
    half_a_migration,
    worker_killed_on_servers,
    all_killed_in_one_process,
)
