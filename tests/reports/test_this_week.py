"""This week: what to do next, where, in which order, and what was asked for."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import Role
from tests import factories as make
from tests.factories import TODAY

MONDAY = TODAY - timedelta(days=2)


@pytest.fixture
def school(db):
    site = make.make_site("Quiet School")
    hall, attic = make.make_room(site, "Hall", "A"), make.make_room(site, "Attic", "B")
    return site, make.make_instrument(hall, "G-1", "grand"), make.make_instrument(attic, "U-2")


def page(client, user, path="/"):
    client.force_login(user)
    answer = client.get(path)
    assert answer.status_code == 200
    return answer.content.decode()


def test_visits_stand_room_by_room_in_the_order_of_the_round(client, school):
    site, grand, upright = school
    plan = make.make_plan(site, MONDAY)
    make.make_visit(plan, upright, MONDAY, reason="the attic first?")
    make.make_visit(plan, grand, MONDAY, hours=0.75, kind="bedding", held=True)
    make.make_visit(plan, grand, MONDAY + timedelta(weeks=1), kind="voicing")
    text = page(client, make.make_user(site))
    assert text.index("Hall, A") < text.index("Attic, B")
    assert "2 visits, 2.25\N{NO-BREAK SPACE}h" in text
    assert "(held)" in text
    assert "The attic first?" in text
    assert "voicing" not in text


def test_a_technician_sees_his_own_visits_unless_everyone_s_are_asked_for(client, school):
    site, grand, upright = school
    user = make.make_user(site)
    me, other = make.make_person(site, "Ida Thorn", user=user), make.make_person(site, "Rufus Pell")
    plan = make.make_plan(site, MONDAY)
    make.make_visit(plan, grand, MONDAY, technician=me)
    make.make_visit(plan, upright, MONDAY, technician=other)
    own = page(client, user)
    assert "G-1" in own
    assert "U-2" not in own
    assert "everyone’s visits" in own
    every = page(client, user, "/?who=all")
    assert "U-2" in every
    assert "Rufus Pell" in every


def test_a_long_week_is_turned_leaf_by_leaf_and_no_room_is_torn(client, school, monkeypatch):
    monkeypatch.setattr("reports.queries.week.VISITS", 2)
    site, grand, upright = school
    plan = make.make_plan(site, MONDAY)
    for number in range(3):
        make.make_visit(plan, make.make_instrument(grand.room, f"H-{number}", "grand"), MONDAY, hours=3)
    make.make_visit(plan, upright, MONDAY, hours=3)
    user = make.make_user(site)
    leaves = [page(client, user, f"/?who=all&page={leaf}") for leaf in (1, 2)]
    assert [re.findall(r">([HU]-\d)</a>", text) for text in leaves] == [["H-0", "H-1", "H-2"], ["U-2"]]
    assert all("4 visits, 12" in text for text in leaves)
    assert 'href="?who=all&amp;page=2"' in leaves[0]
    assert 'href="?who=all&amp;page=all"' in leaves[0]
    whole = page(client, user, "/?who=all&page=all")
    assert re.findall(r">([HU]-\d)</a>", whole) == ["H-0", "H-1", "H-2", "U-2"]
    assert "leaf 1 of" not in whole
    assert "to print" not in whole


def test_a_visit_that_is_recorded_says_so(client, school):
    site, grand, _ = school
    make.make_visit(make.make_plan(site, MONDAY), grand, MONDAY)
    make.make_service(grand, MONDAY + timedelta(days=1))
    assert "Recorded on Tuesday." in page(client, make.make_user(site))


def test_a_visit_that_was_a_look_says_so(client, school):
    site, grand, _ = school
    make.make_visit(make.make_plan(site, MONDAY), grand, MONDAY)
    make.make_service(grand, MONDAY + timedelta(days=1), found=0.5, only_measured=True)
    text = page(client, make.make_user(site))
    assert "Measured on Tuesday, left as found." in text
    assert "/record/" not in text


def test_a_look_that_found_it_out_leaves_the_visit_to_be_done(client, school):
    site, grand, _ = school
    make.make_visit(make.make_plan(site, MONDAY), grand, MONDAY)
    make.make_service(grand, MONDAY + timedelta(days=1), found=-5.5, only_measured=True)
    text = page(client, make.make_user(site))
    assert "Measured on Tuesday and found out of tolerance: still to be done." in text
    assert f"/record/{grand.pk}/tuning/" in text


def test_another_week_is_one_step_away(client, school):
    site, grand, _ = school
    make.make_visit(make.make_plan(site, MONDAY), grand, MONDAY + timedelta(weeks=1), kind="voicing")
    user = make.make_user(site)
    assert "?week=2026-W49" in page(client, user)
    following = page(client, user, "/?week=2026-W49")
    assert "Week 49" in following
    assert "voicing" in following


@pytest.mark.parametrize("week", ["2026-W54", "next", "2026-W5"])
def test_a_week_that_is_none_is_not_found(client, school, week):
    client.force_login(make.make_user(school[0]))
    assert client.get("/", {"week": week}).status_code == 404


def test_without_a_plan_the_page_tells_how_one_is_made(client, school):
    text = page(client, make.make_user(school[0]))
    assert "manage.py plan_season --start 2026-W48" in text
    assert "manage.py forecast" in text


def test_a_week_beyond_the_plan_says_so(client, school):
    make.make_plan(school[0], MONDAY, weeks=4)
    text = page(client, make.make_user(school[0]), "/?week=2026-W40")
    assert "lies outside the plan, which runs 4 weeks from 23 November 2026" in text


def test_requests_stand_note_by_note_with_the_caution_that_a_semitone_is_easily_missed(client, school):
    site, grand, upright = school
    make.make_request(grand, ("D#3", "F6"), words="when <b>soft</b>")
    make.make_request(upright, ("A0",), state="done")
    text = page(client, make.make_user(site))
    assert '<span class="note">D♯3</span> <span class="note">F6</span>' in text
    assert "when &lt;b&gt;soft&lt;/b&gt;" in text
    assert ">A0<" not in text
    assert "try the neighbours first" in text


def test_of_many_requests_the_oldest_are_told_in_full_and_those_on_instruments_visited_at_their_visit(
    client, school
):
    site, grand, upright = school
    for hour in range(22):
        made_at = datetime(2026, 11, 20, hour, tzinfo=UTC)
        make.make_request(upright, ("A0",), symptom=f"buzz {hour}", made_at=made_at)
    make.make_request(grand, ("C8",), symptom="the newest", made_at=datetime(2026, 11, 24, tzinfo=UTC))
    make.make_visit(make.make_plan(site, MONDAY), grand, MONDAY)
    text = page(client, make.make_user(site))
    told = re.findall(r"buzz (\d+)", text)
    assert sorted(set(map(int, told))) == list(range(10))
    assert "All 23 open requests" in text
    assert "the newest" in text.split('id="requests"')[0]


def test_silent_rooms_old_forecasts_and_absences_are_said_first(client, school):
    site, grand, _ = school
    make.make_run(site, TODAY - timedelta(days=5))
    make.make_absence(make.make_person(site, "Rufus Pell"), TODAY, TODAY + timedelta(days=3))
    grand.room.readings.create(time=datetime(2026, 11, 20, 9, tzinfo=UTC), temp_c=20, rh=0.3)
    text = page(client, make.make_user(site))
    assert "No trusted reading since 20 November." in text
    assert "States and due windows are those of 20 November." in text
    assert "Rufus Pell, 25 November to 28 November." in text


def test_nothing_to_warn_of_leaves_no_empty_box(client, school):
    make.make_run(school[0])
    assert 'class="warnings"' not in page(client, make.make_user(school[0]))


def test_concerts_stand_at_the_time_on_the_wall(client, school):
    site, grand, _ = school
    make.make_booking(grand.room, datetime(2026, 11, 27, 18, 30, tzinfo=UTC), performance=True, title="Trios")
    make.make_booking(grand.room, datetime(2026, 11, 27, 9, tzinfo=UTC), title="Lesson")
    text = page(client, make.make_user(site))
    assert re.search(r"Fri 27 Nov, 19:30</span> Trios, Hall", text)
    assert "Lesson" not in text


def test_an_administrator_sees_what_the_hours_buy_and_a_technician_does_not(client, school):
    site, grand, upright = school
    plan = make.make_plan(site, MONDAY, hour_worth=[3.25, *[9.5] * 17], hours_used=[4.0] * 18)
    make.make_put_off(plan, upright, expected_days_out=17)
    make.make_forecast(grand, "tuning", state="out")
    text = page(client, make.make_user(site, Role.ADMINISTRATOR))
    assert "72\N{NO-BREAK SPACE}h of 180\N{NO-BREAK SPACE}h are used" in text
    assert "<strong>3.3</strong> weighted days" in text
    assert "in the dearest week 9.5" in text
    assert "17 days out expected" in text
    assert re.search(r'service=tuning&amp;state=out">1<', text)
    assert "What the hours buy" not in page(client, make.make_user(site))


def test_a_visit_says_what_was_asked_for_on_its_instrument_since_the_plan_was_made(client, school):
    site, grand, upright = school
    plan = make.make_plan(site, MONDAY)
    make.make_visit(plan, grand, kind="voicing")
    make.make_request(grand, ("D#3", "E3"), symptom="too weak")
    make.make_request(upright, ("A0",), symptom="buzzes")
    text = " ".join(page(client, make.make_user(site)).split())
    asked = text.partition('<p class="why asked">')[2].partition("</p>")[0]
    assert "D♯3" in asked
    assert "too weak; try first D3, F3" in asked
    assert text.count("why asked") == 1


def test_an_instrument_whose_hardener_dries_is_warned_of_until_it_is_dry(client, school):
    site, grand, upright = school
    make.make_run(site)
    wet = datetime(2026, 11, 27, 9, tzinfo=UTC)
    make.make_service(grand, TODAY, "voicing", hardener_at=wet - timedelta(days=2), dry_at=wet)
    dry = datetime(2026, 11, 24, 9, tzinfo=UTC)
    make.make_service(upright, TODAY, "voicing", hardener_at=dry - timedelta(days=1), dry_at=dry)
    text = page(client, make.make_user(site))
    assert text.count("nothing is judged or played in public before") == 1
    assert "hardener until Friday 27 November, 10:00" in text
