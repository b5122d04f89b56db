"""The season plan: weeks across, instruments down, hours under them, and what was put off."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from reports.queries.plans import plan_for, week_number
from reports.queries.season import season_page, short_letters
from scheduling.models import SeasonPlan
from tests import factories as make
from tests.factories import TODAY

MONDAY = TODAY - timedelta(days=2)
APPROVED = {"state": SeasonPlan.State.APPROVED, "approved_at": datetime(2026, 11, 20, tzinfo=UTC)}


@pytest.fixture
def site(db):
    return make.make_site()


def test_an_approved_plan_goes_before_a_newer_draft(site):
    approved = make.make_plan(site, MONDAY, **APPROVED)
    make.make_plan(site, MONDAY, made_at=datetime(2026, 11, 24, tzinfo=UTC))
    assert plan_for(site, TODAY) == approved


def test_a_plan_that_has_ended_is_not_shown_and_one_to_come_is(site):
    make.make_plan(site, MONDAY - timedelta(weeks=18), weeks=18, **APPROVED)
    assert plan_for(site, TODAY) is None
    coming = make.make_plan(site, MONDAY + timedelta(weeks=3))
    assert plan_for(site, TODAY) == coming


def test_another_site_s_plan_is_never_this_one_s(site):
    make.make_plan(make.make_site(), MONDAY)
    assert plan_for(site, TODAY) is None


def test_weeks_are_counted_from_the_plan_s_first(site):
    plan = make.make_plan(site, MONDAY, weeks=3)
    numbers = [week_number(plan, MONDAY + timedelta(weeks=n)) for n in range(-1, 4)]
    assert numbers == [None, 0, 1, 2, None]


def test_visits_stand_in_the_column_of_their_week_under_their_room(site):
    hall, attic = make.make_room(site, "Hall", "A"), make.make_room(site, "Attic", "B")
    first, second = make.make_instrument(attic, "U-2"), make.make_instrument(hall, "G-1", "grand")
    plan = make.make_plan(site, MONDAY, weeks=4)
    make.make_visit(plan, first, MONDAY + timedelta(weeks=2))
    make.make_visit(plan, second, MONDAY, kind="regulation")
    make.make_visit(plan, second, MONDAY, kind="bedding")
    page = season_page(site, plan, TODAY)
    assert [group.room.name for group in page.rooms] == ["Hall", "Attic"]
    cells = [[visit.kind for visit in cell] for cell in page.rooms[0].rows[0].cells]
    assert cells == [["bedding", "regulation"], [], [], []]
    assert [len(cell) for cell in page.rooms[1].rows[0].cells] == [0, 0, 1, 0]


def test_a_long_table_is_turned_leaf_by_leaf_and_opens_where_the_visit_in_hand_stands(
    site, client, monkeypatch
):
    monkeypatch.setattr("reports.queries.season.ROWS", 2)
    hall = make.make_room(site, "Hall")
    plan = make.make_plan(site, MONDAY, weeks=4)
    for number in range(5):
        instrument = make.make_instrument(hall, f"G-{number}", "grand")
        last = [make.make_visit(plan, instrument, MONDAY + timedelta(weeks=week)) for week in (1, 2)][0]
    client.force_login(make.make_user(site))

    def shown(query):
        return re.findall(r">(G-\d)</a>", client.get(f"/season/{query}").content.decode().split("<tfoot>")[0])

    assert shown("") == ["G-0", "G-1"]
    assert shown("?page=2") == ["G-2", "G-3"]
    assert shown("?page=99") == ["G-4"]
    assert shown(f"?visit={last.pk}") == ["G-4"]
    assert "leaf 3 of 3" in client.get(f"/season/?visit={last.pk}").content.decode()
    page = season_page(site, plan, TODAY)
    assert (page.leaf.paginator.count, sum(week.used for week in page.weeks)) == (5, sum(plan.hours_used))


def test_hours_are_bars_of_one_scale(site):
    plan = make.make_plan(site, MONDAY, weeks=2, hours_offered=[20.0, 10.0], hours_used=[15.0, 0.0])
    page = season_page(site, plan, TODAY)
    assert [week.offered_length for week in page.weeks] == [100, 50]
    assert [week.used_length for week in page.weeks] == [75, 0]


def test_a_season_without_any_hours_still_makes_a_page(site, client):
    make.make_plan(site, MONDAY, weeks=2, hours_offered=[0.0, 0.0], cost=0.0, bound=0.0, calendar_cost=0.0)
    client.force_login(make.make_user(site))
    assert client.get("/season/").status_code == 200


def test_each_kind_has_a_short_sign_of_its_own():
    signs = short_letters(["tuning", "bedding", "regulation", "voicing", "tightening", "t", "re"])
    assert signs["tuning"] == "t"
    assert signs["tightening"] == "ti"
    assert len(set(signs.values())) == 6
    assert short_letters(["a", "ab", "abc"]) == {"a": "a", "ab": "ab", "abc": "abc"}


def test_the_page_says_how_good_the_plan_is_and_what_fixed_intervals_would_give(read, house):
    text = read("/season/").replace("\N{NO-BREAK SPACE}", " ")
    assert "Proven to be at most 0.36 % above the best there can be." in text
    # (1711.0 - 1210.4) / 1711.0 = 0.2926
    assert "It spares 29 % of the weighted days" in text
    assert "1,711.0" in text
    assert "A draft, not yet approved." in text


def test_a_held_visit_is_underlined_and_said(read, house):
    text = read("/season/")
    assert re.search(r'title="tuning, [^"]*Ida Thorn: [^"]*" class="visit held">', text)
    assert re.search(r'<span class="aside">tuning held, [A-Z]-\d\d, ', text)


def test_what_was_put_off_stands_with_its_reason_the_dearest_first(read, house):
    text = read("/season/").split('id="put-off"')[1]
    tags = re.findall(r'<a href="/instruments/\d+/">([^<]+)</a>', text)
    assert tags == ["U-02", "G-04", "G-06", "U-08", "H-10", "U-12"]
    assert "Its hours are worth more elsewhere" in text


def test_every_service_put_off_stands_on_one_leaf_and_the_table_of_weeks_keeps_its_own(
    site, client, monkeypatch
):
    monkeypatch.setattr("reports.queries.season.PUT_OFF", 2)
    plan = make.make_plan(site, MONDAY, weeks=4)
    hall = make.make_room(site, "Hall")
    for number in range(5):
        make.make_put_off(plan, make.make_instrument(hall, f"G-{number}", "grand"), cost=9.0 - number)
    client.force_login(make.make_user(site))
    leaves = [client.get(f"/season/?page=1&put_off={leaf}").content.decode() for leaf in (1, 2, 3)]
    told = [re.findall(r">(G-\d)</a>", text.split('id="put-off"')[1]) for text in leaves]
    assert told == [["G-0", "G-1"], ["G-2", "G-3"], ["G-4"]]
    assert "5 services are put off." in leaves[0]
    assert 'href="?page=1&amp;put_off=2#put-off"' in leaves[0]


def test_an_approved_plan_says_since_when(client, site):
    make.make_plan(site, MONDAY, **APPROVED)
    client.force_login(make.make_user(site))
    assert "Approved on 20 November." in client.get("/season/").content.decode()


def test_other_plans_are_one_step_away(read, house):
    other = make.make_plan(house.site, MONDAY, weeks=6, made_at=datetime(2026, 11, 1, tzinfo=UTC))
    assert f'href="/season/{other.pk}/"' in read("/season/")
    assert "6 weeks from 23 November 2026." in read(f"/season/{other.pk}/")


def test_without_a_plan_a_technician_orders_a_draft_and_a_reader_is_told_how_one_is_made(client, site):
    client.force_login(make.make_user(site))
    assert 'action="/season/drafts/"' in client.get("/season/").content.decode()
    client.force_login(make.make_user(site, "reader"))
    text = client.get("/season/").content.decode()
    assert "manage.py plan_season --start 2026-W48 --weeks 18" in text
    assert 'action="/season/drafts/"' not in text


def test_what_moved_stands_with_its_reason_and_the_plan_it_is_held_against(client, site):
    instrument = make.make_instrument(make.make_room(site), "U-7")
    before = make.make_plan(site, MONDAY, **APPROVED)
    row = {"instrument": instrument.pk, "tag": "U-7", "kind": "tuning", "why": "Held there by hand."}
    weeks = [(MONDAY + timedelta(weeks=n)).isoformat() for n in (1, 4)]
    moves = [row | {"from": weeks[0], "to": weeks[1]}, row | {"from": None, "to": weeks[1]}]
    plan = make.make_plan(site, MONDAY, before=before, moves=moves)
    client.force_login(make.make_user(site))
    text = client.get(f"/season/{plan.pk}/").content.decode()
    assert "30 Nov → 21 Dec" in text
    assert "21 Dec, new" in text
    assert "Held there by hand." in text
    assert f'href="/season/{before.pk}/"' in text.split('id="moved"')[1].split("</p>")[0]
    assert 'id="moved"' not in client.get(f"/season/{before.pk}/").content.decode()


def test_a_replaced_plan_names_the_one_that_holds_instead(client, site):
    old = make.make_plan(
        site, MONDAY, weeks=4, state="replaced", approved_at=datetime(2026, 11, 20, tzinfo=UTC)
    )
    new = make.make_plan(site, MONDAY, state="approved", approved_at=datetime(2026, 11, 24, tzinfo=UTC))
    client.force_login(make.make_user(site))
    text = client.get(f"/season/{old.pk}/").content.decode()
    assert "Nobody works by it any more." in text
    assert f'href="/season/{new.pk}/"' in text
    assert "Approve this plan" not in text
    assert (
        "in the weeks from 23 November to 22 March 2027" in client.get(f"/season/{new.pk}/").content.decode()
    )
