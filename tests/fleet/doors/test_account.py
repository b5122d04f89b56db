"""A user's own pages: sessions ended, passwords changed, a second factor set up, renewed and taken off."""

from __future__ import annotations

import re

import pytest
import time_machine
from django.test import Client
from django_otp.plugins.otp_static.models import StaticDevice
from django_otp.plugins.otp_totp.models import TOTPDevice

from fleet.doors import second_factor
from fleet.doors.sign_ins import device_words
from fleet.models import SignIn
from scheduling.models import Letter
from tests import factories as make
from tests.fleet.doors.test_signing_in import (
    AT_59,
    AT_2005,
    FIGURES_AT_59,
    FIGURES_AT_2005,
    PASSWORD,
    RFC_SECRET,
    is_in,
    sign_in,
)

pytestmark = pytest.mark.django_db
FACTOR = "/account/second-factor/"


@pytest.fixture
def user(db):
    user = make.make_user(make.make_site())
    user.email = "ida@example.org"
    user.save()
    return user


@pytest.fixture
def three(user):
    clients = [Client() for _ in range(3)]
    for client in clients:
        sign_in(client, user)
    return clients


def test_one_session_or_all_others_are_ended_from_the_page_and_nobody_elses(three):
    here, there, yonder = three
    stranger = Client()
    sign_in(stranger, make.make_user())
    marks = re.findall(r'name="session" value="(\w+)"', here.get("/account/").content.decode())
    assert len(marks) == 2, "the own session is not offered"
    assert not any(row.session_key in marks for row in SignIn.objects.all())
    stranger.post("/account/sessions/end/", {"session": marks[0]})
    assert [is_in(one) for one in three] == [True] * 3
    here.post("/account/sessions/end/", {"session": marks[0]})
    assert sorted([is_in(there), is_in(yonder)]) == [False, True]
    here.post("/account/sessions/end/")
    assert [is_in(one) for one in (*three, stranger)] == [True, False, False, True]


def test_a_changed_password_ends_the_other_sessions_and_is_told_by_letter(three, user):
    here = three[0]
    form = {"old": PASSWORD, "password": "harp in the attic", "again": "harp in the attic"}
    assert here.post("/account/password/", form).status_code == 302
    assert [is_in(one) for one in three] == [True, False, False]
    assert Letter.objects.get().subject == "Your password was changed"
    assert sign_in(Client(), user).status_code == 200, "the old one opens nothing"
    assert sign_in(Client(), user, "harp in the attic").status_code == 302


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"old": "wrong"}, "not the password until now"),
        ({"again": "harp in the cellar"}, "not the same"),
        ({"password": "short", "again": "short"}, "too short"),
        ({"password": "password12345", "again": "password12345"}, "too common"),
        ({"password": "8412907563", "again": "8412907563"}, "entirely numeric"),
    ],
)
def test_a_password_that_is_refused_changes_nothing_and_says_why(client, user, changed, said):
    sign_in(client, user)
    form = {"old": PASSWORD, "password": "harp in the attic", "again": "harp in the attic", **changed}
    answer = client.post("/account/password/", form)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert sign_in(Client(), user).status_code == 302


def test_guessing_the_old_password_from_a_session_left_open_is_locked_as_at_the_login(client, user):
    sign_in(client, user)
    form = {"old": "wrong", "password": "harp in the attic", "again": "harp in the attic"}
    assert [client.post("/account/password/", form).status_code for _ in range(8)] == [422] * 7 + [429]


def test_the_address_that_opens_the_account_is_changed_only_with_the_password(client, user):
    sign_in(client, user)
    form = {"full_name": "Ida Thorn", "email": "thief@example.org", "old": "wrong"}
    assert client.post("/account/", form).status_code == 422
    assert (
        client.post("/account/", {**form, "email": "ida@other.example", "old": PASSWORD}).status_code == 302
    )
    user.refresh_from_db()
    assert (user.first_name, user.last_name, user.email) == ("Ida", "Thorn", "ida@other.example")


