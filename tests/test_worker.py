"""The same work in processes of its own, on PostgreSQL and Redis: killed workers, two beats, repeats."""

import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import redis
from django.conf import settings

from tests import mail_server
from tests.stage import Stage, staged, wait_for

pytestmark = pytest.mark.servers
CELERY = ("-m", "celery", "-A", "config")


@pytest.fixture
def broker() -> Iterator[str]:
    """A database of the Redis server under test for one test alone, emptied before and after."""
    missing = []
    given = os.environ.get("BROKER_URL", "")
    if not given.startswith("redis:"):
        missing.append("BROKER_URL names no Redis")
    if "postgresql" not in settings.DATABASES["default"]["ENGINE"]:
        missing.append("DATABASE_URL names no PostgreSQL")
    if missing:
        told = f"left out: worker and beat as processes of their own ({', '.join(missing)})"
        if os.environ.get("TESTS_OMIT_NOTHING"):
            pytest.fail(told)
        pytest.skip(told)
    # Tests run side by side, and a worker takes whatever waits in its database: another number for each
    # process, and a lock for processes whose numbers meet.
    process = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    number = 8 + process % 8
    url = f"redis://{urlsplit(given).netloc}/{number}"
    with (
        redis.Redis.from_url(given) as guard,
        guard.lock(f"tests in database {number}", timeout=900),
        redis.Redis.from_url(url) as server,
    ):
        server.flushdb()
        yield url
        server.flushdb()


@pytest.fixture
def manners() -> mail_server.Manners:
    return mail_server.Manners()


@pytest.fixture
def stage(tmp_path: Path, broker: str, manners) -> Iterator[Stage]:
    with (
        mail_server.running(manners) as port,
        staged(
            tmp_path,
            EMAIL_URL=f"smtp://127.0.0.1:{port}",
            BROKER_URL=broker,
            TICK_SECONDS="1",
        ) as stage,
    ):
        yield stage


def worker(stage: Stage, log: str) -> int:
    """Start a worker with two processes and return the number of its group once it listens."""
    process = stage.python(
        *CELERY, "worker", "--concurrency", "2", "--hostname", f"{log}@%h", "--loglevel", "INFO", log=log
    )
    wait_for(lambda: "ready." in stage.log(log), why=lambda: stage.log(log))
    return process.pid


def all_sent(stage: Stage) -> bool:
    letters = stage.show()["letters"]
    return bool(letters) and all(letter["state"] == "sent" for letter in letters)


def test_a_worker_killed_while_letters_go_out_loses_none(stage, manners):
    stage.act("prepare 30 + compose")
    manners.seconds_a_letter = 0.05
    first = worker(stage, "first")
    wait_for(lambda: len(manners.taken) >= 5, why=lambda: stage.log("first"))
    os.killpg(first, signal.SIGKILL)
    assert len(manners.taken) < 30
    stage.act("age")
    worker(stage, "second")
    stage.python(*CELERY, "beat", "--pidfile=", log="beat")
    wait_for(lambda: all_sent(stage), seconds=120, why=lambda: stage.log("second"))
    letters = stage.show()["letters"]
    assert set(manners.ids) == {letter["message_id"] for letter in letters}
    # Two processes were sending when they were killed.
    assert sum(manners.ids.values()) <= 30 + 2


def test_two_beats_and_messages_sent_twice_send_each_letter_once(stage, manners):
    stage.act("prepare 10 + compose")
    for log in ("beat one", "beat two"):
        stage.python(*CELERY, "beat", "--pidfile=", log=log)
    for _ in range(3):
        stage.python(*CELERY, "call", "scheduling.send_letter", "--args", "[1]", log="call").wait(60)
    worker(stage, "worker")
    wait_for(lambda: all_sent(stage), why=lambda: stage.log("worker"))
    first = stage.show()["beat"]
    assert first is not None
    wait_for(lambda: stage.show()["beat"] > first, why=lambda: stage.log("beat one"))
    assert sorted(manners.ids.values()) == [1] * 10
    assert "Traceback" not in stage.log("worker")


def test_without_a_beat_a_worker_that_comes_up_looks_by_itself(stage, manners):
    stage.act("prepare 2 + compose")
    worker(stage, "worker")
    wait_for(lambda: all_sent(stage), why=lambda: stage.log("worker"))
    assert len(manners.ids) == 2


def test_a_worker_ends_in_peace_and_finishes_what_it_is_at(stage, manners):
    stage.act("prepare 4 + compose")
    manners.seconds_a_letter = 0.5
    group = worker(stage, "worker")
    wait_for(lambda: stage.show()["letters"][0]["state"] != "due", why=lambda: stage.log("worker"))
    os.kill(group, signal.SIGTERM)
    assert stage.started[-1].wait(30) == 0
    states = {letter["state"] for letter in stage.show()["letters"]}
    assert states <= {"sent", "due"}


def test_a_record_entered_in_one_process_reaches_the_forecasts_through_the_queue(stage):
    stage.act("prepare 1 + refresh")
    worker(stage, "worker")

    def told() -> dict[str, int]:
        return json.loads(stage.act("forecasts"))

    assert told() == {"waiting": 0, "made": 3, "known": 0}
    stage.act("record")  # without a beat and with today's forecast made, only the signal wakes it
    wait_for(lambda: told()["known"] and not told()["waiting"], why=lambda: stage.log("worker"))
    assert told()["known"] == 1
