"""No path through the picker stores another note than those confirmed last on the page that was sent."""

from __future__ import annotations

import html
import re
from urllib.parse import urlencode

import pytest
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from fleet.keyboard import compass_of
from fleet.models import Instrument, NoteRequest
from fleet.notes import NOTES
from fleet.picking import MOST_NOTES, Picked, begin, unsealed
from fleet.refusal import Refused
from fleet.throttle import PublicPost
from tests import factories as make

GRAND = compass_of("grand")


def test_a_note_is_kept_only_after_it_was_asked_about():
    picked = begin(1).ask(31, GRAND)
    assert picked.notes == ()
    assert picked.confirm(31).notes == (31,)
    for number in (30, 32, 31 + 12):
        with pytest.raises(Refused, match="not the key you were asked about"):
            picked.confirm(number)


def test_confirming_twice_keeps_once_and_another_question_forgets_the_first():
    picked = begin(1).ask(31, GRAND).ask(32, GRAND)
    with pytest.raises(Refused):
        picked.confirm(31)
    kept = picked.confirm(32).ask(32, GRAND).confirm(32)
    assert kept.notes == (32,)
    assert kept.drop(32).notes == ()


def test_a_key_that_the_instrument_has_not_is_refused_with_its_ends():
    with pytest.raises(Refused, match="C4 to C8"):
        begin(1).ask(31, compass_of("celesta"))


def test_one_request_takes_a_dozen_notes():
    picked = begin(1)
    for number in range(20, 20 + MOST_NOTES):
        picked = picked.ask(number, GRAND).confirm(number)
    with pytest.raises(Refused, match="12 notes"):
        picked.ask(70, GRAND).confirm(70)


def test_what_is_sealed_opens_the_same_and_only_for_its_instrument():
    picked = Picked(7, "token", (31, 40), 32)
    assert unsealed(picked.sealed(), 7) == picked
    for text, instrument in ((picked.sealed(), 8), (picked.sealed()[:-1] + "x", 7), ("", 7), ("a:b:c", 7)):
        with pytest.raises(Refused, match="no longer known"):
            unsealed(text, instrument)


class Walker:
    """Somebody who walks through the pages without a script, and may go back at any time."""

    def __init__(self, instrument: Instrument) -> None:
        self.client = Client()
        self.path = f"/i/{instrument.public_id}"
        self.pages: list[str] = []
        # What each page was told so far: the model that the pages are held against.
        self.told: list[tuple[list[int], int | None]] = []
        self.read("", [], None)

    def read(self, query: str, notes: list[int], asked: int | None) -> None:
        answer = self.client.get(f"{self.path}{query}")
        assert answer.status_code == 200
        self.pages.append(answer.content.decode())
        self.told.append((notes, asked))

    @property
    def state(self) -> str:
        found = re.search(r'name="s" value="([^"]+)"|\?s=([^&"]+)', self.pages[-1])
        assert found
        return html.unescape(found[1] or found[2]).replace("%3A", ":")

    def go(self, **query: object) -> str:
        return "?" + urlencode({"s": self.state, **query})

    def touch(self, number: int) -> None:
        notes, asked = self.told[-1]
        self.read(self.go(key=number), notes, number)

    def confirm(self, number: int) -> None:
        """Press yes, or make up an address that says yes to another key, which must not be believed."""
        notes, asked = self.told[-1]
        believed = number == asked and (number in notes or len(notes) < MOST_NOTES)
        kept = [*notes, number] if believed and number not in notes else notes
        self.read(self.go(yes=number), kept, None if believed else asked)

    def drop(self, number: int) -> None:
        notes, _ = self.told[-1]
        self.read(self.go(drop=number), [one for one in notes if one != number], None)

    def back(self, steps: int) -> None:
        keep = max(1, len(self.pages) - steps)
        self.pages, self.told = self.pages[:keep], self.told[:keep]

    def send(self) -> None:
        answer = self.client.post(self.path, {"s": self.state, "symptom": "buzzes", "words": ""})
        assert answer.status_code == 302, answer.content.decode()


numbers = st.integers(1, 88)
near = st.integers(-1, 1)
steps = st.lists(
    st.one_of(
        st.tuples(st.just("touch"), numbers),
        st.tuples(st.just("yes"), near),
        st.tuples(st.just("yes"), near),
        st.tuples(st.just("neighbour"), near),
        st.tuples(st.just("drop"), numbers),
        st.tuples(st.just("back"), st.integers(1, 4)),
    ),
    max_size=9,
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["ask", "yes", "drop", "seal"]), st.integers(28, 33)), max_size=30))
def test_the_notes_kept_are_those_whose_last_question_was_answered_yes(taken):
    """Held against a plain list of what was asked and answered, with keys so near that slips are frequent."""
    picked, kept, asked = begin(1), [], None
    for step, number in taken:
        if step == "ask":
            picked, asked = picked.ask(number, GRAND), number
        elif step == "seal":
            picked = unsealed(picked.sealed(), 1)
        elif step == "drop":
            picked, asked = picked.drop(number), None
            kept = [one for one in kept if one != number]
        elif number == asked:
            picked, asked = picked.confirm(number), None
            kept += [number] if number not in kept else []
        else:
            with pytest.raises(Refused):
                picked.confirm(number)
    assert list(picked.notes) == kept


class Paths(TestCase):
    @settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
    @given(steps)
    def test_what_is_stored_is_what_was_confirmed_on_the_page_that_was_sent(self, taken):
        site = make.make_site()
        walker = Walker(make.make_instrument(make.make_room(site), kind="grand"))
        for step, value in taken:
            notes, asked = walker.told[-1]
            if step == "touch":
                walker.touch(value)
            elif step == "yes" and asked is not None:
                walker.confirm(min(88, max(1, asked + value)))
            elif step == "neighbour" and asked is not None:
                walker.touch(min(88, max(1, asked + value)))
            elif step == "drop":
                walker.drop(notes[value % len(notes)] if notes else value)
            elif step == "back":
                walker.back(value)
        walker.send()
        stored = NoteRequest.objects.get(instrument__site=site)
        assert stored.notes == [NOTES[number - 1] for number in walker.told[-1][0]]
        # Going back and sending an older page of the same visit again stores nothing more.
        walker.back(2)
        walker.send()
        assert NoteRequest.objects.filter(instrument__site=site).count() == 1
        PublicPost.objects.all().delete()
