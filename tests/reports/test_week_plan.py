"""The week plan: who does what when, what found no place, and the button that lays it out."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import Role
from scheduling import week_planning
from scheduling.models import WeekPlan
from tests import factories as make
from tests.factories import MONDAY, TODAY

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
WEEK = "/week/2026-W49/"


@pytest.fixture
def school(db):
    site = make.make_site("Quiet School")
    hall, attic = make.make_room(site, "Hall", "A"), make.make_room(site, "Attic", "B")
    user = make.make_user(site)
    me, other = make.make_person(site, "Ida Thorn", user=user), make.make_person(site, "Rufus Pell")
    plan = make.make_plan(site, MONDAY, 3)
    grand = make.make_instrument(hall, "G-1", "grand")
    upright = make.make_instrument(attic, "U-2")
    make.make_visit(plan, grand, technician=me, reason="the room gets dry", held=True)
    make.make_visit(plan, upright, technician=other, kind="regulation", hours=6)
    return site, user, plan


def page(client, user, path=WEEK, status=200):
    client.force_login(user)
    answer = client.get(path)
    assert answer.status_code == status
    return answer.content.decode()


def lay_out(site, **more) -> WeekPlan:
    return week_planning.lay_out_week(site, MONDAY, NOW, **more)


def test_before_it_is_laid_out_the_page_says_so_and_offers_to_do_it(client, school):
    site, user, _ = school
    text = page(client, user, WEEK + "?who=all")
    assert "This week has not been laid out" in text
    assert 'action="/week/2026-W49/lay-out/"' in text
    assert text.index("Without a day yet") < text.index("G-1")


def test_the_button_works_for_who_works_there_without_javascript(client, school):
    site, user, _ = school
    client.force_login(user)
    answer = client.post(WEEK + "lay-out/", {"who": "all"})
    assert (answer.status_code, answer.url) == (302, WEEK + "?who=all")
    text = page(client, user, WEEK + "?who=all")
    assert "The week is laid out: everything found a place." in text
    assert WeekPlan.objects.get().made_by == user
    assert "Without a day yet" not in text


def test_readers_may_not_strangers_find_nothing_and_nobody_is_sent_to_the_login(client, school):
    site, _, _ = school
    assert client.post(WEEK + "lay-out/").url.startswith("/login/")
    client.force_login(make.make_user(site, Role.READER))
    assert client.post(WEEK + "lay-out/").status_code == 403
    assert "lay-out" not in client.get(WEEK).content.decode()
    client.force_login(make.make_user())
    assert client.post(WEEK + "lay-out/").status_code == 404
    client.force_login(make.make_user(make.make_site()))
    client.post(WEEK + "lay-out/")
    assert WeekPlan.objects.count() == 0


def test_work_stands_by_day_and_person_with_times_on_the_wall(client, school):
    site, user, _ = school
    lay_out(site)
    text = page(client, user, WEEK + "?who=all")
    monday = text[text.index("Monday <span") : text.index("Tuesday <span")]
    assert re.search(r">08:00</time>.*>09:30</time>.*G-1</a> tuning.*\(held\).*Hall, A", monday, re.S)
    assert monday.index("Ida Thorn") < monday.index("Rufus Pell")
    assert "The room gets dry" in monday
    assert "regulation" in monday
    assert "part 1 of 2" in monday
    assert "tick-box" in monday
    assert "It is proven that no layout" in text


def test_ones_own_work_comes_first_and_everyones_is_one_step_away(client, school):
    site, user, _ = school
    lay_out(site)
    own = page(client, user)
    assert "G-1" in own
    assert "U-2" not in own
    assert 'href="/week/2026-W49/?who=all"' in own
    assert "U-2" in page(client, user, WEEK + "?who=all")


def test_this_week_tells_the_times_too(client, school):
    site, user, _ = school
    lay_out(site)
    assert "Mon 08:00–09:30" in page(client, user, "/?week=2026-W49")


def test_what_found_no_place_says_why_and_where_it_could_go(client, school):
    site, user, plan = school
    plan.hours_offered = [9.0, 0.0, 9.0]
    plan.save()
    site.people.filter(name="Rufus Pell").update(hours_per_week=2)
    site.people.filter(name="Ida Thorn").update(hours_per_week=4)
    lay_out(site)
    text = page(client, user)
    assert "One service found no place." in text
    assert "It takes 6 h, and Ida Thorn has 2.5 of 4 h left, Rufus Pell has 2 of 2 h left." in text
    assert "Move it to 2026-W51, which has hours left for it." in text


def test_a_plan_that_moved_on_asks_for_a_new_layout(client, school):
    site, user, plan = school
    lay_out(site)
    plan.version += 1
    plan.save()
    assert "Visits were held, released or moved since" in page(client, user)
    make.make_plan(site, MONDAY, 3, made_at=NOW + timedelta(days=4))
    assert "Another season plan has taken the place" in page(client, user)


def test_a_booking_that_came_since_is_said_until_the_week_is_laid_out_again(client, school):
    site, user, _ = school
    lay_out(site)
    assert "have changed since" not in page(client, user)
    make.make_booking(site.rooms.get(name="Hall"), datetime(2026, 12, 1, 8, tzinfo=UTC), title="Auditions")
    assert "Bookings or absences have changed since this week was laid out" in page(client, user)
    lay_out(site)
    assert "have changed since" not in page(client, user)


def test_requests_stand_note_by_note_at_the_first_work_on_the_instrument(client, school):
    site, user, _ = school
    make.make_request(site.instruments.get(tag="G-1"), ("D#3",), words="when <b>soft</b>")
    lay_out(site)
    text = page(client, user)
    assert text.count('<span class="note">D#3</span>') == 1
    assert "D3, E3" in text
    assert "when &lt;b&gt;soft&lt;/b&gt;" in text


def test_recorded_work_says_so_and_has_no_button_to_record_it_again(client, school):
    site, user, _ = school
    lay_out(site)
    grand = site.instruments.get(tag="G-1")
    make.make_service(grand, MONDAY)
    text = page(client, user)
    assert "Recorded on Monday." in text
    assert f"/record/{grand.pk}/tuning/" not in text


def test_what_was_recorded_before_the_week_was_laid_out_again_is_still_told(client, school):
    site, user, _ = school
    make.make_service(site.instruments.get(tag="G-1"), MONDAY, technician="Ida Thorn")
    lay_out(site)
    text = page(client, user)
    assert re.search(r"Recorded already.*G-1</a> tuning.*Monday</a>.*Ida Thorn", text, re.S)
    assert "Nothing is planned for you in this week." in text


def test_concerts_and_absences_stand_on_their_day(client, school):
    site, user, _ = school
    make.make_booking(
        site.rooms.get(name="Hall"),
        datetime(2026, 12, 6, 18, 30, tzinfo=UTC),
        performance=True,
        title="Trios",
    )
    make.make_absence(site.people.get(name="Rufus Pell"), MONDAY, MONDAY + timedelta(days=1))
    lay_out(site)
    text = page(client, user, WEEK + "?who=all")
    assert re.search(r"Sunday <span.*19:30</span> Trios, Hall", text, re.S)
    assert "Away: Rufus Pell" in text
    assert "Saturday" not in text[text.index("<h2") :]


@pytest.mark.parametrize(
    "path,said",
    [("/week/2026-W40/", "No season plan covers this week"), ("/week/", "Week plan")],
)
def test_weeks_without_a_plan_say_so(client, school, path, said):
    text = page(client, school[1], path)
    assert said in text
    assert "lay-out/" not in text


def test_a_week_that_is_none_is_not_found(client, school):
    page(client, school[1], "/week/2026-W54/", 404)
    assert client.post("/week/next/lay-out/").status_code == 404


def test_a_refusal_is_told_on_the_page(client, school):
    client.force_login(school[1])
    answer = client.post("/week/2026-W40/lay-out/", follow=True)
    assert "Not laid out: the week has passed" in answer.content.decode()


def test_an_empty_week_is_free_for_what_turns_up(client, school):
    site, user, plan = school
    plan.visits.all().delete()
    lay_out(site)
    assert "its hours are free for what turns up" in page(client, user, WEEK + "?who=all")
    assert TODAY < MONDAY
