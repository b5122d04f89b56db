"""Walk up to every door of the almanac as everybody, with every method, with one's own things and others'."""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from urllib.parse import quote

import pytest
import time_machine
from django.db import transaction
from django.test import Client, override_settings
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from fleet import codes, ways_in
from fleet.models import Instrument, WayIn
from fleet.record_links import record_path
from fleet.weeks import monday_before
from scheduling import feeds
from scheduling.models import Feed
from tests import factories as make
from tests.doors import DOORS, FORM_FIELDS, LOGIN, NAME_FIELDS, NUMBERS, PEOPLE, QUERY_FIELDS
from tests.house_with_doors import MORNING, Answered, Walk, ask, filled, kept_as_it_was, path_of, prepare

# The mark has the database made; the house itself stays from one test to the next.
pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def walk(django_db_setup, django_db_blocker, tmp_path_factory) -> Iterator[Walk]:
    """One house for the whole module; every attempt is taken back, and the house at the end."""
    folder = tmp_path_factory.mktemp("uploads")
    with (
        django_db_blocker.unblock(),
        override_settings(UPLOADS_DIR=folder),
        time_machine.travel(MORNING, tick=False),
        transaction.atomic(),
    ):
        logging.disable(logging.CRITICAL)  # thousands of refusals are meant here
        walk = prepare()
        yield walk
        sys.stdout.write(f"\n{len(DOORS)} addresses, {len(FORM_FIELDS)} fields of forms: {walk.figures}\n")
        logging.disable(logging.NOTSET)
        transaction.set_rollback(True)


def names_of(resolver: URLResolver | None = None) -> Iterator[str | None]:
    """The names of all addresses but those of the admin."""
    for pattern in (resolver or get_resolver()).url_patterns:
        if isinstance(pattern, URLPattern):
            yield pattern.name
        elif pattern.app_name != "admin":
            yield from names_of(pattern)


def judged(answered: Answered, expected: int | str, path: str) -> str:
    """Say what is wrong with an answer, nothing where it is right."""
    is_login = answered.status == 302 and answered.location.startswith(f"/login/?next={quote(path)}")
    came: int | str = LOGIN if is_login else answered.status
    return "" if came == expected else f"{came} instead of {expected} at {path}: {answered.location}"


def told(answered: Answered, words: tuple[str, ...]) -> list[str]:
    """Which of these words stand in an answer or its headers."""
    return [word for word in words if word in answered.text or word in answered.headers]


def overheard(walk: Walk, name: str, who: str, answered: Answered) -> list[str]:
    """What of the house came to the ears of somebody who does not belong to it."""
    if DOORS[name].secret or who in ("technician", "administrator", "reader"):
        return []
    return [f"{name} tells {who} of {word}" for word in told(answered, walk.words)]


def test_every_address_has_its_line_in_the_table():
    names = list(names_of())
    assert None not in names
    listed = {name.split()[0] for name in DOORS}
    assert set(names) == listed
    assert len(names) == len(DOORS), "an address is without its line, or included twice"


def test_reading_at_a_door_changes_nothing_and_tells_what_the_table_says_to_whom_it_says(walk):
    wrong = []
    for name, door in DOORS.items():
        path = path_of(name, door, walk.things)
        for who, expected in zip(PEOPLE, door.get, strict=True):
            got = ask(walk, who, "GET", path, filled(door.query, walk.things))
            wrong += [f"{name} {who}: {fault}" for fault in (judged(got, expected, path),) if fault]
            wrong += [f"{name} {who} changes by reading: {sql}" for sql in got.changes]
            wrong += overheard(walk, name, who, got)
    assert not wrong, "\n".join(wrong)


def test_asking_for_the_head_of_an_answer_is_reading_it_without_its_words(walk):
    """Where nothing is read, HEAD is no way to write: not with the rights of a reader, nor with anybody's."""
    wrong = []
    for name, door in DOORS.items():
        path = path_of(name, door, walk.things)
        for who in ("technician", "reader"):
            expected = door.get[PEOPLE.index(who)]
            got = ask(walk, who, "HEAD", path, filled(door.query, walk.things))
            if got.status != expected or got.text or got.changes:
                wrong.append(f"{name} {who}: HEAD {got.status} {got.changes}")
    assert not wrong, "\n".join(wrong)


