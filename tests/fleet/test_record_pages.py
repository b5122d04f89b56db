"""The record form and its doors: what is taken, what is refused in words, and who may come in."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.models import Membership, Role, Service
from fleet.record_links import record_path
from tests import factories as make

TODAY = date(2026, 11, 25)
MONDAY = TODAY - timedelta(days=2)
FORM = {"day": "2026-11-25", "token": "one form"}


@pytest.fixture(autouse=True)
def on_the_day():
    with time_machine.travel(datetime(2026, 11, 25, 8, tzinfo=UTC)):
        yield


@pytest.fixture
def grand(db):
    room = make.make_room(make.make_site("Quiet School"), "Hall")
    return make.make_instrument(room, "G-1", "grand")


@pytest.fixture
def technician(grand):
    user = make.make_user(grand.site)
    make.make_person(grand.site, "Ida Thorn of the house", user=user)
    return user


def post(client, grand, kind="tuning", query="", **said):
    return client.post(f"/record/{grand.pk}/{kind}/{query}", {**FORM, **said})


def test_a_tuning_is_recorded_and_its_page_says_what_was_saved(client, grand, technician):
    client.force_login(technician)
    said = {"found": "3,5", "found_side": "less", "left_side": "right", "minutes": "75", "note": "bass"}
    answer = post(client, grand, query="?week=2026-W48", **said)
    one = Service.objects.get()
    assert (one.found, one.left, one.minutes, one.note) == (-3.5, 0.0, 75, "bass")
    assert one.technician == "Ida Thorn of the house"
    assert answer.url == f"/services/{one.pk}/?week=2026-W48"
    text = " ".join(client.get(answer.url).content.decode().split())
    assert "Tuning on Wednesday 25 November 2026, found −3.5, left 0 cents, 75 minutes." in text
    assert "It was within its tolerance of 4.5 cents." in text
    assert "The forecast is being made again with it" in text
    assert "entered by Ida Thorn of the house" in text


def test_a_look_that_left_all_as_found_is_recorded_as_that_and_corrected_as_that(client, grand, technician):
    client.force_login(technician)
    said = {"found": "3,5", "found_side": "less", "only_measured": "on", "other_minutes": "10"}
    answer = post(client, grand, **said)
    one = Service.objects.get()
    assert (one.found, one.left, one.only_measured, one.minutes) == (-3.5, None, True, 10)
    text = " ".join(client.get(answer.url).content.decode().split())
    assert "Tuning on Wednesday 25 November 2026, found −3.5 cents, left as found, 10 minutes." in text
    again = f"/services/{one.pk}/correct/"
    assert re.search(r'name="only_measured"[^>]*checked', client.get(again).content.decode())
    seen = one.changes.get().pk
    tuned = {"found": "-3.5", "left_side": "right", "minutes": "75", "seen": seen}
    assert client.post(again, {**FORM, **tuned}).status_code == 302
    one.refresh_from_db()
    assert (one.left, one.only_measured) == (0.0, False)
    history = " ".join(client.get(answer.url).content.decode().split())
    assert "only measured from yes to no" in history


@pytest.mark.parametrize(
    ("said", "found"),
    [
        ({"found": "2.5", "found_side": "more"}, 2.5),
        ({"found": "-2,5"}, -2.5),
        ({"found": "\N{MINUS SIGN}2.5", "found_side": "less"}, -2.5),
        ({"found": "0"}, 0.0),
        ({"found_side": "right"}, 0.0),
        ({"found": "", "found_side": "more"}, None),
        ({}, None),
    ],
)
def test_the_side_of_a_value_is_said_in_words_or_by_a_minus(client, grand, technician, said, found):
    client.force_login(technician)
    assert post(client, grand, **said).status_code == 302
    assert Service.objects.get().found == found


REFUSED = {
    "no side": ({"found": "3"}, "Say which way: sharp or flat."),
    "a number spot on": ({"found": "3", "found_side": "right"}, "which of the two is it?"),
    "minus and sharp": ({"found": "-3", "found_side": "more"}, "which of the two is it?"),
    "not a number": ({"left": "about 2", "note": "kept"}, "write it like 3.5 or 3,5"),
    "no day": ({"day": ""}, "This field is required."),
    "another day unsaid": ({"day": "other"}, "On which day was it?"),
    "two days": ({"other_day": "2026-11-20"}, "A day is chosen above as well"),
    "the future": (
        {"day": "other", "other_day": "2026-11-26"},
        "The day is in the future: 2026-11-25 or earlier.",
    ),
    "long before": (
        {"day": "other", "other_day": "1990-01-01"},
        "was not in service yet: 1999-09-01 or later.",
    ),
    "beyond measure": ({"found": "1300", "found_side": "more"}, "An impossible value: -1200 to 1200."),
    "a look at nothing": ({"only_measured": "on", "minutes": "30"}, "Nothing was done: what was found?"),
    "a look that left": (
        {"only_measured": "on", "minutes": "30", "found": "-2", "left": "-1"},
        "so it was left as found",
    ),
    "a look of no time": ({"only_measured": "on", "found": "-2"}, "How long did the look take?"),
    "minutes": ({"other_minutes": "9000"}, "less than or equal to 1440"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_is_said_in_words_and_nothing_typed_is_lost(client, grand, technician, case):
    said, words = REFUSED[case]
    client.force_login(technician)
    answer = post(client, grand, note="a long note", **{key: said[key] for key in said if key != "note"})
    text = answer.content.decode()
    assert answer.status_code == 200
    assert words in text
    assert "a long note" in text
    assert all(f'value="{value}"' in text for name, value in said.items() if name in ("found", "left"))
    assert not Service.objects.exists()


def test_a_form_opened_before_midnight_still_means_its_day(client, grand, technician):
    client.force_login(technician)
    assert post(client, grand, day="2026-11-22").status_code == 302
    assert Service.objects.get().date == date(2026, 11, 22)


def test_the_form_sent_twice_leads_to_the_same_record(client, grand, technician):
    client.force_login(technician)
    first, second = post(client, grand, minutes="60"), post(client, grand, minutes="60")
    assert first.url == second.url
    assert Service.objects.count() == 1


def test_a_form_has_its_token_in_the_address_and_once_sent_leads_to_its_record(client, grand, technician):
    client.force_login(technician)
    first = client.get(f"/record/{grand.pk}/tuning/?week=2026-W48")
    assert first.url.startswith(f"/record/{grand.pk}/tuning/?week=2026-W48&form=")
    token = client.get(first.url).context["form"]["token"].value()
    assert first.url.endswith(token)
    assert client.get(first.url).context["form"]["token"].value() == token
    post(client, grand, token=token)
    one = Service.objects.get()
    assert client.get(first.url).url == f"/services/{one.pk}/correct/"
    client.post(f"/services/{one.pk}/withdraw/")
    assert client.get(first.url).url != first.url


@pytest.mark.parametrize("token", ["", "short", "x" * 49, "<script>alert(1)</script>"])
def test_a_token_that_is_none_is_replaced(client, grand, technician, token):
    client.force_login(technician)
    answer = client.get(f"/record/{grand.pk}/tuning/", {"form": token})
    assert answer.status_code == 302
    assert client.get(answer.url).status_code == 200


def test_a_record_stands_in_its_form_and_is_corrected_there(client, grand, technician):
    old = make.make_service(
        grand, date(2026, 10, 3), found=-4.25, left=0.5, found_bass=-6.0, minutes=85, technician="Rufus Pell"
    )
    client.force_login(technician)
    form = client.get(f"/services/{old.pk}/correct/").context["form"]
    shown = {name: form[name].value() for name in form.fields}
    said = {name: value for name, value in shown.items() if value is not None}
    said |= {"token": "unused", "found": "4,0"}
    answer = client.post(f"/services/{old.pk}/correct/", said)
    assert answer.url == f"/services/{old.pk}/"
    old.refresh_from_db()
    assert (old.date, old.found, old.left, old.found_bass) == (date(2026, 10, 3), -4.0, 0.5, -6.0)
    assert (old.minutes, old.technician) == (85, "Rufus Pell")
    text = " ".join(client.get(answer.url).content.decode().split())
    assert "corrected by Ida Thorn of the house: found from −4.25 to −4" in text


def test_a_record_is_withdrawn(client, grand, technician):
    old = make.make_service(grand, date(2026, 10, 3))
    client.force_login(technician)
    answer = client.post(f"/services/{old.pk}/withdraw/")
    assert answer.url == f"/instruments/{grand.pk}/"
    assert not Service.objects.exists()


def test_what_a_player_asked_for_is_answered_with_the_record(client, grand, technician):
    buzz, knock = make.make_request(grand, ("D#3",)), make.make_request(grand, ("C4",), symptom="knock")
    client.force_login(technician)
    assert "what was found?" in client.get(f"/record/{grand.pk}/tuning/", follow=True).content.decode()
    name = f"asked-{buzz.pk}"
    silent = post(client, grand, **{f"{name}-state": "done"}, note="kept")
    assert "D#3: please say what was found" in silent.content.decode()
    assert "kept" in silent.content.decode()
    assert not Service.objects.exists()
    said = {f"{name}-state": "done", f"{name}-finding": "a coin on the soundboard", f"{name}-shown": "1"}
    for _ in range(2):
        assert post(client, grand, **said).status_code == 302
    buzz.refresh_from_db()
    knock.refresh_from_db()
    assert (buzz.state, buzz.finding, buzz.finding_shown) == ("done", "a coin on the soundboard", True)
    assert knock.state == "open"
    assert Service.objects.count() == buzz.changes.count() == 1


def test_a_concert_that_asks_for_another_pitch_is_told_to_whoever_tunes(client, grand, technician):
    client.force_login(technician)

    def book(day, pitch_hz, **more):
        make.make_booking(grand.room, datetime(2026, 11, day, 18, tzinfo=UTC), pitch_hz=pitch_hz, **more)

    book(26, 440, title="Trios")
    book(27, 415, title="Another's", instruments=[make.make_instrument(grand.room)])
    assert "asks for A4" not in client.get(f"/record/{grand.pk}/tuning/", follow=True).content.decode()
    book(28, 443, title="Quartets", instruments=[grand])
    text = client.get(f"/record/{grand.pk}/tuning/", follow=True).content.decode()
    assert "Quartets on Saturday 28 November, 19:00 asks for A4 = 443 Hz." in text
    assert "asks for A4" not in client.get(f"/record/{grand.pk}/voicing/", follow=True).content.decode()


def test_reading_never_writes(client, grand, technician):
    old = make.make_service(grand, date(2026, 10, 3))
    client.force_login(technician)
    with CaptureQueriesContext(connection) as seen:
        client.get(f"/record/{grand.pk}/tuning/", follow=True)
        client.get(f"/services/{old.pk}/correct/")
        client.get(f"/services/{old.pk}/")
    writes = [one["sql"] for one in seen if one["sql"].split()[0] in ("INSERT", "UPDATE", "DELETE")]
    assert writes == []
    assert client.get(f"/services/{old.pk}/withdraw/").status_code == 405


def test_the_form_asks_the_database_as_often_for_many_records_as_for_few(client, grand, technician):
    client.force_login(technician)

    def queries():
        with CaptureQueriesContext(connection) as seen:
            assert client.get(f"/record/{grand.pk}/voicing/", follow=True).status_code == 200
        return len(seen)

    make.make_service(grand, date(2026, 10, 3), "voicing")
    few = queries()
    for number in range(40):
        make.make_service(grand, date(2026, 9, 3) - timedelta(days=number), "voicing")
        make.make_instrument(grand.room)
    assert queries() == few <= 30


@pytest.mark.parametrize(
    "path", ["/record/{grand}/tuning/", "/services/{old}/correct/", "/services/{old}/withdraw/"]
)
def test_doors(client, grand, path):
    old = make.make_service(grand, date(2026, 10, 3))
    where = path.format(grand=grand.pk, old=old.pk)
    expected = {
        "reader": (make.make_user(grand.site, Role.READER), 403),
        "colleague": (make.make_user(make.make_site("Another School")), 404),
        "stranger": (make.make_user(), 404),
    }
    for name, (user, status) in expected.items():
        client.force_login(user)
        assert client.post(where, FORM).status_code == status, name
    client.logout()
    assert client.post(where, FORM).url.startswith("/login/")
    assert Service.objects.count() == 1


def test_a_reader_of_one_site_writes_at_another_of_his_own(client, grand):
    user = make.make_user(make.make_site("Another School"), Role.READER)
    Membership.objects.create(user=user, site=grand.site, role=Role.TECHNICIAN)
    client.force_login(user)
    assert post(client, grand).status_code == 302
    assert Service.objects.get().technician == user.username


@pytest.mark.parametrize("kind", ["polishing", "bedding"])
def test_a_kind_that_is_not_done_there_has_no_form(client, grand, technician, kind):
    upright = make.make_instrument(grand.room, "U-1")
    client.force_login(technician)
    assert client.get(f"/record/{upright.pk}/{kind}/").status_code == 404


class TestByLetter:
    """The link of a letter: one person, one instrument, one kind, one week, and nothing else."""

    @pytest.fixture
    def ida(self, grand):
        return make.make_person(grand.site, "Ida Thorn")

    @pytest.fixture
    def link(self, grand, ida):
        return record_path(ida.pk, grand.pk, "tuning", MONDAY)

    def test_it_opens_the_form_and_takes_a_record_without_a_login(self, client, grand, link):
        assert client.get(link).status_code == 200
        answer = client.post(link, {**FORM, "found": "2", "found_side": "less"})
        assert answer.status_code == 302
        one = Service.objects.get()
        assert (one.found, one.technician, one.instrument) == (-2.0, "Ida Thorn", grand)
        assert one.changes.get().by_letter
        text = " ".join(client.get(answer.url).content.decode().split())
        assert "Saved: Tuning on Wednesday 25 November 2026, found −2 cents." in text

    def test_used_again_it_corrects_what_it_recorded(self, client, link):
        client.post(link, {**FORM, "found": "2", "found_side": "less"})
        client.post(link, {**FORM, "found": "3", "found_side": "less", "token": "another"})
        assert Service.objects.get().found == -3.0

    def test_it_shows_nothing_else_of_the_house(self, client, grand, link):
        make.make_service(grand, date(2026, 10, 3), found=7.77, note="a secret")
        make.make_service(grand, date(2026, 9, 3), "regulation")
        make.make_forecast(grand)
        text = client.get(link).content.decode()
        assert "G-1" in text
        for told in ("7.77", "a secret", "October", "September", "Tolerance", "/instruments/", "/services/"):
            assert told not in text, told

    def test_it_cannot_be_bent(self, client, grand, ida, link):
        other = make.make_instrument(grand.room, "G-2", "grand")
        bent = [
            link.replace(f".{grand.pk}.", f".{other.pk}."),
            link.replace("tuning", "voicing"),
            link.replace("2026-W48", "2026-W49"),
            link[:-2] + "/",
            "/r/x/",
        ]
        assert [client.get(path).status_code for path in bent] == [404] * 5

    def test_it_expires_after_four_weeks(self, client, ida, grand):
        old = record_path(ida.pk, grand.pk, "tuning", MONDAY - timedelta(weeks=4))
        younger = record_path(ida.pk, grand.pk, "tuning", MONDAY - timedelta(weeks=3))
        answer = client.post(old, FORM)
        assert answer.status_code == 410
        assert "This link has expired" in answer.content.decode()
        assert not Service.objects.exists()
        assert client.get(younger).status_code == 200

    def test_it_ends_with_the_person_and_with_a_move_to_another_site(self, client, grand, ida, link):
        ida.role = Role.READER
        ida.save()
        assert client.get(link).status_code == 404
        ida.role, ida.site = Role.TECHNICIAN, make.make_site("Another School")
        ida.save()
        assert client.get(link).status_code == 404

    def test_a_withdrawn_record_is_not_made_again_by_it(self, client, grand, technician, link):
        client.post(link, FORM)
        client.force_login(technician)
        client.post(f"/services/{Service.objects.get().pk}/withdraw/")
        client.logout()
        answer = client.post(link, FORM)
        assert answer.status_code == 200
        assert "What this form recorded was withdrawn since" in answer.content.decode()


anything = st.text(max_size=30) | st.sampled_from(
    [
        "-3",
        "1e9",
        "٣",
        "NaN",
        "-0",
        "\0",
        "2026-11-25",
        "2026-02-30",
        "other",
        "less",
        "right",
        "99999999999",
        "1,5",
    ]
)
FIELDS = (
    *("day", "other_day", "minutes", "other_minutes", "found", "found_side", "left", "left_side", "note"),
    *("hardener_at", "dry_at", "token", "seen", "passes", "spares", "more", "knocks-tried"),
    *("p1-c2-offset-before", "p1-note-1-offset-note", "p1-note-1-offset-before"),
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.fixed_dictionaries({}, optional=dict.fromkeys(FIELDS, anything)), sheet=st.booleans())
def test_whatever_is_sent_is_taken_within_bounds_or_refused_in_words(client, grand, technician, said, sheet):
    client.force_login(technician)
    path = f"/record/{grand.pk}/tuning/" + ("sheet/" if sheet else "")
    answer = client.post(path, {**FORM, **said})
    assert answer.status_code in (200, 302)
    if answer.status_code == 200:
        assert "Nothing is saved yet" in answer.content.decode() or said.get("more")
    for one in Service.objects.all():
        assert grand.in_service_since <= one.date <= TODAY
        assert all(abs(value) <= 1200 for value in (one.found, one.left) if value is not None)
        assert one.minutes is None or 1 <= one.minutes <= 1440


def test_whoever_has_served_an_instrument_is_asked_to_look_at_the_rest_of_it(client, grand, technician):
    client.force_login(technician)
    saved = post(client, grand, minutes="75").url
    text = client.get(saved).content.decode()
    asked = re.findall(rf'href="(/record/{grand.pk}/(\w+)/\?look=1)"', text)
    assert [kind for _, kind in asked] == ["bedding", "regulation", "voicing"]
    form = client.get(asked[0][0], follow=True).content.decode()
    assert re.search(r'name="only_measured"[^>]*checked', form)
    said = {
        "found": "0.04",
        "found_side": "more",
        "only_measured": "on",
        "other_minutes": "5",
        "token": "two",
    }
    assert post(client, grand, "bedding", **said).status_code == 302
    assert "/bedding/?look=1" not in client.get(saved).content.decode()
    with time_machine.travel(datetime(2026, 11, 27, 8, tzinfo=UTC)):
        assert "look=1" not in client.get(saved).content.decode()
