"""The page behind the code on an instrument: what it shows, what it keeps to itself, and what it takes."""

from __future__ import annotations

import html
import re
from datetime import UTC, datetime, timedelta

import pretty_midi
import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.codes import address_of, renew_code
from fleet.models import NoteRequest, PublicPost
from fleet.picking import Picked, begin
from tests import factories as make


@pytest.fixture
def grand(db):
    site = make.make_site("Brackwater Conservatory")
    return make.make_instrument(make.make_room(site, "Elm Hall"), "G-1", "grand", pitch_hz=442)


@pytest.fixture
def path(grand):
    return f"/i/{grand.public_id}"


def sealed(instrument, *notes: int) -> str:
    return Picked(instrument.pk, begin(instrument.pk).token, notes).sealed()


def report(instrument, *notes: int, **fields: str) -> dict[str, str]:
    return {"s": sealed(instrument, *notes), "symptom": "buzzes", "words": "", **fields}


def test_anybody_reads_it_without_a_cookie_and_search_engines_are_asked_to_stay_away(client, path):
    answer = client.get(path)
    assert answer.status_code == 200
    assert not answer.cookies
    assert answer["X-Robots-Tag"] == "noindex, nofollow"
    assert "no-store" in answer["Cache-Control"]
    text = answer.content.decode()
    assert '<meta name="robots" content="noindex, nofollow">' in text
    for told in ("Brackwater Conservatory", "G-1", "Elm Hall", "Which note troubles you?"):
        assert told in text


def test_all_88_keys_are_there_with_their_frequencies_at_442(client, path):
    keys = re.findall(
        r'value="(\d+)" class="key [^"]+" data-hz="([\d.]+)"', client.get(path).content.decode()
    )
    heard = {int(number): float(hz) for number, hz in keys}
    assert sorted(heard) == list(range(1, 89))
    # Equal temperament from A4 = 442 Hz: D#3 is eighteen semitones below.
    assert heard[49] == 442
    assert heard[31] == pytest.approx(442 * 2 ** (-18 / 12), abs=1e-3)


def test_at_440_every_key_has_the_name_and_frequency_of_the_midi_standard(client, grand, path):
    grand.pitch_hz = 440
    grand.save()
    text = html.unescape(client.get(path).content.decode())
    keys = re.findall(r'value="(\d+)" class="key [^"]+" data-hz="([\d.]+)" aria-label="([^,]+),', text)
    assert len({number for number, _, _ in keys}) == 88
    for number, hz, name in keys:
        midi = int(number) + 20  # MIDI counts A0 as 21 (pretty_midi)
        assert name == pretty_midi.note_number_to_name(midi).replace("#", "♯")
        assert float(hz) == pytest.approx(pretty_midi.note_number_to_hz(midi), abs=5e-4)  # three decimals


def test_the_codes_of_instruments_cannot_be_guessed_and_are_all_different(grand):
    others = [make.make_instrument(grand.room).public_id for _ in range(20)]
    assert len({grand.public_id, *others}) == 21
    # 32 random bytes in base 64 are 43 characters (RFC 4648).
    assert all(re.fullmatch(r"[-_A-Za-z0-9]{43}", one) for one in others)


@pytest.mark.parametrize("wrong", ["x", "1", "A" * 43])
def test_an_unknown_code_is_as_unknown_as_any_address(client, db, wrong):
    there, nowhere = client.get(f"/i/{wrong}"), client.get("/nothing/at/all")
    assert there.status_code == nowhere.status_code == 404
    assert there.content == nowhere.content


def test_a_renewed_code_opens_and_the_old_one_is_gone(client, grand, path):
    renew_code(grand)
    assert client.get(path).status_code == 404
    assert client.get(f"/i/{grand.public_id}").status_code == 200
    assert address_of(grand) == f"http://127.0.0.1:8000/i/{grand.public_id}"


def test_an_instrument_that_is_retired_takes_nothing_any_more(client, grand, path):
    grand.retired_on = make.TODAY
    grand.save()
    assert client.get(path).status_code == 404
    assert client.post(path, report(grand, 31)).status_code == 404


def test_a_key_is_asked_about_between_its_neighbours(client, grand, path):
    text = client.get(path, {"s": sealed(grand), "key": 31}).content.decode()
    assert "the black key right of D, in the octave below middle C; key 31 of 88" in text
    assert [html.unescape(one) for one in re.findall(r'class="name">([^<]+)<', text)] == ["D3", "D♯3", "E3"]
    assert 'name="yes" value="31"' in text
    assert 'name="yes" value="30"' not in text


def test_at_the_end_of_the_keyboard_one_neighbour_is_shown(client, grand, path):
    text = client.get(path, {"s": sealed(grand), "key": 88}).content.decode()
    assert re.findall(r'class="name">([^<]+)<', text) == ["B7", "C8"]


@pytest.mark.parametrize(
    "query",
    [
        {"key": "89"},
        {"key": "0"},
        {"key": "x"},
        {"key": "-1"},
        {"yes": "31"},
        {"s": "forged"},
        {"key": "9" * 400},
    ],
)
def test_an_address_made_up_gets_the_keyboard_and_a_word(client, path, query):
    text = client.get(path, query).content.decode()
    assert 'role="alert"' in text
    assert "Which note troubles you?" in text


def test_a_report_is_stored_and_thanked_for(client, grand, path):
    answer = client.post(path, report(grand, 31, words="softly"))
    assert answer.status_code == 302
    text = client.get(answer.url).content.decode()
    assert "Thank you" in text
    assert "D♯3" in text
    assert "softly" not in text
    assert NoteRequest.objects.get().notes == ["D#3"]


