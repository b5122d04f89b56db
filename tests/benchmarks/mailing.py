"""A mailing while workers are killed and Redis restarts, and its speed beside a task that only speaks SMTP.

``DATABASE_URL=postgres://… python -m tests.benchmarks.mailing [--letters 1000] [--kills 50] [--seed NUMBER]``
needs PostgreSQL and the program ``redis-server``, which it starts on a port of its own.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from tests import mail_server  # noqa: E402
from tests.own_servers import OwnRedis  # noqa: E402
from tests.stage import ROOT, Stage, staged, wait_for  # noqa: E402

LEASE_SECONDS, TICK_SECONDS = 30, 2
REDIS_RESTARTS = 3
CELERY = ("-m", "celery", "-A")


@dataclass
class Post:
    """What the mail server took, and when."""

    manners: mail_server.Manners
    stage: Stage
    read: int = 0
    ids: set[str] = field(default_factory=set)

    @property
    def accepted(self) -> int:
        """Distinct Message-IDs so far; each letter is read once, since the server shares this process."""
        new = self.manners.taken[self.read :]
        self.read += len(new)
        self.ids |= {str(message["Message-ID"]) for message in new}
        return len(self.ids)

    def seconds(self, done: int) -> float:
        """Return the time from the first letter to the so-manieth."""
        wait_for(lambda: self.manners.taken, 120, lambda: self.stage.log("worker")[-2000:])
        start, first = time.perf_counter(), len(self.manners.taken)
        wait_for(lambda: len(self.manners.taken) >= done, 600, lambda: self.stage.log("worker")[-2000:])
        return (time.perf_counter() - start) * done / (done - first)


def children_of(process: int) -> list[int]:
    """Return the processes that a worker has for its work."""
    return [int(one) for one in Path(f"/proc/{process}/task/{process}/children").read_text().split()]


def worker(stage: Stage, app: str = "config", log: str = "worker", **env: str) -> subprocess.Popen[str]:
    """Start a worker of two processes; it listens a few seconds later."""
    options = ("--concurrency", "2", "--loglevel", "INFO", "--without-gossip", "--without-mingle")
    return stage.python(*CELERY, app, "worker", *options, log=log, **env)


@contextmanager
def everything() -> Iterator[tuple[Post, OwnRedis]]:
    """A database, a Redis and a mail server of this run's own."""
    queue, manners = OwnRedis(), mail_server.Manners()
    queue.start()
    with (
        tempfile.TemporaryDirectory() as folder,
        mail_server.running(manners) as port,
        staged(
            Path(folder),
            EMAIL_URL=f"smtp://127.0.0.1:{port}",
            BROKER_URL=queue.url,
            TICK_SECONDS=str(TICK_SECONDS),
            LETTER_LEASE_SECONDS=str(LEASE_SECONDS),
            BARE_PORT=str(port),
        ) as stage,
    ):
        try:
            yield Post(manners, stage), queue
        finally:
            stage.clear()
            queue.stop()


def survive(letters: int, kills: int, seed: int) -> None:
    """Send letters while workers are killed at random moments, and print what arrived."""
    chance = random.Random(seed)
    with everything() as (post, queue):
        post.stage.act(f"prepare {letters} + compose")
        # Slow enough for all the kills to fall while letters go out. The server takes its time before it asks
        # for the data: one that thinks with the whole letter in hand takes it also when its sender is dead by
        # then, and no sender can know.
        post.manners.seconds_before_data = 0.05
        beat = post.stage.python(*CELERY, "config", "beat", "--pidfile=", log="beat")
        running = worker(post.stage)
        restarts = sorted(chance.sample(range(5, kills - 1), REDIS_RESTARTS))
        done = {"worker": 0, "process": 0, "redis": 0}
        busy = 0
        while done["worker"] + done["process"] < kills:
            before = post.accepted
            wait_for(lambda seen=before: post.accepted > seen or post.accepted == letters, 90)
            time.sleep(chance.uniform(0.0, 1.5))
            busy += post.accepted < letters
            if restarts and done["worker"] + done["process"] >= restarts[0]:
                restarts.pop(0)
                queue.stop()
                queue.start()
                done["redis"] += 1
            victims = children_of(running.pid)
            if victims and chance.random() < 0.5:
                os.kill(chance.choice(victims), signal.SIGKILL)
                done["process"] += 1
            else:
                os.killpg(running.pid, signal.SIGKILL)
                running.wait(20)
                running = worker(post.stage)
                done["worker"] += 1
        last = time.perf_counter()
        wait_for(lambda: post.accepted == letters, 300, lambda: post.stage.log("worker")[-3000:])
        arrived = time.perf_counter() - last
        wait_for(lambda: all(one["state"] == "sent" for one in post.stage.show()["letters"]), 120)
        settled = time.perf_counter() - last
        beat.kill()
        repeats = len(post.manners.taken) - post.accepted
        print(f"letters {letters}, whole workers killed {done['worker']}, single processes {done['process']}")
        print(f"of these while letters were still to go {busy}; Redis restarts {done['redis']}")
        print(
            f"distinct Message-IDs accepted {post.accepted}, repeats {repeats}, "
            f"{10 * repeats / kills:.2f} per ten kills"
        )
        print(
            f"after the last kill all were accepted in {arrived:.1f} s, all noted as sent in {settled:.1f} s"
        )


def compare(letters: int) -> None:
    """Print the letters a second of the outbox and of the bare task, sent by the same kind of worker."""
    rates = {}
    with everything() as (post, _):
        post.stage.act(f"prepare {letters} + compose")
        worker(post.stage)
        rates["outbox"] = letters / post.seconds(letters)
        text, html = post.stage.folder / "text", post.stage.folder / "html"
        sample = post.manners.taken[0]
        text.write_text(sample.get_body(("plain",)).get_content())  # type: ignore[union-attr]
        html.write_text(sample.get_body(("html",)).get_content())  # type: ignore[union-attr]
        size = len(sample.as_bytes())
        post.stage.clear()
        post.manners.taken.clear()
        bare = {"BARE_TEXT": str(text), "BARE_HTML": str(html)}
        fill = "from tests.benchmarks.bare_mail import send\nfor n in range({}): send.delay(n)"
        env = {**post.stage.env, **bare}
        subprocess.run([sys.executable, "-c", fill.format(letters)], cwd=ROOT, env=env, check=True)
        worker(post.stage, "tests.benchmarks.bare_mail", "bare", **bare)
        rates["bare task"] = letters / post.seconds(letters)
    for name, rate in rates.items():
        print(f"{name:10} {rate:7.1f} letters a second of {size:,} bytes")
    print(f"ratio {rates['outbox'] / rates['bare task']:.2f} (at least 0.7 is wanted)")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--letters", type=int, default=1000)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=20261130)
    parser.add_argument("--only", choices=("survive", "compare"))
    asked = parser.parse_args()
    if asked.only != "compare":
        survive(asked.letters, asked.kills, asked.seed)
    if asked.only != "survive":
        compare(asked.letters)
