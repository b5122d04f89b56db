"""The almanac as it runs in earnest on servers of its own, so that any of them can be taken away."""

from __future__ import annotations

import http.cookiejar
import json
import re
import sqlite3
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg

from tests import mail_server
from tests.own_servers import OwnPostgres, OwnRedis
from tests.stage import Stage, clean_environment, wait_for

CELERY = ("-m", "celery", "-A", "config")
TICK_SECONDS = 2
# A way in takes sixty requests a minute.
PAUSE = 1.05
LINES = 10


@dataclass
class House:
    """Pages, worker and clock and what they stand on: one process on SQLite, or three beside servers."""

    stage: Stage
    manners: mail_server.Manners
    mail_port: int
    postgres: OwnPostgres | None = None
    redis: OwnRedis | None = None
    port: int = field(default_factory=mail_server.free_port)
    login: dict[str, str] = field(default_factory=dict)
    worker: subprocess.Popen[str] | None = None

    @property
    def address(self) -> str:
        """Where its pages are."""
        return f"http://127.0.0.1:{self.port}"

    def furnish(self, instruments: int = 12) -> None:
        """Store a school and keep its login and its logger's secret."""
        self.login = json.loads(self.stage.act(f"furnish {instruments} + refresh"))

    def open(self) -> None:
        """Start everything and wait until the health page says that all is well."""
        if self.postgres is None:
            self.worker = self.stage.python(
                "manage.py", "up", "--no-demo", "--port", str(self.port), log="web"
            )
        else:
            self.stage.python(
                "-m", "waitress", f"--listen=127.0.0.1:{self.port}", "config.wsgi:application", log="web"
            )
            self.stage.python(*CELERY, "beat", "--pidfile=", log="beat")
            self.hire()
        wait_for(lambda: self.health().get("status") == "ok", 180, lambda: f"{self.health()} {self.logs()}")

    def hire(self) -> None:
        """Start a worker of two processes."""
        options = ("--concurrency", "2", "--loglevel", "INFO", "--without-gossip", "--without-mingle")
        self.worker = self.stage.python(*CELERY, "worker", *options, log="worker")

    def logs(self) -> str:
        """Return the end of what its processes printed."""
        return "\n".join(self.stage.log(name)[-1500:] for name in ("web", "worker", "beat"))

    def alive(self) -> bool:
        """Return whether all that was started still runs."""
        return all(process.poll() is None for process in self.stage.started)

    def health(self) -> dict[str, Any]:
        """Return what the health page says, empty where nothing answers."""
        status, text = self.ask("/healthz")
        return json.loads(text) if status else {}

    def ask(self, path: str, content: bytes | None = None, **headers: str) -> tuple[int, str]:
        """Return the status and words of an answer, 0 where there is none."""
        return _answered(urllib.request.build_opener(), self.address + path, content, headers)

    def visitor(self) -> Visitor:
        """Return somebody who has signed in."""
        return Visitor(self).sign_in()

    def number(self, sql: str) -> int:
        """Ask the database itself for a number, past the almanac."""
        if self.postgres:
            with psycopg.connect(self.postgres.url) as store:
                return int(store.execute(sql).fetchone()[0])  # type: ignore[arg-type, index]
        path = urllib.parse.urlsplit(self.stage.env["DATABASE_URL"]).path[1:]
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=20) as file:
            return int(file.execute(sql).fetchone()[0])


class Visitor:
    """A person with a browser's cookies and nothing else of it."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.jar = http.cookiejar.CookieJar()
        self.opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(self.jar))

    def sign_in(self) -> Visitor:
        """Sign in with the password of the school's technician."""
        self.ask("/login/")
        said = {name: self.house.login[name] for name in ("username", "password")}
        status, text = self.send("/login/", **said)
        assert status == 200, (status, text[:500])
        return self

    def ask(self, path: str, content: bytes | None = None) -> tuple[int, str]:
        """Return the status and words of a page, 0 where nothing answers."""
        return _answered(self.opener, self.house.address + path, content, {"Referer": self.house.address})

    def send(self, path: str, **said: str) -> tuple[int, str]:
        """Send a form."""
        token = next((one.value for one in self.jar if one.name == "csrftoken"), "") or ""
        return self.ask(path, urllib.parse.urlencode({**said, "csrfmiddlewaretoken": token}).encode())