def test_the_same_page_sent_twice_says_so(client, grand, path):
    page = report(grand, 31)
    client.post(path, page)
    assert "reported already" in client.get(client.post(path, page).url).content.decode()
    assert NoteRequest.objects.count() == 1


def test_a_report_from_another_site_s_page_is_turned_away(grand, path):
    guarded = Client(enforce_csrf_checks=True)
    turned_away = guarded.post(path, report(grand, 31))
    assert turned_away.status_code == 403
    assert "allow cookies for this address" in turned_away.content.decode()
    token = re.search(
        r'csrfmiddlewaretoken" value="(\w+)"',
        guarded.get(path, {"s": sealed(grand, 31), "describe": 1}).content.decode(),
    )
    answer = guarded.post(path, report(grand, 31, csrfmiddlewaretoken=token[1]))
    assert answer.status_code == 302
    assert set(guarded.cookies) == {"csrftoken"}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"symptom": ""}, "what troubles you"),
        ({"symptom": "else", "words": " "}, "in your own words"),
        ({"words": "kept " * 200}, "too many"),
        ({"website": "https://spam.example"}, "as machines do"),
        ({"s": "forged"}, "no longer known"),
    ],
)
def test_what_is_not_taken_is_given_back_with_the_reason(client, grand, path, change, said):
    answer = client.post(path, {**report(grand, 31, words="kept words"), **change})
    text = answer.content.decode()
    assert answer.status_code == 400
    assert said in text
    assert ("kept" in text) == (change.get("words") != " ")
    assert ("D♯3" in text) == ("s" not in change)
    assert not NoteRequest.objects.exists()


def test_choices_grow_old(client, grand, path):
    with time_machine.travel(datetime(2026, 11, 25, 8, tzinfo=UTC)):
        page = report(grand, 31)
    with time_machine.travel(datetime(2026, 11, 25, 21, tzinfo=UTC)):
        assert client.post(path, page).status_code == 400


def test_what_is_chosen_on_one_instrument_is_not_taken_on_another(client, grand):
    other = make.make_instrument(grand.room, kind="grand")
    assert client.post(f"/i/{other.public_id}", report(grand, 31)).status_code == 400


def test_a_huge_post_is_not_even_read(client, path):
    with CaptureQueriesContext(connection) as seen:
        answer = client.post(path, {"words": "x" * 20_000})
    assert answer.status_code == 413
    assert len(seen) == 0


def test_a_thousand_posts_from_one_address_leave_a_dozen_rows_and_a_calm_database(client, grand, path):
    """Counted on fifty posts, of which the last thirty-eight cost the same few readings and no writing."""
    refused = []
    for number in range(50):
        instrument = grand if number < 6 else make.make_instrument(grand.room, kind="grand")
        page = report(instrument, 31, words=f"post {number}")
        with CaptureQueriesContext(connection) as seen:
            answer = client.post(f"/i/{instrument.public_id}", page)
        assert answer.status_code == (302 if number < 12 else 429)
        if answer.status_code == 429:
            refused.append([one["sql"].split()[0] for one in seen])
    assert {tuple(one) for one in refused} == {("SELECT",) * 3}
    assert (NoteRequest.objects.count(), PublicPost.objects.count()) == (12, 12)
    assert int(answer["Retry-After"]) in range(60, 601)
    text = answer.content.decode()
    assert "tell the technician" in text
    assert "D♯3" in text
    assert "post 49" in text


def closed(grand, note, **fields):
    made = datetime.now(UTC) - timedelta(days=9)
    return make.make_request(
        grand, (note,), made_at=made, state="done", closed_at=made + timedelta(days=2), **fields
    )


def test_players_read_what_was_done_and_only_the_words_meant_for_them(client, grand, path):
    closed(
        grand,
        "D#3",
        words="my secret",
        symptom="first trouble",
        finding="a pencil",
        finding_shown=True,
        closed_by="Ida Thorn",
    )
    closed(
        grand, "F6", words="other secret", symptom="second trouble", finding="the cheap repair of last year"
    )
    make.make_request(grand, ("A4",), symptom="third trouble", words="still open")
    text = client.get(path).content.decode()
    assert "Looked at lately" in text
    assert "a pencil" in text
    for hidden in ("secret", "cheap repair", "still open", "Ida Thorn", "first t", "second t", "third t"):
        assert hidden not in text


def test_whoever_reported_sees_on_his_page_that_it_was_done(client, grand, path):
    url = client.post(path, report(grand, 31)).url
    assert "not been looked at yet" in client.get(url).content.decode()
    NoteRequest.objects.update(
        state="nothing_found", closed_at=datetime(2026, 11, 3, 9, tzinfo=UTC), finding="unheard"
    )
    text = client.get(url).content.decode()
    assert "Looked at on 3 November:" in text
    assert "nothing found" in text
    assert "unheard" not in text


def test_what_another_reported_cannot_be_asked_for(client, grand, path):
    other = make.make_instrument(grand.room, kind="grand")
    url = client.post(path, report(grand, 31)).url
    assert client.get(url.replace(grand.public_id, other.public_id)).status_code == 404
    assert "Thank you" not in client.get(path, {"sent": "1"}).content.decode()
    assert "Thank you" not in client.get(url[:-2]).content.decode()


def test_only_a_member_is_shown_the_way_to_the_almanac(client, grand, path):
    client.force_login(make.make_user(make.make_site()))
    assert "/instruments/" not in client.get(path).content.decode()
    client.force_login(make.make_user(grand.site, "reader"))
    assert f"/instruments/{grand.pk}/" in client.get(path).content.decode()
