"""Invitations and members: links that open once, roles that change, and an administrator who stays."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
import time_machine
from django.contrib.auth import get_user_model
from django.test import Client
from django_otp.plugins.otp_totp.models import TOTPDevice

from fleet.models import Invitation, Membership, Person, Role, Service
from fleet.record_links import record_path
from scheduling import feeds, mail, stop_links
from scheduling.letter_choices import DUE_WORK, choose, who_wants, wishes_of
from scheduling.models import Letter
from tests import factories as make

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
MONDAY = date(2026, 11, 23)
NEWCOMER = {
    "username": "ines.moor",
    "full_name": "Ines Moor",
    "password": "harp in the attic",
    "again": "harp in the attic",
}


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture
def site(db):
    return make.make_site("Brackwater Conservatory")


@pytest.fixture
def head(site, client):
    user = make.make_user(site, Role.ADMINISTRATOR, username="head")
    client.force_login(user)
    return user


def invite(client, email="ines@example.org", role="technician"):
    return client.post("/members/invite/", {"email": email, "role": role})


def link(email="ines@example.org"):
    letter = Letter.objects.filter(to=email).order_by("-pk").first()
    return re.search(r"http\S+(/join/\S+/)", str(mail.message_of(letter).body))[1]


def test_an_invitation_goes_out_as_a_letter_with_text_and_page_and_its_secret_is_nowhere_stored(client, head):
    assert invite(client).status_code == 302
    letter, row = Letter.objects.get(), Invitation.objects.get()
    message = mail.message_of(letter)
    secret = link().split("/")[-2]
    assert message.to == ["ines@example.org"]
    assert message.from_email.startswith("Brackwater Conservatory <")
    assert secret in message.body
    assert secret in message.alternatives[0][0]
    assert not any(secret in text for text in (letter.text, letter.html, letter.seed, row.secret_hash))
    assert letter.state == "due"


def test_somebody_new_joins_with_a_name_and_a_password_and_is_signed_in(client, head, site):
    invite(client)
    guest = Client()
    page = guest.get(link()).content.decode()
    assert "head invites you as technician" in page
    assert guest.post(link(), NEWCOMER).headers["Location"] == "/"
    user = get_user_model().objects.get(username="ines.moor")
    assert (user.email, user.get_full_name()) == ("ines@example.org", "Ines Moor")
    assert user.check_password(NEWCOMER["password"])
    assert user.memberships.get().role == Role.TECHNICIAN
    person = Person.objects.get(site=site)
    assert (person.name, person.user, person.email) == ("Ines Moor", user, "ines@example.org")
    assert "Brackwater Conservatory" in guest.get("/").content.decode()


def test_a_person_the_site_knows_is_tied_to_the_new_member(client, head, site):
    person = make.make_person(site, "Ines Moor", email="Ines@example.org")
    invite(client)
    Client().post(link(), NEWCOMER)
    person.refresh_from_db()
    assert person.user.username == "ines.moor"
    assert Person.objects.count() == 1


def test_somebody_with_an_account_joins_after_signing_in(client, head, site):
    invite(client, role="reader")
    guest = Client()
    known = make.make_user(make.make_site("Another School"), username="known")
    path = link()
    assert f"/login/?next={path}" in guest.get(path).content.decode()
    answer = guest.post("/login/", {"username": "known", "password": "a long word", "next": path})
    assert answer.headers["Location"] == path
    assert "Join as known" in guest.get(path).content.decode()
    assert Membership.objects.filter(user=known).count() == 1, "reading the page joins nobody"
    guest.post(path)
    assert {one.site.name: one.role for one in known.memberships.all()} == {
        "Another School": "technician",
        "Brackwater Conservatory": "reader",
    }
    assert "Brackwater Conservatory</title>" in guest.get("/instruments/").content.decode()


def test_a_link_that_was_used_revoked_replaced_or_ran_out_is_as_one_that_never_was(client, head, clock):
    paths = {}
    for name in ("used", "revoked", "replaced", "ran out"):
        invite(client, f"{name.split()[0]}@example.org")
        paths[name] = link(f"{name.split()[0]}@example.org")
    Client().post(paths["used"], NEWCOMER)
    client.post(f"/members/invitations/{Invitation.objects.get(email__startswith='rev').pk}/revoke/")
    invite(client, "replaced@example.org")
    clock.shift(7 * 86400 + 1)
    client.force_login(head)
    paths["never was"] = "/join/never-was/"
    for who in (Client(), client):
        answers = {}
        for name, path in paths.items():
            for method in ("get", "post"):
                answer = getattr(who, method)(path, NEWCOMER)
                answers[name, method] = (answer.status_code, answer.content.decode().replace(path, ""))
        assert len(set(answers.values())) == 1
        assert next(iter(answers.values()))[0] == 404
    assert get_user_model().objects.filter(username="ines.moor").count() == 1


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"username": "HEAD"}, "name is taken"),
        ({"username": "two words"}, "valid username"),
        ({"password": "short", "again": "short"}, "too short"),
        ({"password": "ines.moor1", "again": "ines.moor1"}, "too similar"),
        ({"full_name": ""}, "required"),
    ],
)
def test_what_is_refused_leaves_the_invitation_open_and_makes_no_account(client, head, changed, said):
    invite(client)
    answer = Client().post(link(), {**NEWCOMER, **changed})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert get_user_model().objects.count() == 1
    assert Client().get(link()).status_code == 200


@pytest.mark.parametrize(
    ("email", "role", "said"),
    [
        ("no address", "reader", "no mail address"),
        ("a@example.org", "king", "no role"),
        ("", "reader", "no mail"),
    ],
)
def test_an_invitation_that_cannot_be_is_refused_in_words(client, head, email, role, said):
    answer = invite(client, email, role)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not Letter.objects.exists()


def test_whoever_belongs_to_the_site_is_not_invited_again(client, head, site):
    head.email = "head@example.org"
    head.save()
    assert "a member already" in invite(client, "HEAD@example.org").content.decode()
    invite(client, "other@example.org")
    assert "member of this site already" in client.post(link("other@example.org")).content.decode()
    assert Client().get(link("other@example.org")).status_code == 200


def test_the_only_administrator_can_neither_leave_nor_step_down(client, head, site):
    mine = head.memberships.get()
    for path, form in (("role", {"role": "reader"}), ("end", {})):
        said = client.post(f"/members/{mine.pk}/{path}/", form, follow=True).content.decode()
        assert "only administrator" in said
    mine.refresh_from_db()
    assert mine.role == Role.ADMINISTRATOR
    second = make.make_user(site, Role.READER)
    client.post(f"/members/{second.memberships.get().pk}/role/", {"role": "administrator"})
    client.post(f"/members/{mine.pk}/end/")
    assert list(site.memberships.values_list("user", "role")) == [(second.pk, "administrator")]
    assert client.get("/members/").status_code == 404


def test_where_a_membership_ends_the_person_stays_and_letters_and_calendar_stop(client, head, site):
    user = make.make_user(site)
    person = make.make_person(site, "Ida Thorn", user=user)
    _, secret = feeds.renew(site, person, head, NOW)
    assert feeds.opened_by(secret)
    assert who_wants(site, DUE_WORK) == {person.pk}
    theirs = Client()
    theirs.force_login(user)
    client.post(f"/members/{user.memberships.get().pk}/end/")
    person.refresh_from_db()
    assert person.user is None
    assert who_wants(site, DUE_WORK) == set()
    assert feeds.opened_by(secret) is None
    assert theirs.get("/labels/").status_code == 404


def test_links_of_letters_open_nothing_once_the_membership_has_ended(client, head, site):
    grand = make.make_instrument(make.make_room(site), "G-1", "grand")
    user = make.make_user(site)
    person = make.make_person(site, "Ida Thorn", user=user, email="ida@example.org")
    record = record_path(person.pk, grand.pk, "tuning", MONDAY)
    stopping = f"/letters/stop/{stop_links.token(person, DUE_WORK)}/"
    letter = Client()
    said = {"day": "2026-11-25", "token": "by letter"}

    def role(name: str) -> None:
        client.post(f"/members/{user.memberships.get().pk}/role/", {"role": name})

    assert letter.get(record).status_code == 200
    role(Role.READER)
    assert letter.post(record, said).status_code == 404
    role(Role.TECHNICIAN)
    assert letter.get(record).status_code == 200
    client.post(f"/members/{user.memberships.get().pk}/end/")
    assert letter.post(record, said).status_code == 404
    assert not Service.objects.exists()
    assert "Let them come again" not in letter.get(stopping).content.decode()
    letter.post(stopping, {"again": "1"})
    assert who_wants(site, DUE_WORK) == set()
    # Whoever administers the house and writes to them again means them to record again.
    wishes = [replace(wish, wanted=True) for _, all_of in wishes_of([person]) for wish in all_of]
    person.refresh_from_db()
    choose(person, wishes, NOW, "head")
    assert letter.get(record).status_code == 200


def test_an_administrator_takes_off_a_members_second_factor_and_the_member_is_told(client, head, site):
    user = make.make_user(site)
    user.email = "ida@example.org"
    user.save()
    TOTPDevice.objects.create(user=user, confirmed=True)
    stranger = make.make_user(make.make_site(), Role.ADMINISTRATOR)
    elsewhere = Client()
    elsewhere.force_login(stranger)
    path = f"/members/{user.memberships.get().pk}/second-factor/"
    assert elsewhere.post(path).status_code == 404
    assert TOTPDevice.objects.exists()
    assert "set up" in client.get("/members/").content.decode()
    client.post(path)
    assert not TOTPDevice.objects.exists()
    assert "head took the second factor off" in Letter.objects.get(to="ida@example.org").text


def test_an_invitation_says_what_became_of_its_letter(client, head, site):
    invite(client)
    assert "The letter: waiting" in said_by(client)
    refused = {"state": "refused", "trouble": "550 no such mailbox"}
    Letter.objects.filter(kind="invitation").update(**refused)
    told = said_by(client)
    assert "The letter: refused 550 no such mailbox" in told
    assert "invite again" in told
    Invitation.objects.update(revoked_at=NOW)
    assert "550" not in said_by(client)


def said_by(client: Client) -> str:
    """The words of the list of members."""
    return " ".join(re.sub(r"<[^>]*>", " ", client.get("/members/").content.decode()).split())


def test_the_list_of_members_asks_as_often_for_three_as_for_thirty(
    client, head, site, django_assert_max_num_queries
):
    invite(client)
    client.get("/members/")
    with django_assert_max_num_queries(30) as few:
        client.get("/members/")
    for number in range(27):
        make.make_user(site)
        invite(client, f"person{number}@example.org")
    with django_assert_max_num_queries(30) as many:
        client.get("/members/")
    assert len(many) == len(few)


def test_turning_to_another_site_keeps_the_page_and_is_remembered_by_the_next_session(client, site):
    user = make.make_user(site)
    other = make.make_site("Zeal Hall")
    Membership.objects.create(user=user, site=other, role=Role.READER)
    client.force_login(user)
    page = client.get("/rooms/").content.decode()
    head = page.split("<main")[0]
    assert "Turn to" in head
    assert "Zeal Hall" in head
    answer = client.post("/site/", {"site": other.pk, "page": "/rooms/"})
    assert answer.headers["Location"] == "/rooms/"
    assert "– Zeal Hall</title>" in client.get("/rooms/").content.decode()
    client.logout()
    client.force_login(user)
    assert "– Zeal Hall</title>" in client.get("/rooms/").content.decode()
    for odd in ("/instruments/1/", "https://elsewhere.example/", "//elsewhere.example/", "/admin/", ""):
        assert client.post("/site/", {"site": site.pk, "page": odd}).headers["Location"] == "/"
