"""The forms of the season page: who may send them, what they answer, and drafts made by the worker."""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from fleet.models import HeldVisit, Membership, Role
from scheduling import asked_work, draft_orders, ticking
from scheduling.models import DraftOrder, SeasonPlan
from tests.factories import (
    MONDAY,
    TODAY,
    make_climate,
    make_instrument,
    make_person,
    make_plan,
    make_room,
    make_site,
    make_user,
    make_visit,
)

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)


@pytest.fixture(autouse=True)
def on_the_day():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def woken(monkeypatch):
    """The ids of the orders the queue was told of."""
    ids = []
    monkeypatch.setattr("scheduling.tasks.make_draft.delay", ids.append)
    return ids


@pytest.fixture
def site():
    site = make_site()
    room = make_room(site)
    make_climate(room, TODAY - timedelta(days=60), 61)
    make_instrument(room, "U-1")
    make_person(site, "Ada", 4.0)
    return site


@pytest.fixture
def visit(site):
    return make_visit(make_plan(site, MONDAY, 6), site.instruments.get())


def paths(visit):
    order = DraftOrder.objects.create(site=visit.plan.site, start=MONDAY, weeks=4, asked_at=NOW)
    return [
        *(f"/season/visits/{visit.pk}/{verb}/" for verb in ("hold", "release", "move")),
        f"/season/{visit.plan_id}/approve/",
        f"/season/drafts/{order.pk}/cancel/",
    ]


def test_a_stranger_finds_nothing_a_reader_may_not_and_nobody_writes_by_reading(client, visit):
    stranger = make_user(make_site())
    reader = make_user(visit.plan.site, Role.READER)
    for path in paths(visit):
        assert client.post(path).status_code == 302  # to the login
        client.force_login(stranger)
        assert client.post(path, {"seen": 0, "week": "2026-12-07"}).status_code == 404
        client.force_login(reader)
        assert client.post(path, {"seen": 0, "week": "2026-12-07"}).status_code == 403
        assert client.get(path).status_code == 405
        client.logout()
    client.force_login(reader)
    assert client.post("/season/drafts/", {"start": "2026-11-30", "weeks": 4}).status_code == 403
    assert not HeldVisit.objects.exists()
    assert SeasonPlan.objects.get().state == "draft"


def test_what_changes_the_plan_on_the_page_brings_along_the_approval_that_knows_of_it(client, visit):
    client.force_login(make_user(visit.plan.site))
    answer = client.post(
        f"/season/visits/{visit.pk}/hold/", {"seen": 0}, follow=True, headers={"HX-Request": "true"}
    )
    brought = answer.content.decode().partition('<div id="followed" hx-swap-oob="true">')[2]
    seen = re.search(r'name="seen" value="(\d+)"', brought)
    assert seen
    client.post(f"/season/{visit.plan_id}/approve/", {"seen": seen[1]})
    assert SeasonPlan.objects.get().state == "approved"


def test_moving_by_form_answers_with_the_visit_in_its_new_week(client, visit):
    client.force_login(make_user(visit.plan.site))
    answer = client.post(f"/season/visits/{visit.pk}/move/", {"seen": 0, "week": "2026-12-14"}, follow=True)
    text = answer.content.decode()
    assert answer.redirect_chain == [(f"/season/{visit.plan_id}/?visit={visit.pk}", 302)]
    assert "Tuning of U-1, week of 14 December" in text
    assert "from the week of 30 November" in text
    assert "Plan anew around it" in text
    visit.refresh_from_db()
    assert (visit.week.isoformat(), visit.held) == ("2026-12-14", True)


@pytest.mark.parametrize(
    "week,said",
    [("2026-12-15", "is no Monday"), ("soon", "valid date"), ("2027-03-01", "cannot be moved there")],
)
def test_a_week_that_cannot_be_is_answered_in_words_and_nothing_changes(client, visit, week, said):
    client.force_login(make_user(visit.plan.site))
    answer = client.post(f"/season/visits/{visit.pk}/move/", {"seen": 0, "week": week}, follow=True)
    assert said in answer.content.decode()
    visit.refresh_from_db()
    assert visit.week == MONDAY


def test_whoever_comes_second_reads_who_was_first(client, visit):
    client.force_login(make_user(visit.plan.site, username="first"))
    client.post(f"/season/visits/{visit.pk}/hold/", {"seen": 0})
    client.force_login(make_user(visit.plan.site, username="second"))
    answer = client.post(f"/season/visits/{visit.pk}/move/", {"seen": 0, "week": "2026-12-14"}, follow=True)
    text = answer.content.decode()
    assert "While you were looking, first held the tuning of U-1" in text
    assert "nothing of yours was stored" in text


def test_approving_by_form_and_the_page_that_says_by_whom(client, visit):
    client.force_login(make_user(visit.plan.site, username="boss"))
    text = client.post(f"/season/{visit.plan_id}/approve/", {"seen": 0}, follow=True).content.decode()
    assert "People work by it in the weeks from 30 November to 4 January 2027." in text
    assert "boss approved this plan" in text


