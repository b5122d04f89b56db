"""The list of note requests."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests import factories as make


def test_a_request_on_an_instrument_that_plays_before_long_is_urgent_and_says_when(client, db):
    site = make.make_site()
    hall = make.make_room(site, "Hall")
    played, idle = make.make_instrument(hall, "G-1", "grand"), make.make_instrument(hall, "U-1")
    for one in (played, idle):
        make.make_request(one)
    for day, title in ((24, "past"), (28, "Gala"), (29, "later")):
        evening = datetime(2026, 11, day, 18, tzinfo=UTC)
        make.make_booking(hall, evening, 2, [played], performance=True, title=title)
    client.force_login(make.make_user(site))
    for path in ("/requests/", f"/instruments/{played.pk}/"):
        text = client.get(path).content.decode()
        assert "played in public on Saturday 28 November: Gala" in text, path
        assert text.count("played in public") == 1
    assert "played in public" not in client.get(f"/instruments/{idle.pk}/").content.decode()


@pytest.fixture
def ask(client, db):
    site = make.make_site()
    one = make.make_instrument(make.make_room(site, "Cellar"), "U-1")
    make.make_request(one, ("C4",), symptom="buzzes")
    make.make_request(one, ("D#3",), symptom="sticks", state="done", finding="a pencil")
    make.make_request(make.make_instrument(make.make_room(make.make_site())), ("F6",), symptom="elsewhere")
    client.force_login(make.make_user(site))

    def asking(query: str = "", **headers: str) -> str:
        return client.get(f"/requests/?{query}", headers=headers).content.decode()

    return asking


def test_open_requests_are_shown_unless_others_are_asked_for(ask):
    text = ask()
    assert "buzzes" in text
    assert "sticks" not in text
    assert "One request." in text


def test_all_and_closed_ones_can_be_asked_for(ask):
    assert "2 requests." in ask("state=")
    done = ask("state=done")
    assert "a pencil" in done
    assert "buzzes" not in done


def test_requests_are_found_by_words(ask):
    assert "One request." in ask("state=&text=cellar+stick")
    assert "0 requests." in ask("state=&text=elsewhere")


def test_an_answer_to_htmx_is_the_list_alone(ask):
    assert "<html" not in ask("state=", **{"HX-Request": "true"})


def test_no_request_says_where_they_come_from(client, db):
    client.force_login(make.make_user(make.make_site()))
    assert "the code on the instrument" in client.get("/requests/").content.decode()
