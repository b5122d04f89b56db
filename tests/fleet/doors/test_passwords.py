"""A new password by letter: the same answer for every address, a link that works once and for an hour."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
import time_machine
from django.test import Client

from fleet.models import PasswordReset
from scheduling import mail
from scheduling.models import Letter
from tests import factories as make
from tests.fleet.doors.test_signing_in import PASSWORD, is_in, sign_in

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
NEW = {"password": "harp in the attic", "again": "harp in the attic"}


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def user(db):
    user = make.make_user(make.make_site(), username="ida")
    user.email = "ida@example.org"
    user.save()
    return user


def ask(client, email="ida@example.org"):
    return client.post("/login/forgot/", {"email": email}, follow=True)


def link():
    text = str(mail.message_of(Letter.objects.order_by("-pk").first()).body)
    return re.search(r"http\S+(/login/new-password/\S+/)", text)[1]


def test_the_answer_is_the_same_whether_or_not_the_address_has_an_account(user):
    said = [
        (answer.status_code, answer.content.decode().replace(email, "").split("csrfmiddlewaretoken")[0])
        for email in ("ida@example.org", "ada@example.org")
        for answer in [ask(Client(), email)]
    ]
    assert said[0] == said[1]
    assert "a letter with a link is on its way" in said[0][1]
    assert [letter.to for letter in Letter.objects.all()] == ["ida@example.org"]


def test_neither_letter_nor_row_holds_what_opens_the_door(client, user):
    ask(client, "IDA@example.org")
    secret = link().split("/")[-2]
    letter, row = Letter.objects.get(), PasswordReset.objects.get(user=user)
    assert len(secret) == 43
    stored = (letter.text, letter.html, letter.seed, letter.subject, row.secret_hash)
    assert not any(secret in text for text in stored)
    message = mail.message_of(letter)
    html = message.alternatives[0][0]
    assert secret in message.body
    assert secret in html
    assert "List-Unsubscribe" not in message.extra_headers


def test_a_link_sets_the_password_once_and_ends_every_session(client, user):
    signed_in = Client()
    sign_in(signed_in, user)
    ask(client)
    path = link()
    assert client.get(path).status_code == 200
    assert client.get(path).headers["Referrer-Policy"] == "same-origin"
    assert client.post(path, {**NEW, "again": "else"}).status_code == 422
    assert client.post(path, {"password": "ida", "again": "ida"}).status_code == 422
    assert is_in(signed_in)
    assert client.post(path, NEW).headers["Location"] == "/login/"
    assert not is_in(signed_in)
    assert not is_in(client), "whoever had the link still signs in"
    assert [client.get(path).status_code, client.post(path, NEW).status_code] == [404, 404]
    assert sign_in(client, user, PASSWORD).status_code == 200
    assert sign_in(client, user, NEW["password"]).status_code == 302


def test_of_two_links_the_second_is_shut_by_the_use_of_the_first(client, user):
    ask(client)
    first = link()
    ask(client)
    client.post(link(), NEW)
    assert client.get(first).status_code == 404


def test_a_link_is_good_for_an_hour(client, user, clock):
    ask(client)
    path = link()
    clock.shift(3599)
    assert client.get(path).status_code == 200
    clock.shift(2)
    assert client.get(path).status_code == 404


def test_a_lock_of_the_name_ends_with_the_new_password(client, user):
    for _ in range(8):
        sign_in(client, user, "wrong")
    assert sign_in(client, user).status_code == 429
    ask(client)
    client.post(link(), NEW)
    assert sign_in(client, user, NEW["password"]).status_code == 302


def test_who_asks_often_is_made_to_wait_and_one_account_gets_three_letters_an_hour(client, user, clock):
    for _ in range(10):
        assert ask(client).status_code == 200
    assert Letter.objects.count() == 3
    refused = client.post("/login/forgot/", {"email": "ada@example.org"})
    assert refused.status_code == 429
    assert "60 minutes" in refused.content.decode()
    clock.shift(3601)
    assert ask(client).status_code == 200
    assert Letter.objects.count() == 4


def test_an_account_that_is_closed_gets_no_letter(client, user):
    user.is_active = False
    user.save()
    ask(client)
    assert not Letter.objects.exists()