def test_posting_at_a_door_answers_as_the_table_says_and_changes_nothing_where_refused(walk):
    wrong = []
    for name, door in DOORS.items():
        path = path_of(name, door, walk.things)
        for who, expected in zip(PEOPLE, door.post, strict=True):
            got = ask(walk, who, "POST", path, filled(door.form, walk.things))
            wrong += [f"{name} {who}: {fault}" for fault in (judged(got, expected, path),) if fault]
            if expected not in (200, 302):
                wrong += [f"{name} {who} is refused and changes: {sql}" for sql in got.changes]
            wrong += overheard(walk, name, who, got)
    assert not wrong, "\n".join(wrong)


def test_whoever_works_at_one_site_and_reads_at_another_changes_nothing_where_only_reading(walk):
    """The pages are about Another School, where this person works; the forms name things of the house."""
    about = ask(walk, "both", "GET", "/instruments/").text
    assert "– Another School</title>" in about
    tried, wrong = 0, []
    for name, door in DOORS.items():
        named = [value for value in (*door.args.values(), *door.form.values()) if str(value).startswith("@")]
        if door.secret or door.post[0] == 405 or name in ("choose_site", "sum_up_sheet"):
            continue  # open to whoever knows the address, or storing nothing
        if set(named) - {"@readings", "@calendar", "@table"}:
            got = ask(walk, "both", "POST", path_of(name, door, walk.things), filled(door.form, walk.things))
            tried += 1
            if got.status not in (403, 404, 422) or got.changes:
                wrong.append(f"{name}: {got.status} {got.changes}")
    assert not wrong, "\n".join(wrong)
    assert tried > 25


def test_no_other_method_opens_a_door(walk):
    wrong = []
    for name, door in DOORS.items():
        path = path_of(name, door, walk.things)
        for who in ("technician", "stranger"):
            for method in ("PUT", "DELETE"):
                got = ask(walk, who, method, path)
                at_login = got.status == 302 and got.location.startswith("/login/") and who == "stranger"
                if (got.status != 405 and not at_login) or got.changes:
                    wrong.append(f"{name} {who}: {method} {got.status} {got.changes}")
    assert not wrong, "\n".join(wrong)


def test_the_words_looked_for_do_stand_on_the_pages_of_the_house(walk):
    read = [
        ask(walk, "administrator", "GET", path).text for path in ("/instruments/", "/rooms/", "/calendars/")
    ]
    assert [word for word in walk.words if not any(word in page for page in read)] == []


def test_an_id_of_another_site_in_a_field_is_refused_and_stores_nothing(walk):
    wrong = []
    for one in FORM_FIELDS:
        door = DOORS[one.door]
        path = path_of(one.door, door, walk.things)
        who = "technician" if door.post[0] != 403 else "administrator"
        own = ask(walk, who, "POST", path, filled(door.form, walk.things))
        if not own.changes and one.door != "choose_site":  # which is kept in the session
            wrong.append(f"{one}: the form stores nothing with one's own either")
        theirs = filled(door.form, walk.things) | {one.name: walk.others[one.thing]}
        got = ask(walk, who, "POST", path, theirs)
        if got.status != one.answer or got.changes or told(got, walk.others_words):
            wrong.append(f"{one}: {got.status} {got.changes} {told(got, walk.others_words)}")
    assert not wrong, "\n".join(wrong)


def test_a_request_of_another_site_named_in_a_record_stays_as_it_is(walk):
    """The record form's fields about requests carry the id in their name; those of others are not read."""
    door = DOORS["record"]
    path = path_of("record", door, walk.things)
    closed = {}
    for whose in (walk.things, walk.others):
        asked = f"asked-{whose['request']}"
        form = {**door.form, f"{asked}-state": "done", f"{asked}-finding": "a loose pin"}
        changes = " ".join(ask(walk, "technician", "POST", path, form).changes)
        closed[whose["request"]] = 'UPDATE "fleet_noterequest"' in changes
    assert closed == {walk.things["request"]: True, walk.others["request"]: False}


