"""The page on how the installation runs: each trouble is told in words, to administrators alone."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.db.migrations.recorder import MigrationRecorder
from django.utils import timezone

from fleet.booking_sources import add_source
from fleet.models import BookingSource, Role
from scheduling import disks, health, running
from scheduling.heartbeats import TICK, beat
from scheduling.models import Letter
from tests import factories


def said(site) -> dict[str, tuple[str, str]]:
    return {line.part: (line.word, line.sentence) for line in running.lines(site, timezone.now())}


@pytest.fixture(autouse=True)
def within(settings):
    settings.BROKER_URL = "memory://"


def test_all_is_well_in_words(school):
    now = timezone.now()
    beat(TICK, now)
    factories.make_run(school.site, today=school.site.local_date(now))
    lines = running.lines(school.site, now)
    assert {line.shape for line in lines} == {"open"}
    assert said(school.site)["Forecasts"][0] == "of today"


def test_each_trouble_is_told_where_it_is(school, outbox_rows, settings):
    now = timezone.now()
    site = school.site
    assert said(site)["Clock and worker"][0] == "never seen"
    beat(TICK, now - timedelta(seconds=4 * settings.TICK_SECONDS))
    assert said(site)["Clock and worker"][0] == "late"
    Letter.objects.update(made_at=now - timedelta(hours=1))
    assert said(site)["Mail"][0] == "held up"
    Letter.objects.filter(pk=outbox_rows[0].pk).update(state="refused")
    word, sentence = said(site)["Mail"]
    assert (word, "1 waiting, 1 refused, 0 in doubt." in sentence) == ("refused", True)
    factories.make_run(site, today=site.local_date(now) - timedelta(days=5))
    assert said(site)["Forecasts"] == ("old", "They are 5 days old.")
    factories.make_climate(school.room, site.local_date(now) - timedelta(days=20), 10)
    assert said(site)["Sensors"] == ("silent", "No trusted reading for days from 1 room: Room 12.")
    add_source(site, "Hall", "https://hall.example/a.ics", now)
    BookingSource.objects.update(trouble="404")
    assert said(site)["Calendars of bookings"] == ("in trouble", "Cannot be read: Hall.")


def test_a_broker_that_is_gone_is_told_without_an_error(school, settings, monkeypatch):
    settings.BROKER_URL = "redis://"
    monkeypatch.setattr(health, "queue_state", lambda: "unreachable")
    assert said(school.site)["Queue"][0] == "unreachable"


def test_only_administrators_read_it_and_the_health_page_says_the_same_without_names(client, school):
    for user, status in (
        (factories.make_user(school.site, Role.ADMINISTRATOR), 200),
        (factories.make_user(school.site), 403),
        (factories.make_user(factories.make_site("Elsewhere"), Role.ADMINISTRATOR), 200),
        (factories.make_user(), 404),
    ):
        client.force_login(user)
        answer = client.get("/how-it-runs/")
        assert answer.status_code == status
        assert school.site.name not in answer.content.decode() or status == 200
    words = client.get("/healthz").json()["words"]
    assert "The database is ok." in words
    assert not any(school.site.name in word for word in words)


def test_a_disk_with_little_room_and_tables_of_an_older_release_are_told(school, monkeypatch):
    monkeypatch.setattr(disks.shutil, "disk_usage", lambda path: SimpleNamespace(free=7 * 2**20))
    word, sentence = said(school.site)["Disk"]
    assert (word, "Only 7 MB are free" in sentence) == ("nearly full", True)
    last = MigrationRecorder.Migration.objects.filter(app="scheduling").order_by("-name").first()
    last.delete()
    word, sentence = said(school.site)["Database"]
    assert (word, "manage.py migrate" in sentence) == ("behind", True)
    document = health.check(timezone.now()).document
    assert (document["status"], document["database"], document["disk"]) == ("trouble", "behind", "full")