def test_a_second_factor_is_set_up_with_the_password_and_its_first_figures(three, user):
    here = three[0]
    assert here.post(FACTOR, {"step": "begin", "old": "wrong"}).status_code == 422
    assert not TOTPDevice.objects.exists()
    assert here.get(FACTOR).status_code == 200
    assert not TOTPDevice.objects.exists(), "reading makes nothing"
    here.post(FACTOR, {"step": "begin", "old": PASSWORD})
    TOTPDevice.objects.update(key=RFC_SECRET)
    page = here.get(FACTOR).content.decode()
    # RFC 4648 for the letters, checked by hand: the first five bytes "12345" are GEZDGNBV.
    assert "GEZD GNBV" in page
    assert "<svg" in page
    assert sign_in(Client(), user).headers["Location"] == "/", "it counts only once it is confirmed"
    with time_machine.travel(AT_59, tick=False):
        assert here.post(FACTOR, {"step": "confirm", "code": "000000"}).status_code == 422
    TOTPDevice.objects.update(throttling_failure_count=0)
    SignIn.objects.update(expire_date="2100-01-01T00:00:00Z")
    with time_machine.travel(AT_2005, tick=False):
        page = here.post(FACTOR, {"step": "confirm", "code": FIGURES_AT_2005}).content.decode()
    assert len(set(re.findall(r"<code class=\"secret\">([a-z2-9]{5}-[a-z2-9]{5})</code>", page))) == 10
    assert [is_in(one) for one in three] == [True, False, False], "what began without it is ended"
    assert sign_in(Client(), user).headers["Location"] == "/login/code/"
    assert Letter.objects.get().subject == "Your login asks for a second factor now"


def test_spare_codes_are_renewed_and_the_factor_taken_off_only_with_a_code(client, user):
    sign_in(client, user)
    TOTPDevice.objects.create(user=user, key=RFC_SECRET, confirmed=True)
    old = second_factor.new_spare_codes(user)
    assert client.post(FACTOR, {"step": "codes", "code": "123456"}).status_code == 422
    TOTPDevice.objects.update(throttling_failure_count=0)
    page = client.post(FACTOR, {"step": "codes", "code": old[0]}).content.decode()
    new = re.findall(r"<code class=\"secret\">([a-z2-9]{5}-[a-z2-9]{5})</code>", page)
    assert not set(new) & set(old)
    assert client.post(FACTOR, {"step": "off", "code": old[1]}).status_code == 422
    StaticDevice.objects.update(throttling_failure_count=0)
    assert client.post(FACTOR, {"step": "off", "code": new[0]}).status_code == 302
    assert not second_factor.has_one(user)
    assert second_factor.spare_codes_left(user) == 0


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (
            "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) "
            "Chrome/140.0.0.0 Safari/537.36 Edg/140.0.0.0",
            "Edge on Windows",
        ),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) "
            "Version/18.5 Mobile/15E148 Safari/604.1",
            "Safari on an iPhone",
        ),
        (
            "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 (KHTML, like Gecko) "
            "Chrome/140.0.0.0 Mobile Safari/537.36",
            "Chrome on Android",
        ),
        ("curl/8.0", "Another program"),
    ],
)
def test_a_device_is_told_in_words(agent, words):
    assert device_words(agent) == words


def test_the_figures_are_those_of_the_standard(user):
    device = TOTPDevice.objects.create(user=user, key=RFC_SECRET, confirmed=True)
    # RFC 6238, appendix B: time, figures, and the number of the half minute, printed in hexadecimal
    for at, figures, step in ((AT_59, FIGURES_AT_59, 0x1), (AT_2005, FIGURES_AT_2005, 0x23523EC)):
        with time_machine.travel(at, tick=False):
            second_factor.check(user, figures)
        device.refresh_from_db()
        assert device.last_t == step