def test_a_name_of_another_site_in_a_scenario_is_refused_and_stores_nothing(walk):
    path, door = reverse("new_scenario"), DOORS["new_scenario"]
    for names in NAME_FIELDS:
        season = {name: door.form[name] for name in ("start", "weeks")}
        own = ask(walk, "technician", "POST", path, season | filled(names, walk.things))
        assert (own.status, bool(own.changes)) == (302, True), (names, own.text)
        theirs = ask(walk, "technician", "POST", path, season | filled(names, walk.others))
        assert (theirs.status, theirs.changes) == (422, []), names


def test_an_id_of_another_site_in_an_address_shows_nothing_of_it(walk):
    for one in QUERY_FIELDS:
        path = path_of(one.door, DOORS[one.door], walk.things)
        got = ask(walk, "technician", "GET", path, {one.name: walk.others[one.thing]})
        assert got.status == one.answer, one
        asked_itself = {walk.others["tag"]} if one.thing == "tag" else set()
        assert set(told(got, walk.others_words)) <= asked_itself, one
        own = ask(walk, "technician", "GET", path, {one.name: walk.things[one.thing]})
        assert own.status == 200, one


def test_every_choice_by_number_on_any_page_is_in_the_table_of_ids(walk):
    """A field that offers numbers names rows by them, unless the table says that they are plain numbers."""
    known = {one.name for one in (*FORM_FIELDS, *QUERY_FIELDS)} | NUMBERS
    found: dict[str, set[str]] = {}
    for name, door in DOORS.items():
        if 200 in door.get:
            path = path_of(name, door, walk.things)
            page = ask(walk, "administrator", "GET", path, filled(door.query, walk.things))
            for offered in choices_of(page.text):
                found.setdefault(re.sub(r"\d+", "#", offered), set()).add(name)
    unknown = [
        f"{offered} on {', '.join(sorted(found[offered]))}" for offered in sorted(found.keys() - known)
    ]
    assert not unknown, "\n".join(unknown)
    assert NUMBERS - found.keys() == set(), "the table speaks of fields that no page has"
    assert {"room", "person", "plan", "lender", "away_person"} <= set(found)