def _answered(
    opener: urllib.request.OpenerDirector, address: str, content: bytes | None, headers: dict[str, str]
) -> tuple[int, str]:
    """Return the status and words of an answer, 0 where there is none."""
    try:
        with opener.open(urllib.request.Request(address, content, headers), timeout=30) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as answer:
        with answer:
            return answer.code, answer.read().decode()
    except (urllib.error.URLError, OSError):
        return 0, ""


class Logger(threading.Thread):
    """A logger that posts readings without end and sends each again until it was taken."""

    def __init__(self, house: House) -> None:
        super().__init__(daemon=True)
        self.house, self.taken, self.answers = house, 0, list[int]()
        self.ended = threading.Event()
        self.words = ""

    def run(self) -> None:
        first = datetime.now(UTC) - timedelta(days=30)
        number = 0
        while not self.ended.is_set():
            lines = [
                f"Room 0,{(first + timedelta(minutes=number * LINES + line)).isoformat()},{40 + line},21.5"
                for line in range(LINES)
            ]
            body = "\n".join(["room,time,relative_humidity_percent,temperature_c", *lines]).encode()
            status, words = self.house.ask(
                "/api/readings",
                body,
                **{"Authorization": f"Bearer {self.house.login['secret']}", "Content-Type": "text/csv"},
            )
            self.answers.append(status)
            if status == 200:
                self.taken += LINES
                number += 1
            else:
                self.words = words
            self.ended.wait(PAUSE)

    def stop(self) -> None:
        """Stop once the last one was answered."""
        self.ended.set()
        self.join(60)


@contextmanager
def on_servers(folder: Path, disk: Path | None = None) -> Iterator[House]:
    """Yield a house of three processes on a PostgreSQL, a Redis and a mail server of its own."""
    postgres, queue = OwnPostgres(folder / "postgres"), OwnRedis()
    postgres.make()
    if disk:
        put_on_small_disk(postgres, disk)
    queue.start()
    with _house(folder, postgres.url, queue.url, postgres, queue) as house:
        try:
            yield house
        finally:
            house.stage.clear()
            queue.stop()
            postgres.stop()


@contextmanager
def in_one_process(folder: Path, store: Path | None = None) -> Iterator[House]:
    """Yield a house of one process on SQLite."""
    with _house(folder, f"sqlite:///{(store or folder) / 'almanac.db'}", "memory://", None, None) as house:
        yield house


@contextmanager
def _house(
    folder: Path, database: str, broker: str, postgres: OwnPostgres | None, queue: OwnRedis | None
) -> Iterator[House]:
    manners = mail_server.Manners()
    mail_port = mail_server.free_port()
    own = {
        "DATABASE_URL": database,
        "BROKER_URL": broker,
        "EMAIL_URL": f"smtp://127.0.0.1:{mail_port}",
        "VAR_DIR": str(folder),
        "TICK_SECONDS": str(TICK_SECONDS),
        "LETTER_LEASE_SECONDS": "30",
    }
    stage = Stage(folder, {**clean_environment(), **own})
    try:
        yield House(stage, manners, mail_port, postgres, queue)
    finally:
        stage.clear()


def put_on_small_disk(postgres: OwnPostgres, disk: Path) -> None:
    """Put the tables on a disk that can be filled; the server's log of changes stays where it has room."""
    place = disk / "tables"
    place.mkdir()
    subprocess.run(["chown", "postgres", place], check=True)
    with psycopg.connect(postgres.url.replace("/almanac", "/postgres"), autocommit=True) as admin:
        admin.execute(f"CREATE TABLESPACE small LOCATION '{place}'")  # type: ignore[arg-type]
        admin.execute("ALTER DATABASE almanac SET TABLESPACE small")


def heading(page: str) -> str:
    """Return the heading of a page."""
    found = re.search(r"<h1[^>]*>(.*?)</h1>", page, re.DOTALL)
    return found[1].strip() if found else ""


def until(condition: Any, seconds: float = 120, why: Any = str) -> float:
    """Wait until a condition holds and return how long that took [s]."""
    begun = time.monotonic()
    wait_for(condition, seconds, why)
    return time.monotonic() - begun
