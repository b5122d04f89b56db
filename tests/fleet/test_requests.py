"""Taking note requests once, and answering them with their history."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fleet import throttle
from fleet.models import FactChange, NoteRequest, PublicPost, RequestChange
from fleet.picking import Picked, begin
from fleet.refusal import Refused
from fleet.requests import MOST_WORDS, answer_request, take_request
from fleet.symptoms import SYMPTOMS, service_for, symptoms_for
from fleet.throttle import TooMany
from tests import factories as make

NOW = datetime(2026, 11, 25, 10, tzinfo=UTC)


@pytest.fixture
def grand(db):
    return make.make_instrument(make.make_room(make.make_site()), "G-1", "grand")


def take(instrument, picked=None, symptom="buzzes", words="", sender="me", now=NOW):
    picked = picked or Picked(instrument.pk, begin(instrument.pk).token, (31, 52))
    return take_request(instrument, picked, symptom, words, sender, now)


def test_what_was_confirmed_is_stored_with_symptom_and_words(grand):
    taken = take(grand, words="  softly only\n")
    stored = NoteRequest.objects.get()
    assert (taken.request, taken.again) == (stored, False)
    assert (stored.notes, stored.symptom, stored.words) == (["D#3", "C5"], "buzzes or rattles", "softly only")
    assert (stored.made_at, stored.state, stored.made_by) == (NOW, "open", "")


def test_the_same_form_sent_twice_is_stored_once_even_where_the_door_is_shut_by_then(grand):
    picked = Picked(grand.pk, "one form", (31,))
    first = take(grand, picked)
    for number in range(9):
        take(grand, words=f"another {number}")
    with pytest.raises(TooMany):
        take(grand, words="one too many")
    assert take(grand, picked, words="changed") == type(first)(first.request, True)
    assert NoteRequest.objects.count() == 10


def test_the_same_report_while_the_first_is_open_is_the_same_trouble(grand):
    first = take(grand, Picked(grand.pk, "a", (31, 52))).request
    assert take(grand, Picked(grand.pk, "b", (52, 31)), now=NOW + timedelta(hours=23)).again
    assert not take(grand, Picked(grand.pk, "c", (31,))).again
    assert not take(grand, Picked(grand.pk, "d", (31, 52)), symptom="tune").again
    first.state = "done"
    first.save()
    assert not take(grand, Picked(grand.pk, "e", (31, 52))).again


def test_two_reports_at_one_instant_are_both_kept(grand):
    for number in (31, 32):
        take(grand, Picked(grand.pk, str(number), (number,)))
    assert [one.notes for one in NoteRequest.objects.order_by("made_at")] == [["D#3"], ["E3"]]


@pytest.mark.parametrize(
    ("symptom", "words", "said"),
    [
        ("", "", "what troubles you"),
        ("nonsense", "", "one of the list"),
        ("else", " ", "in your own words"),
        ("buzzes", "x" * (MOST_WORDS + 1), "at most 500"),
    ],
)
def test_what_says_too_little_or_too_much_is_refused_and_stores_nothing(grand, symptom, words, said):
    with pytest.raises(Refused, match=said):
        take(grand, symptom=symptom, words=words)
    assert (NoteRequest.objects.count(), PublicPost.objects.count()) == (0, 0)


def test_a_symptom_of_other_instruments_is_not_taken(db):
    harpsichord = make.make_instrument(make.make_room(make.make_site()), kind="harpsichord")
    with pytest.raises(Refused):
        take(harpsichord, symptom="knocks")


def test_that_a_request_came_or_was_answered_is_noted_for_whoever_decides(grand):
    request = take(grand).request
    answer_request(request, "done", "a pencil", False, make.make_user(grand.site), NOW + timedelta(hours=1))
    noted = FactChange.objects.order_by("at").values_list("site", "instrument", "room", "at")
    assert list(noted) == [
        (grand.site_id, grand.pk, None, NOW),
        (grand.site_id, grand.pk, None, NOW + timedelta(hours=1)),
    ]


def test_closing_says_who_when_and_what_and_keeps_every_step(grand):
    user = make.make_user(grand.site, username="ida")
    request = make.make_request(grand)
    answer_request(request, "done", " a pencil under C4 ", False, user, NOW)
    answer_request(request, "done", "a pencil under C4", True, user, NOW + timedelta(hours=1))
    answer_request(request, "done", "a pencil under C4", True, user, NOW + timedelta(hours=2))
    request.refresh_from_db()
    assert (request.state, request.finding, request.finding_shown) == ("done", "a pencil under C4", True)
    assert (request.closed_by, request.closed_at) == ("ida", NOW)
    kept = RequestChange.objects.values_list("state", "finding", "finding_shown", "by", "user", "at")
    assert list(kept) == [
        ("done", "a pencil under C4", False, "ida", user.pk, NOW),
        ("done", "a pencil under C4", True, "ida", user.pk, NOW + timedelta(hours=1)),
    ]


def test_opening_again_shows_nothing_to_players_any_more(grand):
    user = make.make_user(grand.site)
    request = make.make_request(grand)
    answer_request(request, "nothing_found", "", True, user, NOW)
    opened = answer_request(request, "open", "it buzzes again", True, user, NOW + timedelta(days=1))
    assert (opened.state, opened.closed_at, opened.closed_by, opened.finding_shown) == (
        "open",
        None,
        "",
        False,
    )
    assert RequestChange.objects.count() == 2


@pytest.mark.parametrize(
    ("state", "finding", "said"),
    [("done", " ", "what was found"), ("gone", "x", "open, done"), ("done", "x" * 1001, "at most 1000")],
)
def test_an_answer_that_says_nothing_is_refused(grand, state, finding, said):
    request = make.make_request(grand)
    with pytest.raises(Refused, match=said):
        answer_request(request, state, finding, False, make.make_user(grand.site), NOW)
    assert not RequestChange.objects.exists()


def test_every_symptom_leads_to_a_service_or_to_any_visit():
    assert {one.service for one in SYMPTOMS} == {"", "tuning", "regulation", "voicing", "bedding"}
    assert len({one.word for one in SYMPTOMS}) == len({str(one.says) for one in SYMPTOMS}) == len(SYMPTOMS)
    assert "knocks" not in {one.word for one in symptoms_for("upright")}


@pytest.mark.parametrize(
    ("words", "service"),
    [
        ("out of tune", "tuning"),
        ("buzzes or rattles", ""),
        ("goes too deep or not deep enough", "regulation"),
        ("sticking key", "regulation"),
        ("too weak", "voicing"),
        ("does not speak", "regulation"),
        ("knock", "bedding"),
        ("smells of coffee", ""),
    ],
)
def test_symptoms_in_other_words_are_recognised_as_well_as_may_be(words, service):
    assert service_for(words) == service


def test_one_who_comes_between_the_look_and_the_lock_makes_no_second_request(grand, monkeypatch):
    """The other tap of the same button is stored while this one has looked and not yet locked."""
    picked, check = Picked(grand.pk, "pressed twice", (31,)), throttle.check
    others = []

    def overtaken(*arguments):
        monkeypatch.setattr(throttle, "check", check)
        others.append(take(grand, picked))
        check(*arguments)

    monkeypatch.setattr(throttle, "check", overtaken)
    taken = take(grand, picked)
    assert (taken.request, taken.again, others[0].again) == (others[0].request, True, False)
    assert NoteRequest.objects.count() == PublicPost.objects.count() == 1


def test_those_who_come_between_the_look_and_the_lock_are_counted(grand, monkeypatch):
    check = throttle.check

    def overtaken(*arguments):
        monkeypatch.setattr(throttle, "check", check)
        for number in range(10):
            take(grand, words=f"another {number}")

    monkeypatch.setattr(throttle, "check", overtaken)
    with pytest.raises(TooMany):
        take(grand)
    assert NoteRequest.objects.count() == 10