class Choices(HTMLParser):
    """The names of fields that offer numbers: in a list, hidden, or to be ticked."""

    def __init__(self) -> None:
        super().__init__()
        self.select = ""
        self.names: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a field whose value is a number."""
        said = dict(attrs)
        if tag == "select":
            self.select = said.get("name") or ""
        name = self.select if tag == "option" else said.get("name") or ""
        offers = tag == "option" or said.get("type") in ("hidden", "radio", "checkbox") or tag == "button"
        if offers and (said.get("value") or "").isdecimal():
            self.names.add(name)


def choices_of(page: str) -> set[str]:
    """The names of fields on a page that offer numbers."""
    parser = Choices()
    parser.feed(page)
    return parser.names - {""}


LONG_NUMBER = "9" * 5000  # longer than Python reads as a number
ODD_VALUES = (LONG_NUMBER, "9" * 25, "²")


def test_odd_values_in_any_field_of_any_form_are_no_error_of_the_server(walk):
    wrong = []
    for name, door in DOORS.items():
        path = path_of(name, door, walk.things)
        fields = [("POST", field) for field in door.form]
        fields += [("GET", one.name) for one in QUERY_FIELDS if one.door == name]
        for method, field in fields:
            sound = filled(door.form if method == "POST" else door.query, walk.things)
            field = field.format(**walk.things)
            for value in ODD_VALUES:
                got = ask(walk, "technician", method, path, {**sound, field: value})
                if got.status >= 500:
                    wrong.append(f"{name} {method} {field}={value[:30]!r}: {got.status}")
    assert not wrong, "\n".join(wrong)


def test_a_nul_never_comes_to_a_database_that_cannot_hold_it(walk):
    """It is refused in an address, and dropped or refused in words by whoever takes a form."""
    wrong = []
    for name, door in DOORS.items():
        path = path_of(name, door, walk.things)
        read = ask(walk, "technician", "GET", path, {"form": "x\0y"})
        wrong += [f"{name}: GET {read.status}"] if read.status != 400 or read.changes else []
        for field in {**door.form, "form": "", "s": ""}:
            form = {**filled(door.form, walk.things), field.format(**walk.things): "x\0y"}
            sent = ask(walk, "technician", "POST", path, form)
            wrong += [f"{name}: POST {field} {sent.status}"] if sent.status >= 500 else []
    assert not wrong, "\n".join(wrong)


def test_a_form_posted_from_elsewhere_is_refused_everywhere_but_where_a_secret_is_the_key(walk):
    taken = []
    for name, door in DOORS.items():
        client = Client(enforce_csrf_checks=True, raise_request_exception=False)
        client.cookies["sessionid"] = walk.cookies["administrator"]
        with kept_as_it_was():
            answer = client.post(path_of(name, door, walk.things), filled(door.form, walk.things))
        if answer.status_code != 403:
            taken.append((name, answer.status_code))
    assert taken == [("post_readings", 401), ("stop_letters", 200)]


SECRETS = {
    "join": "join_secret",
    "reset_password": "reset_secret",
    "player": "public_id",
    "record_by_letter": "record_link",
    "stop_letters": "stop_link",
    "work_calendar": "feed_secret",
}


def test_a_wrong_secret_is_answered_as_if_there_were_no_such_page(walk):
    nowhere = ask(walk, "stranger", "GET", "/nowhere/")
    assert nowhere.status == 404
    for name, thing in SECRETS.items():
        right = walk.things[thing]
        changed = right[:-1] + ("A" if right[-1] != "A" else "B")
        swapped = [
            value for other, value in walk.things.items() if other in SECRETS.values() and other != thing
        ]
        for wrong in (changed, right[:-1], right.swapcase(), "x", "a" * 3000, "%00", *swapped):
            path = reverse(name, args=["secret"]).replace("secret", wrong)
            for who in ("stranger", "administrator"):
                for method in ("GET", "HEAD", "POST"):
                    got = ask(walk, who, method, path)
                    allowed = {404, 405} if name == "work_calendar" and method == "POST" else {404}
                    assert got.status in allowed, (name, wrong, method, got.status)
                    assert not got.changes
                    assert not told(got, walk.words)
                    if method == "GET" and who == "stranger":
                        assert got.text.replace(path, "") == nowhere.text.replace("/nowhere/", ""), name


def test_what_is_closed_is_answered_as_if_it_had_never_been(walk):
    now, things = timezone.now(), walk.things
    addresses = {name: path_of(name, DOORS[name], things) for name in ("player", "work_calendar")}
    with transaction.atomic():
        codes.renew_code(Instrument.objects.get(pk=things["instrument"]))
        feeds.revoke(Feed.objects.get(pk=things["feed"]), now)
        for name, path in addresses.items():
            assert ask(walk, "stranger", "GET", path).status == 404, name
        way_in, secret = ways_in.make_way_in(
            WayIn.objects.get(pk=things["way_in"]).site, "another", None, walk.users["technician"], now
        )
        ways_in.revoke(way_in, now)
        said = [
            ask(walk, "stranger", "POST", reverse("post_readings"), HTTP_AUTHORIZATION=key)
            for key in (
                f"Bearer {secret}",
                "Bearer never",
                "Bearer ",
                "",
                f"Basic {secret}",
                "Bearer \xe9\xff",
            )
        ]
        assert {(one.status, one.text) for one in said} == {(401, said[0].text)}
        assert not any(one.changes for one in said)
        transaction.set_rollback(True)


def test_a_link_that_mixes_the_person_of_one_site_with_the_instrument_of_another_opens_nothing(walk):
    monday = monday_before(make.TODAY)
    path = record_path(walk.things["person"], walk.others["instrument"], "tuning", monday)
    assert ask(walk, "stranger", "GET", path).status == 404
    assert ask(walk, "stranger", "POST", path, DOORS["record"].form).changes == []
