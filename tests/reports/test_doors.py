"""What members of several sites and of none see; who may open what is tried in ``tests/test_doors.py``."""

from __future__ import annotations

import pytest
from django.urls import reverse

from fleet.middleware import SESSION_KEY
from fleet.models import Membership, Role
from tests import factories as make


@pytest.fixture
def elsewhere(db):
    return make.make_user(make.make_site("Another School"))


def test_whoever_has_a_login_and_no_site_is_told_how_a_site_comes_about(client, house):
    client.force_login(make.make_user())
    for path in ("/", "/instruments/", "/season/", "/week/", "/budget/", "/sensors/"):
        assert "/start/" in client.get(path).content.decode(), path


def test_a_thing_of_another_own_site_shows_in_the_frame_of_that_site(client, house, elsewhere):
    Membership.objects.create(user=elsewhere, site=house.site, role=Role.READER)
    client.force_login(elsewhere)
    text = client.get(f"/instruments/{house.instruments[0].pk}/").content.decode()
    assert "<title>G-01 – Brackwater Conservatory</title>" in text
    assert "Stay with Brackwater Conservatory" in text
    assert "– Another School</title>" in client.get("/rooms/").content.decode()


def test_choosing_a_site_changes_what_the_pages_are_about(client, house, elsewhere):
    Membership.objects.create(user=elsewhere, site=house.site, role=Role.READER)
    client.force_login(elsewhere)
    assert "Another School" in client.get("/rooms/").content.decode()
    answer = client.post(reverse("choose_site"), {"site": house.site.pk})
    assert answer.url == "/"
    assert client.session[SESSION_KEY] == house.site.pk
    assert "– Brackwater Conservatory</title>" in client.get("/rooms/").content.decode()


@pytest.mark.parametrize("asked", ["", "x", "999999"])
def test_a_site_that_is_not_ones_own_cannot_be_chosen(client, house, elsewhere, asked):
    client.force_login(elsewhere)
    assert client.post(reverse("choose_site"), {"site": asked or house.site.pk}).status_code == 404
    assert SESSION_KEY not in client.session


def test_a_site_is_not_chosen_by_following_a_link(client, house):
    client.force_login(house.technician)
    assert client.get(reverse("choose_site"), {"site": house.site.pk}).status_code == 405


def test_the_login_says_so_when_name_and_password_do_not_belong_together(client, house):
    text = client.post("/login/", {"username": "nobody", "password": "wrong"}).content.decode()
    assert 'role="alert"' in text
    assert "do not belong together" in text


def test_signing_in_leads_to_this_week(client, house):
    answer = client.post("/login/", {"username": house.technician.username, "password": "a long word"})
    assert answer.url == "/"


@pytest.mark.parametrize("week", ["0001-W01", "9999-W52"])
def test_a_week_at_an_end_of_the_calendar_is_no_page(client, house, week):
    client.force_login(house.technician)
    assert client.get(f"/week/{week}/").status_code == 404
