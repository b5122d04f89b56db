"""What a sender's sudden end leaves behind, at named and at random points, on the database under test."""

import os
import random
import signal

import pytest

from tests import mail_server
from tests.actor import DIED
from tests.stage import nursery, staged, wait_for


@pytest.fixture(scope="module")
def post():
    return mail_server.Manners()


@pytest.fixture(scope="module")
def house(tmp_path_factory, post):
    """A database and a mail server for all of these tests, and processes that need no start of their own."""
    folder = tmp_path_factory.mktemp("dying")
    with (
        mail_server.running(post) as port,
        staged(folder, EMAIL_URL=f"smtp://127.0.0.1:{port}") as stage,
        nursery(stage) as actors,
    ):
        yield actors


@pytest.fixture
def actors(house):
    return house


@pytest.fixture
def manners(post):
    """The mail server's manners, as if it had just come up."""
    post.__init__()
    return post


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
def test_a_sender_that_dies_loses_no_letter(actors, manners, point, state, delivered, delivered_in_the_end):
    actors.act(f"settle 1 + compose + send {point}", expected=DIED)
    (letter,) = actors.show()["letters"]
    assert letter["state"] == state
    assert sum(manners.ids.values()) == delivered
    (after,) = actors.show("age + send")["letters"]
    assert after["state"] == "sent"
    assert manners.ids == {letter["message_id"]: delivered_in_the_end}


def test_kills_at_random_moments_lose_no_letter(actors, manners):
    manners.seconds_a_letter = 0.02
    chance = random.Random(20261130)
    actors.act("settle 30 + compose")
    kills = 0
    for _ in range(3):
        until = len(manners.taken) + chance.randint(1, 9)
        process, log = actors.start("age + send")
        wait_for(
            lambda goal=until, sender=process: (
                len(manners.taken) >= goal or actors.end(sender, wait=False) is not None
            ),
            why=log.read_text,
        )
        os.kill(process, signal.SIGKILL)
        kills += actors.end(process) == -signal.SIGKILL
    assert kills == 3
    letters = actors.show("age + send")["letters"]
    assert [letter["state"] for letter in letters] == ["sent"] * 30
    assert set(manners.ids) == {letter["message_id"] for letter in letters}
    assert sum(manners.ids.values()) <= 30 + kills


def test_two_composers_and_two_senders_at_once_make_and_send_one_letter_each(actors, manners, tmp_path):
    actors.act("settle 12")
    go = tmp_path / "go"
    pair = [actors.start(f"compose {go} + send") for _ in range(2)]
    go.touch()
    assert [actors.end(process) for process, _ in pair] == [0, 0], [log.read_text() for _, log in pair]
    letters = actors.show()["letters"]
    assert [letter["state"] for letter in letters] == ["sent"] * 12
    assert manners.ids == {letter["message_id"]: 1 for letter in letters}
