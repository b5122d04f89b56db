"""What the tables of the installation do to members is what a site's own page does."""

from __future__ import annotations

import pytest
from django.contrib.auth import get_user_model
from django.contrib.messages import get_messages
from django.urls import reverse

from fleet.models import Membership, Role
from scheduling.letter_choices import wishes_of
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def root(client):
    client.force_login(get_user_model().objects.create_superuser("root", password="a long word"))
    return client


def remove(client, membership):
    return client.post(reverse("admin:fleet_membership_delete", args=[membership.pk]), {"post": "yes"})


def test_who_is_removed_there_gets_no_letters_any_more(root):
    site = make.make_site()
    user = make.make_user(site)
    person = make.make_person(site, "Ida Thorn", user=user, email="ida@example.org")
    assert all(wish.wanted for wish in wishes_of([person])[0][1])
    assert remove(root, user.memberships.get()).status_code == 302
    assert not Membership.objects.exists()
    person.refresh_from_db()
    assert person.user is None
    assert person.left_at is not None
    assert not any(wish.wanted for wish in wishes_of([person])[0][1])


def test_the_only_administrator_stays_there_too(root):
    user = make.make_user(make.make_site(), Role.ADMINISTRATOR)
    answer = remove(root, user.memberships.get())
    assert Membership.objects.filter(user=user).exists()
    assert any("only administrator" in str(one) for one in get_messages(answer.wsgi_request))
