"""A database, a mail server and processes of a test's own, for what cannot be tried inside one process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
from django.conf import settings

ROOT = Path(__file__).resolve().parent.parent


@dataclass
class Stage:
    """Where a test's processes run: their environment and their folder."""

    folder: Path
    env: dict[str, str]
    started: list[subprocess.Popen[str]] = field(default_factory=list)

    def start(self, *command: str, log: str = "log", **env: str) -> subprocess.Popen[str]:
        """Start a process whose output goes to a file of the folder."""
        with (self.folder / log).open("a") as output:
            process = subprocess.Popen(
                command,
                cwd=ROOT,
                env={**self.env, **env},
                stdout=output,
                stderr=subprocess.STDOUT,
                text=True,
                start_new_session=True,
            )
        self.started.append(process)
        return process

    def python(self, *arguments: str, **rest: str) -> subprocess.Popen[str]:
        """Start this Python."""
        return self.start(sys.executable, *arguments, **rest)

    def act(self, steps: str, expected: int = 0, **env: str) -> str:
        """Run the actor's steps to their end and return what they printed."""
        done = subprocess.run(
            [sys.executable, "-m", "tests.actor", *steps.split()],
            cwd=ROOT,
            env={**self.env, **env},
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == expected, done.stderr
        return done.stdout

    def show(self, before: str = "") -> dict[str, Any]:
        """Return the letters and the last beat."""
        return json.loads(self.act(f"{before} + show" if before else "show"))

    def log(self, name: str = "log") -> str:
        """Return what the processes have printed so far."""
        path = self.folder / name
        return path.read_text() if path.exists() else ""

    def clear(self) -> None:
        """End what still runs."""
        for process in self.started:
            if process.poll() is None:
                process.kill()
            process.wait(20)


@dataclass
class Nursery:
    """Processes forked from one that has loaded everything; each is as mortal as any other."""

    process: subprocess.Popen[str]
    folder: Path
    born: int = 0

    def ask(self, **request: Any) -> Any:
        """Ask the nursery and return its answer."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(request) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def start(self, steps: str) -> tuple[int, Path]:
        """Start the actor's steps and return the process with the file of what it prints."""
        self.born += 1
        log = self.folder / f"born-{self.born}"
        return self.ask(steps=steps, log=str(log)), log

    def end(self, process: int, wait: bool = True) -> int | None:
        """Return how a process ended, None where it has not and nobody waits."""
        return self.ask(process=process, wait=wait)

    def act(self, steps: str, expected: int = 0) -> str:
        """Run steps to their end and return what they printed."""
        process, log = self.start(steps)
        code, said = self.end(process), log.read_text()
        assert code == expected, said
        return said

    def show(self, before: str = "") -> dict[str, Any]:
        """Return the letters and the last beat."""
        return json.loads(self.act(f"{before} + show" if before else "show"))


@contextmanager
def nursery(stage: Stage) -> Iterator[Nursery]:
    """Yield a nursery on a stage whose database is ready."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.actor", "nursery"],
        cwd=ROOT,
        env=stage.env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        one = Nursery(process, stage.folder)
        one.act("migrate")
        yield one
        process.stdin.close()  # type: ignore[union-attr]


@contextmanager
def staged(folder: Path, **env: str) -> Iterator[Stage]:
    """Yield a stage whose database is of the kind under test, empty and its own."""
    with own_database(folder) as url:
        stage = Stage(folder, {**clean_environment(), "DATABASE_URL": url, "VAR_DIR": str(folder), **env})
        try:
            yield stage
        finally:
            stage.clear()


def clean_environment() -> dict[str, str]:
    """Return the environment without what would lead a process to another database, queue or mail server."""
    ours = ("DATABASE_URL", "BROKER_URL", "EMAIL_URL", "PRODUCTION", "VAR_DIR", "DJANGO_SETTINGS_MODULE")
    kept = {name: value for name, value in os.environ.items() if name not in ours}
    return {**kept, "PYTHONUNBUFFERED": "1", "PYTHONDONTWRITEBYTECODE": "1"}


@contextmanager
def own_database(folder: Path) -> Iterator[str]:
    """Yield the address of an empty database beside the one under test, and remove it in the end."""
    under_test = settings.DATABASES["default"]
    if "postgresql" not in under_test["ENGINE"]:
        yield f"sqlite:///{folder / 'almanac.db'}"
        return
    name = f"almanac_stage_{uuid4().hex[:12]}"
    person = under_test["USER"] + (f":{under_test['PASSWORD']}" if under_test["PASSWORD"] else "")
    server = f"{person}@{under_test['HOST']}" + (f":{under_test['PORT']}" if under_test["PORT"] else "")
    with psycopg.connect(f"postgresql://{server}/postgres", autocommit=True) as admin:
        admin.execute(f'CREATE DATABASE "{name}"')
        try:
            yield f"postgres://{server}/{name}"
        finally:
            admin.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def wait_for(condition: Callable[[], object], seconds: float = 60, why: Callable[[], str] = str) -> None:
    """Wait until a condition holds."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"waited {seconds} s in vain: {why()}"
        time.sleep(0.05)
