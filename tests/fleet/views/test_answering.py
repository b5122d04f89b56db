"""The page of one request: read by members, answered by those who work there, with its history."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import NoteRequest, RequestChange, Role
from tests import factories as make


@pytest.fixture
def site(db):
    return make.make_site("Brackwater Conservatory")


@pytest.fixture
def request_(site):
    grand = make.make_instrument(make.make_room(site, "Elm Hall"), "G-1", "grand")
    return make.make_request(grand, ("D#3", "F6"), words="only when soft")


@pytest.fixture
def path(request_):
    return f"/requests/{request_.pk}/"


def test_it_shows_each_note_with_its_place_and_the_neighbours_to_try_first(client, site, path):
    client.force_login(make.make_user(site))
    text = " ".join(client.get(path).content.decode().split())
    assert (
        "the black key right of D, in the octave below middle C, key 31 of 88. Try first: D3 and E3" in text
    )
    assert "Try first: E6 and F♯6" in text
    assert "only when soft" in text
    # Two diamonds, and rings over D3, E3, E6 and F#6.
    assert len(re.findall("M", re.search(r'class="marks" d="([^"]+)"', text)[1])) == 2
    assert len(re.findall("M", re.search(r'class="rings" d="([^"]+)"', text)[1])) == 4


def test_closing_it_asks_what_was_found_and_keeps_who_and_when(client, site, path):
    client.force_login(make.make_user(site, username="ida"))
    empty = client.post(path, {"state": "done", "finding": ""})
    assert empty.status_code == 400
    assert "say what was found" in empty.content.decode()
    answer = client.post(path, {"state": "done", "finding": "a pencil under D♯3", "finding_shown": "on"})
    assert (answer.status_code, answer.url) == (302, "/requests/")
    assert "the player’s page says" in client.get(answer.url).content.decode()
    kept = NoteRequest.objects.get()
    assert (kept.state, kept.finding, kept.finding_shown) == ("done", "a pencil under D♯3", True)
    history = client.get(path).content.decode()
    assert "by ida" in history
    assert "shown to players" in history


def test_what_is_refused_is_given_back(client, site, path):
    client.force_login(make.make_user(site))
    text = client.post(path, {"state": "", "finding": "all that I typed"}).content.decode()
    assert "all that I typed" in text
    assert not RequestChange.objects.exists()


def test_it_is_opened_again_when_the_trouble_comes_back(client, site, path, request_):
    request_.state, request_.closed_at = "nothing_found", datetime(2026, 11, 25, tzinfo=UTC)
    request_.save()
    client.force_login(make.make_user(site))
    client.post(path, {"state": "open", "finding": "again"})
    assert NoteRequest.objects.get().state == "open"


def test_a_reader_reads_and_does_not_answer(client, site, path):
    client.force_login(make.make_user(site, Role.READER))
    assert "What was found?" not in client.get(path).content.decode()
    assert client.post(path, {"state": "done", "finding": "x"}).status_code == 403
    assert NoteRequest.objects.get().state == "open"


def test_colleagues_of_other_sites_and_strangers_find_nothing(client, site, path):
    assert client.get(path).url == f"/login/?next={path}"
    for user in (make.make_user(make.make_site()), make.make_user()):
        client.force_login(user)
        assert client.get(path).status_code == 404
        assert client.post(path, {"state": "done", "finding": "x"}).status_code == 404
    assert NoteRequest.objects.get().state == "open"


def test_a_note_that_the_instrument_has_not_is_said_to_be_so(client, site):
    harpsichord = make.make_instrument(make.make_room(site), kind="harpsichord")
    make.make_request(harpsichord, ("C8",))
    client.force_login(make.make_user(site))
    for path in (
        "/requests/",
        f"/requests/{harpsichord.requests.get().pk}/",
        f"/instruments/{harpsichord.pk}/",
    ):
        assert "not on the keyboard of this instrument" in client.get(path).content.decode()


def test_lists_ask_as_often_for_many_requests_as_for_few(client, site, request_):
    make.make_request(make.make_instrument(request_.instrument.room, kind="spinet"))
    client.force_login(make.make_user(site))
    counts = []
    for turn in range(2):
        with CaptureQueriesContext(connection) as seen:
            for path in ("/requests/", "/", f"/instruments/{request_.instrument_id}/"):
                assert client.get(path).status_code == 200
        counts.append(len(seen))
        for number in range(9):
            spinet = make.make_instrument(request_.instrument.room, kind=f"spinet-{number}")
            make.make_request(spinet)
            make.make_request(request_.instrument, symptom=f"trouble {turn} {number}")
    assert counts[0] == counts[1]
