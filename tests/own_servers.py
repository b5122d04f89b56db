"""Servers of a script's own, to be killed and started again: Redis and PostgreSQL from Debian's packages."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import redis

from tests.mail_server import free_port
from tests.stage import wait_for


@dataclass
class OwnRedis:
    """A Redis without memory of its own: after a restart its queue is empty."""

    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Address of its first database."""
        return f"redis://127.0.0.1:{self.port}/0"

    def start(self) -> None:
        """Start it and wait until it answers."""
        command = ["redis-server", "--port", str(self.port), "--save", "", "--appendonly", "no"]
        self.process = subprocess.Popen(command, cwd=tempfile.mkdtemp(), stdout=subprocess.DEVNULL)
        client = redis.Redis.from_url(self.url)
        wait_for(lambda: _answers(client), 30)

    def stop(self) -> None:
        """Kill it, as a power cut would."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(20)


def _answers(client: redis.Redis) -> bool:
    try:
        return bool(client.ping())
    except redis.ConnectionError:
        return False


@dataclass
class OwnPostgres:
    """A cluster of PostgreSQL in a folder that its own user can reach, started by whoever runs the script."""

    folder: Path
    port: int = field(default_factory=free_port)

    @property
    def url(self) -> str:
        """Address of its database."""
        return f"postgres://postgres@127.0.0.1:{self.port}/almanac"

    @property
    def data(self) -> Path:
        """Where it keeps what it stores."""
        return self.folder / "data"

    def make(self) -> None:
        """Make the cluster, start it and make its database."""
        self.folder.mkdir(parents=True, exist_ok=True)
        if os.geteuid() == 0:  # the server refuses to run as root
            shutil.chown(self.folder, "postgres")
        self._run("initdb", "-D", str(self.data), "-A", "trust", "-U", "postgres", "-N")
        self.start()
        with psycopg.connect(self.url.replace("/almanac", "/postgres"), autocommit=True) as admin:
            admin.execute("CREATE DATABASE almanac")

    def start(self) -> None:
        """Start it and wait until it answers."""
        chosen = ("fsync=off", "recovery_init_sync_method=syncfs", "max_wal_size=64MB")
        options = " ".join(
            (f"-p {self.port} -h 127.0.0.1 -k {self.folder}", *(f"-c {one}" for one in chosen))
        )
        self._run(
            "pg_ctl", "-D", str(self.data), "-l", str(self.folder / "log"), "-w", "-o", options, "start"
        )

    def kill(self) -> None:
        """Kill all of it at once, as a power cut would; the kernel keeps what was written."""
        head = int((self.data / "postmaster.pid").read_text().split()[0])
        children = subprocess.run(["pgrep", "-P", str(head)], capture_output=True, text=True).stdout.split()
        for process in (head, *map(int, children)):
            try:
                os.kill(process, signal.SIGKILL)
            except ProcessLookupError:
                continue
        wait_for(lambda: not Path(f"/proc/{head}").exists(), 20)
        (self.data / "postmaster.pid").unlink(missing_ok=True)

    def stop(self) -> None:
        """Stop it for good."""
        if (self.data / "postmaster.pid").exists():
            self._run("pg_ctl", "-D", str(self.data), "-m", "immediate", "stop")

    def _run(self, program: str, *arguments: str) -> None:
        found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"))
        command = [str(found[-1]) if found else program, *arguments]
        as_postgres = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        # A server that goes on would hold a pipe open for ever; what it says goes to its own log.
        done = subprocess.run(
            as_postgres + command, cwd="/", stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
        )
        assert done.returncode == 0, f"{program} ended with {done.returncode}"
