"""The login: its lock, its second step, and that no other page lets anybody in without it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django_otp.plugins.otp_static.models import StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from fleet.doors import second_factor
from fleet.models import SignIn
from tests import factories as make

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
PASSWORD = "a long word"
# RFC 6238, appendix B, SHA-1: the secret, and the last six of its eight figures 59 s and 1111111109 s
# after 1970 began.
RFC_SECRET = b"12345678901234567890".hex()
AT_59, FIGURES_AT_59 = datetime(1970, 1, 1, 0, 0, 59, tzinfo=UTC), "287082"
AT_2005, FIGURES_AT_2005 = datetime(2005, 3, 18, 1, 58, 29, tzinfo=UTC), "081804"


@pytest.fixture
def user(db):
    site = make.make_site()
    return make.make_user(site)


def sign_in(client, user, password=PASSWORD, **more):
    return client.post("/login/", {"username": user.username, "password": password, **more})


def is_in(client):
    return client.get("/account/").status_code == 200


@pytest.fixture
def guarded(user):
    TOTPDevice.objects.create(user=user, key=RFC_SECRET, confirmed=True)
    return user


def test_a_password_alone_opens_a_login_without_a_second_factor(client, user):
    assert sign_in(client, user, next="/rooms/").headers["Location"] == "/rooms/"
    assert is_in(client)


def test_with_a_second_factor_the_password_opens_nothing_but_the_question_for_it(client, guarded):
    with time_machine.travel(AT_2005, tick=False):
        assert sign_in(client, guarded, next="/rooms/").headers["Location"] == "/login/code/"
        assert not is_in(client)
        assert client.get("/rooms/").status_code == 302
        answer = client.post("/login/code/", {"code": f"{FIGURES_AT_2005[:3]} {FIGURES_AT_2005[3:]}"})
        assert answer.headers["Location"] == "/rooms/"
        assert is_in(client)


def test_figures_used_once_open_nothing_a_second_time(client, guarded):
    with time_machine.travel(AT_2005, tick=False):
        for expected in (302, 422):
            client.logout()
            sign_in(client, guarded)
            assert client.post("/login/code/", {"code": FIGURES_AT_2005}).status_code == expected


def test_wrong_figures_make_the_next_ones_wait_longer_and_longer(client, guarded):
    with time_machine.travel(AT_2005 - timedelta(seconds=20), tick=False) as clock:
        sign_in(client, guarded)
        assert "looked at in 1 second" in client.post("/login/code/", {"code": "000000"}).content.decode()
        # Within the second even the right ones are not looked at.
        assert client.post("/login/code/", {"code": FIGURES_AT_2005}).status_code == 422
        clock.shift(2)
        answer = client.post("/login/code/", {"code": "000001"})
        assert "looked at in 2 seconds" in answer.content.decode()
        clock.shift(3)
        assert client.post("/login/code/", {"code": FIGURES_AT_2005}).status_code == 302


def test_the_question_is_forgotten_after_ten_minutes_and_after_a_change_of_password(client, guarded):
    with time_machine.travel(NOW, tick=False) as clock:
        sign_in(client, guarded)
        clock.shift(601)
        assert client.get("/login/code/").headers["Location"] == "/login/"
        sign_in(client, guarded)
        assert client.get("/login/code/").status_code == 200
        guarded.set_password("another long word")
        guarded.save()
        assert client.get("/login/code/").headers["Location"] == "/login/"


def test_the_admin_lets_nobody_in_past_the_second_factor(client, guarded):
    guarded.is_staff = guarded.is_superuser = True
    guarded.save()
    form = {"username": guarded.username, "password": PASSWORD, "next": "/admin/"}
    for path in ("/admin/login/", "/admin/login/?next=/admin/"):
        answer = client.post(path, form)
        assert answer.status_code == 302
        assert answer.headers["Location"].startswith("/login/")
        assert client.get("/admin/").status_code == 302
    with time_machine.travel(AT_2005, tick=False):
        sign_in(client, guarded, next="/admin/")
        assert client.get("/admin/").status_code == 302
        client.post("/login/code/", {"code": FIGURES_AT_2005})
        assert client.get("/admin/").status_code == 200


def test_a_spare_code_opens_once_and_none_is_stored_as_it_is(client, guarded):
    codes = second_factor.new_spare_codes(guarded)
    assert len(set(codes)) == 10
    stored = set(StaticToken.objects.values_list("token", flat=True))
    assert not stored & {code.replace("-", "") for code in codes}
    for expected in (302, 422):
        client.logout()
        sign_in(client, guarded)
        assert client.post("/login/code/", {"code": codes[0].upper()}).status_code == expected
    assert second_factor.spare_codes_left(guarded) == 9


def test_after_eight_wrong_passwords_the_name_is_locked_from_there_until_a_quarter_of_an_hour_is_over(
    client, user
):
    other = make.make_user()
    with time_machine.travel(NOW, tick=False) as clock:
        for _ in range(7):
            assert sign_in(client, user, "wrong").status_code == 200
        locked = sign_in(client, user, "wrong")
        assert locked.status_code == 429
        assert "Fifteen minutes after" in locked.content.decode()
        assert sign_in(client, user).status_code == 429, "the right one is not looked at either"
        # Neither another name from here nor this name from elsewhere is locked.
        assert sign_in(client, other).status_code == 302
        elsewhere = {"username": user.username, "password": PASSWORD}
        assert client.post("/login/", elsewhere, REMOTE_ADDR="192.0.2.7").status_code == 302
        client.logout()
        clock.shift(14 * 60)
        assert sign_in(client, user).status_code == 429
        clock.shift(61 + 60)
        assert sign_in(client, user).status_code == 302


def test_behind_a_proxy_the_lock_counts_by_who_comes_and_not_by_the_proxy(client, user, settings):
    settings.PROXIES = 1
    form = {"username": user.username, "password": "wrong"}
    for _ in range(8):
        answer = client.post("/login/", form, headers={"X-Forwarded-For": "198.51.100.1, 192.0.2.9"})
    assert answer.status_code == 429
    right = {**form, "password": PASSWORD}
    assert (
        client.post("/login/", right, headers={"X-Forwarded-For": "192.0.2.9, 192.0.2.10"}).status_code == 302
    )


def test_a_session_tells_its_device_and_when_it_was_used(client, user):
    agent = "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0"
    with time_machine.travel(NOW, tick=False) as clock:
        client.post(
            "/login/", {"username": user.username, "password": PASSWORD}, headers={"User-Agent": agent}
        )
        clock.shift(4 * 60)
        assert "Firefox on Linux" in client.get("/account/").content.decode()
        assert SignIn.objects.get().seen_at == NOW
        clock.shift(2 * 60)
        client.get("/account/")
    row = SignIn.objects.get()
    assert (row.user, row.began_at, row.seen_at) == (user, NOW, NOW + timedelta(minutes=6))
