"""The health page: what it says of database, queue, beat and letters, and to whom."""

from datetime import timedelta

import pytest
from celery import Celery
from django.db import DatabaseError
from django.utils import timezone

from scheduling import health
from scheduling.heartbeats import TICK, beat
from scheduling.models import Letter
from tests import mail_server


@pytest.fixture
def beating(db) -> None:
    beat(TICK, timezone.now())


def test_all_well_is_200_without_a_login(client, beating, settings):
    settings.BROKER_URL = "memory://"
    answer = client.get("/healthz")
    assert answer.status_code == 200
    told = answer.json()
    assert (told["status"], told["database"], told["queue"], told["beat"]) == ("ok", "ok", "embedded", "ok")
    assert told["letters"] == {"waiting": 0, "refused": 0, "unknown": 0}
    assert "no-store" in answer["Cache-Control"]


def test_a_beat_that_stopped_or_never_came_is_503(client, db, settings):
    settings.TICK_SECONDS = 300
    assert client.get("/healthz").json()["beat"] == "never"
    for age, status in ((890, 200), (910, 503)):
        beat(TICK, timezone.now() - timedelta(seconds=age))
        assert client.get("/healthz").status_code == status
    told = client.get("/healthz").json()
    assert told["beat"] == "late"
    assert "seconds ago, which is too long: none seems to be at work." in " ".join(told["words"])


def test_a_broker_that_cannot_be_reached_is_503(client, beating, settings, monkeypatch):
    settings.BROKER_URL = "redis://"
    # An application of its own: its settings cannot stay behind in the one that other tests use.
    nowhere = Celery(broker=f"redis://127.0.0.1:{mail_server.free_port()}/0", set_as_current=False)
    monkeypatch.setattr(health, "app", nowhere)
    answer = client.get("/healthz")
    assert (answer.status_code, answer.json()["queue"]) == (503, "unreachable")


def test_a_database_that_cannot_be_reached_is_503(client, beating, monkeypatch):
    def gone():
        raise DatabaseError("no connection")

    monkeypatch.setattr(health, "letter_counts", gone)
    answer = client.get("/healthz")
    assert (answer.status_code, answer.json()["database"]) == (503, "unreachable")


def test_letters_in_trouble_are_counted_but_make_nobody_restart_a_server(client, beating, outbox_rows):
    for row, state in zip(outbox_rows, ("refused", "unknown"), strict=True):
        Letter.objects.filter(pk=row.pk).update(state=state)
    answer = client.get("/healthz")
    assert answer.status_code == 200
    assert answer.json()["letters"] == {"waiting": 0, "refused": 1, "unknown": 1}


def test_the_page_names_nobody_and_cannot_be_posted_to(client, beating):
    assert "@" not in client.get("/healthz").content.decode()
    assert client.post("/healthz").status_code == 405
