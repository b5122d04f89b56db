"""The embedded default as a person starts it: ready, serving, ended by a signal, killed and started again."""

import json
import signal
import socket
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import mail_server
from tests.stage import Stage, staged, wait_for

pytestmark = pytest.mark.embedded
READY = "Almanac is ready at http://127.0.0.1:{port}/"


@pytest.fixture
def manners() -> mail_server.Manners:
    return mail_server.Manners()


@pytest.fixture
def stage(tmp_path: Path, manners) -> Iterator[Stage]:
    with (
        mail_server.running(manners) as port,
        staged(tmp_path, EMAIL_URL=f"smtp://127.0.0.1:{port}", TICK_SECONDS="1") as stage,
    ):
        yield stage


def up(stage: Stage, port: int, *options: str, log: str = "log") -> subprocess.Popen:
    """Start the whole and return once it says that it is ready."""
    process = stage.python("manage.py", "up", "--port", str(port), *options, log=log)
    wait_for(
        lambda: READY.format(port=port) in stage.log(log) or process.poll() is not None,
        seconds=120,
        why=lambda: stage.log(log),
    )
    assert process.poll() is None, stage.log(log)
    return process


def health(port: int) -> dict:
    """Return what the health page says, be it well or, with so quick a tick on a busy machine, late."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=10) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as answer:
        with answer:
            return json.load(answer)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_empty_almanac_comes_up_serves_and_ends_cleanly_on_a_signal(stage, number):
    port = mail_server.free_port()
    process = up(stage, port, "--no-demo")
    wait_for(lambda: health(port)["status"] == "ok", why=stage.log)
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/login/", timeout=10) as page:
        assert page.status == 200
    process.send_signal(number)
    assert process.wait(60) == 0
    assert "Stopped" in stage.log()
    assert "Traceback" not in stage.log()


def test_a_port_in_use_is_refused_at_once_with_exit_code_1_and_nothing_made(stage, tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        process = stage.python("manage.py", "up", "--port", str(port))
        assert process.wait(60) == 1
    assert f"port {port} on 127.0.0.1 cannot be used" in stage.log()
    assert "choose another with --port" in stage.log()
    assert "Traceback" not in stage.log()
    assert not list(tmp_path.glob("almanac.db*"))


def test_work_that_does_not_end_holds_up_no_stop_and_is_taken_up_at_the_next_start(stage, manners):
    manners.seconds_a_letter = 60
    stage.act("prepare 1")
    port = mail_server.free_port()
    process = up(stage, port, "--no-demo")
    wait_for(lambda: manners.tries == 1, why=stage.log)
    process.terminate()
    assert process.wait(60) == 0
    assert "what was not finished is taken up at the next start" in stage.log()
    assert stage.show()["letters"][0]["state"] == "sending"
    manners.seconds_a_letter = 0
    stage.act("age")
    up(stage, port, "--no-demo", log="again")
    wait_for(lambda: manners.taken, why=lambda: stage.log("again"))


def test_killed_while_letters_go_out_and_started_again_it_loses_none(stage, manners):
    manners.seconds_a_letter = 0.05
    stage.act("prepare 30")
    port = mail_server.free_port()
    kills = 0
    for taken in (4, 12, 20):
        process = up(stage, port, "--no-demo", log=f"log{taken}")
        wait_for(
            lambda goal=taken: len(manners.taken) >= goal, why=lambda name=taken: stage.log(f"log{name}")
        )
        process.kill()
        process.wait()
        kills += 1
        stage.act("age")
    up(stage, port, "--no-demo")
    wait_for(lambda: health(port)["letters"] == {"waiting": 0, "refused": 0, "unknown": 0}, why=stage.log)
    letters = stage.show()["letters"]
    assert [letter["state"] for letter in letters] == ["sent"] * 30
    assert set(manners.ids) == {letter["message_id"] for letter in letters}
    # Two threads send: each kill can leave two letters of which nobody knows.
    assert sum(manners.ids.values()) <= 30 + 2 * kills
