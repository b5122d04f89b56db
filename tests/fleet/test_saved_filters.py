"""Filters that people keep: their own, under a name, one of them the one the list opens with."""

from __future__ import annotations

import pytest

from fleet import saved_filters
from fleet.models import Role, SavedFilter
from fleet.refusal import Refused
from tests import factories as make


@pytest.fixture
def site(db):
    return make.make_site()


def test_what_is_kept_is_what_was_asked_without_what_was_left_empty():
    assert saved_filters.tidy("?text=&kind=grand&all=1&page=3&building=Old+House") == (
        "building=Old+House&kind=grand"
    )


def test_a_name_kept_again_replaces_and_only_one_opens_the_list(site):
    user = make.make_user(site)
    saved_filters.keep(user, site, "instruments", "Mine", "kind=grand", True)
    saved_filters.keep(user, site, "instruments", " Other ", "kind=upright", True)
    saved_filters.keep(user, site, "instruments", "Mine", "state=out", False)
    assert list(SavedFilter.objects.values_list("name", "query", "default")) == [
        ("Mine", "state=out", False),
        ("Other", "kind=upright", True),
    ]


def test_a_name_that_another_has_or_none_is_refused(site):
    user = make.make_user(site)
    one = saved_filters.keep(user, site, "instruments", "One", "kind=grand", False)
    saved_filters.keep(user, site, "instruments", "Two", "kind=grand", False)
    for name, why in (("Two", "another filter"), ("  ", "needs a name"), ("x" * 61, "needs a name")):
        with pytest.raises(Refused, match=why):
            saved_filters.change(one, name, False)
    one.refresh_from_db()
    assert one.name == "One"


def test_there_are_not_more_than_can_be_overlooked(site):
    user = make.make_user(site)
    for number in range(saved_filters.MOST_FILTERS):
        saved_filters.keep(user, site, "instruments", f"No {number}", "", False)
    with pytest.raises(Refused, match="too many"):
        saved_filters.keep(user, site, "instruments", "One more", "", False)


def test_a_reader_keeps_renames_and_removes_their_own_and_nobody_else_sees_it(client, site):
    reader, colleague = make.make_user(site, Role.READER), make.make_user(site)
    client.force_login(reader)
    kept = client.post(
        "/filters/keep/", {"page": "instruments", "name": "Grands", "query": "kind=grand", "default": "on"}
    )
    assert kept.headers["Location"] == "/instruments/?kind=grand"
    assert client.get("/instruments/").headers["Location"] == "/instruments/?kind=grand"
    row = SavedFilter.objects.get()
    client.force_login(colleague)
    assert client.get("/instruments/").status_code == 200
    assert "Grands" not in client.get("/instruments/?kind=grand").content.decode()
    assert client.post(f"/filters/{row.pk}/", {"remove": "1"}).status_code == 404
    client.force_login(reader)
    client.post(f"/filters/{row.pk}/", {"name": "All grands"})
    row.refresh_from_db()
    assert (row.name, row.default) == ("All grands", False)
    assert client.get("/instruments/").status_code == 200
    client.post(f"/filters/{row.pk}/", {"remove": "1"})
    assert not SavedFilter.objects.exists()


def test_a_filter_kept_at_one_site_is_no_part_of_another(client, site):
    user, other = make.make_user(site), make.make_site()
    make.Membership.objects.create(user=user, site=other, role=Role.TECHNICIAN)
    saved_filters.keep(user, other, "instruments", "There", "kind=grand", True)
    client.force_login(user)
    client.post("/site/", {"site": site.pk})
    assert client.get("/instruments/").status_code == 200
