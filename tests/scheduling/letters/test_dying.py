"""What a sender's sudden end leaves behind, at named and at random points, on the database under test."""

import random
import subprocess

import pytest

from tests import mail_server
from tests.actor import DIED
from tests.stage import Stage, staged, wait_for


@pytest.fixture
def manners():
    return mail_server.Manners()


@pytest.fixture
def stage(tmp_path, manners):
    with (
        mail_server.running(manners) as port,
        staged(tmp_path, EMAIL_URL=f"smtp://127.0.0.1:{port}") as stage,
    ):
        yield stage


@pytest.mark.parametrize(
    "point, state, delivered, delivered_in_the_end",
    [
        ("after_claim", "sending", 0, 1),
        ("before_data", "sending", 0, 1),
        # The one place where nobody can know: it goes out again under the same Message-ID.
        ("after_250", "sending", 1, 2),
        ("after_commit", "sent", 1, 1),
    ],
)
def test_a_sender_that_dies_loses_no_letter(stage, manners, point, state, delivered, delivered_in_the_end):
    stage.act(f"prepare 1 + compose + send {point}", expected=DIED)
    (letter,) = stage.show()["letters"]
    assert letter["state"] == state
    assert sum(manners.ids.values()) == delivered
    (after,) = stage.show("age + send")["letters"]
    assert after["state"] == "sent"
    assert manners.ids == {letter["message_id"]: delivered_in_the_end}


def test_kills_at_random_moments_lose_no_letter(stage, manners):
    manners.seconds_a_letter = 0.02
    chance = random.Random(20261130)
    stage.act("prepare 30 + compose")
    kills = 0
    for _ in range(3):
        until = len(manners.taken) + chance.randint(1, 9)
        process = stage.python("-m", "tests.actor", "age", "+", "send")
        wait_for(
            lambda goal=until, sender=process: len(manners.taken) >= goal or sender.poll() is not None,
            why=stage.log,
        )
        process.kill()
        kills += process.wait() < 0
    assert kills == 3
    letters = stage.show("age + send")["letters"]
    assert [letter["state"] for letter in letters] == ["sent"] * 30
    assert set(manners.ids) == {letter["message_id"] for letter in letters}
    assert sum(manners.ids.values()) <= 30 + kills


def test_two_composers_and_two_senders_at_once_make_and_send_one_letter_each(stage, manners, tmp_path):
    stage.act("prepare 12")
    go = tmp_path / "go"
    pair = [stage.python("-m", "tests.actor", "compose", str(go), "+", "send") for _ in range(2)]
    go.touch()
    assert [end(process, stage) for process in pair] == [0, 0]
    letters = stage.show()["letters"]
    assert [letter["state"] for letter in letters] == ["sent"] * 12
    assert manners.ids == {letter["message_id"]: 1 for letter in letters}


def end(process: subprocess.Popen, stage: Stage) -> int:
    code = process.wait(90)
    assert code == 0, stage.log()
    return code
