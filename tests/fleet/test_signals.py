"""Whoever stores facts leaves a note of it that stands or falls with them, and says so after the commit."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from django.contrib.auth import get_user_model
from django.db import transaction
from django.urls import reverse

from fleet import intake
from fleet.imports import import_folder
from fleet.models import FactChange, Sensor, Site
from fleet.signals import facts_changed, tell_facts_changed
from tests import factories
from tests.fleet.folders import write_folder

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)


@pytest.fixture
def heard():
    """Return what was signalled, instead of what listens in earnest."""
    told = []

    def note(sender, site_id, instrument_ids, room_ids, **_):
        told.append((site_id, instrument_ids, room_ids))

    before, facts_changed.receivers = facts_changed.receivers, []
    facts_changed.sender_receivers_cache.clear()
    facts_changed.connect(note)
    yield told
    facts_changed.receivers = before
    facts_changed.sender_receivers_cache.clear()


def noted() -> set[tuple[int, int | None, int | None]]:
    return set(FactChange.objects.values_list("site", "instrument", "room"))


def test_the_signal_comes_once_after_the_commit_and_the_note_is_there_by_then(
    heard, django_capture_on_commit_callbacks
):
    site = factories.make_site()
    instrument = factories.make_instrument(factories.make_room(site))
    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        tell_facts_changed(site.pk, [instrument.pk, instrument.pk], [instrument.room_id], now=NOW)
        assert heard == []
    assert heard == [(site.pk, [instrument.pk], [instrument.room_id])]
    assert noted() == {(site.pk, instrument.pk, None), (site.pk, None, instrument.room_id)}
    assert FactChange.objects.first().at == NOW


def test_what_is_undone_is_neither_noted_nor_signalled(heard, django_capture_on_commit_callbacks):
    site = factories.make_site()
    with django_capture_on_commit_callbacks(execute=True):
        with transaction.atomic():
            tell_facts_changed(site.pk)
            transaction.set_rollback(True)
        tell_facts_changed(site.pk, instrument_ids=[])
    assert (heard, noted()) == ([], set())


def test_readings_name_the_rooms_they_changed_and_no_others(heard, django_capture_on_commit_callbacks):
    site = factories.make_site()
    rooms = np.array([factories.make_room(site).pk for _ in range(2)])
    times = np.array([1_764_000_000_000_000, 1_764_003_600_000_000])
    temp_c, rh = np.array([20.0, 21.0]), np.array([0.4, 0.5])

    def take(some):
        with django_capture_on_commit_callbacks(execute=True):
            intake.store_readings(site, rooms[some], times[some], temp_c[some], rh[some])
        return heard.pop() if heard else None

    assert take([0]) == (site.pk, [], [rooms[0]])
    assert take([0, 1]) == (site.pk, [], [rooms[1]])
    assert take([0, 1]) is None


def test_an_import_names_the_whole_site_and_one_that_changes_nothing_is_silent(
    tmp_path, heard, django_capture_on_commit_callbacks
):
    write_folder(tmp_path)
    told = []
    for dry_run in (True, False, False):
        with django_capture_on_commit_callbacks(execute=True):
            import_folder(tmp_path, now=NOW, dry_run=dry_run)
        told.append([site for site, instruments, rooms in heard if instruments is None and rooms is None])
        heard.clear()
    assert told == [[], [Site.objects.get().pk], []]


@pytest.mark.parametrize("name", ["placement", "sensor"])
def test_what_is_typed_into_the_tables_is_told_too(name, heard, client, django_capture_on_commit_callbacks):
    site = factories.make_site()
    room = factories.make_room(site)
    instrument = factories.make_instrument(room)
    rows = {
        "placement": factories.make_placement(instrument, room, factories.TODAY),
        "sensor": Sensor.objects.create(site=site, name="S 1", room=room, first_day=factories.TODAY),
    }
    client.force_login(get_user_model().objects.create_superuser("root", password="a long word"))
    page = reverse(f"admin:fleet_{name}_delete", args=[rows[name].pk])
    with django_capture_on_commit_callbacks(execute=True):
        assert client.post(page, {"post": "yes"}).status_code == 302
    expected = {"placement": (site.pk, None, None), "sensor": (site.pk, [], [room.pk])}
    assert heard == [expected[name]]