def test_a_draft_is_ordered_made_by_the_worker_and_shows_who_asked(client, site, woken):
    client.force_login(make_user(site, username="ada"))
    wanted = {"start": "2026-11-30", "weeks": 3, "hours_per_week": ""}
    answer = client.post("/season/drafts/", wanted, follow=True)
    assert "It waits for the worker." in answer.content.decode()
    order = DraftOrder.objects.get()
    assert client.post("/season/drafts/", wanted).url == f"/season/drafts/{order.pk}/"  # not twice
    assert ticking.tick(NOW).orders == [order.pk]  # a queue that lost it loses nothing
    assert draft_orders.make(order.pk).state == "done"
    assert draft_orders.make(order.pk) is None
    order.refresh_from_db()
    assert order.plan.changes.get().what == "drafted"
    fragment = client.get(f"/season/drafts/{order.pk}/", headers={"HX-Request": "true"}).content.decode()
    assert f'href="/season/{order.plan.pk}/"' in fragment
    assert "hx-trigger" not in fragment
    assert "ada asked for this draft" in client.get(f"/season/{order.plan.pk}/").content.decode()


def test_a_draft_that_cannot_be_says_why(client, site, woken):
    client.force_login(make_user(site))
    refused = client.post("/season/drafts/", {"start": "2026-11-30", "weeks": 99}, follow=True)
    assert "less than or equal to 60" in refused.content.decode()
    assert not DraftOrder.objects.exists()
    site.people.all().delete()
    client.post("/season/drafts/", {"start": "2026-11-30", "weeks": 3})
    order = draft_orders.make(DraftOrder.objects.get().pk)
    assert order.state == "refused"
    assert "no technician of the site has hours" in client.get(f"/season/drafts/{order.pk}/").content.decode()


def test_a_cancelled_draft_stores_nothing_however_far_it_was(client, site, monkeypatch):
    user = make_user(site)
    client.force_login(user)
    by = draft_orders.Author(user, "Ada")
    waiting = draft_orders.order(site, MONDAY, 3, None, by, NOW)
    client.post(f"/season/drafts/{waiting.pk}/cancel/")
    assert draft_orders.make(waiting.pk) is None
    running = draft_orders.order(site, MONDAY, 3, None, by, NOW)
    say = asked_work.Reporter.say

    def cancelled_while(reporter, step):
        say(reporter, step)
        asked_work.cancel(running, NOW)

    monkeypatch.setattr(asked_work.Reporter, "say", cancelled_while)
    assert draft_orders.make(running.pk).state == "cancelled"
    assert not SeasonPlan.objects.exists()
    assert (
        "It was cancelled; nothing was stored."
        in client.get(f"/season/drafts/{running.pk}/").content.decode()
    )


def test_a_draft_whose_worker_died_is_found_again(site):
    order = draft_orders.order(site, MONDAY, 3, None, draft_orders.Author(None, "Ada"), NOW)
    DraftOrder.objects.update(state="running", heard_at=NOW - timedelta(minutes=4))
    assert asked_work.unclaimed(DraftOrder, NOW) == []
    DraftOrder.objects.update(heard_at=NOW - timedelta(minutes=6))
    assert asked_work.unclaimed(DraftOrder, NOW) == [order.pk]
    assert draft_orders.make(order.pk).state == "done"


def test_a_worker_that_dies_as_it_stores_a_draft_leaves_none_and_the_next_one_makes_it(site, monkeypatch):
    order = draft_orders.order(site, MONDAY, 3, None, draft_orders.Author(None, "Ada"), NOW)

    def die(*_: object) -> None:
        raise SystemExit

    with monkeypatch.context() as patched:
        patched.setattr(draft_orders.season_changes, "note_draft", die)
        with pytest.raises(SystemExit):
            draft_orders.make(order.pk)
    order.refresh_from_db()
    assert (order.state, SeasonPlan.objects.count()) == ("running", 0)
    DraftOrder.objects.update(heard_at=NOW - timedelta(days=400))
    assert draft_orders.make(order.pk).state == "done"
    assert SeasonPlan.objects.get() == DraftOrder.objects.get().plan


def test_a_draft_around_a_plan_of_another_of_one_s_sites_is_made_for_that_site(client, site, woken):
    other = make_site()
    user = make_user(other)
    Membership.objects.create(user=user, site=site, role=Role.TECHNICIAN)
    plan = make_plan(site, MONDAY + timedelta(weeks=30), 4)
    client.force_login(user)
    client.post("/season/drafts/", {"start": plan.start.isoformat(), "weeks": 4, "plan": plan.pk})
    assert DraftOrder.objects.get().site == site
    client.force_login(make_user(other))
    assert client.post("/season/drafts/", {"start": "2026-11-30", "plan": plan.pk}).status_code == 404
