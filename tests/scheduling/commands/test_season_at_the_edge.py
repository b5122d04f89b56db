"""Seasons at the edge, from the shell and then on the page: each has a clear answer in both."""

from datetime import UTC, date, datetime, timedelta

import pytest

from fleet.models import Person
from scheduling.models import SeasonPlan
from tests.factories import (
    MONDAY,
    TODAY,
    make_booking,
    make_climate,
    make_held,
    make_instrument,
    make_person,
    make_room,
    make_service,
    make_site,
    make_user,
)

pytestmark = pytest.mark.django_db
WEEKS = 3
ASKED = ("plan_season", "--start", "2026-W49", "--weeks", str(WEEKS), "--today", TODAY.isoformat())
JSON = (*ASKED, "--format", "json")


@pytest.fixture
def site():
    site = make_site("Quay School")
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=60), 61)
    make_service(make_instrument(room, "U-2", "upright"), TODAY - timedelta(days=50), left=0.1)
    make_person(site, "Ada", 6.0)
    return site


@pytest.fixture
def page(client, site):
    """Return a function that reads the page of the newest plan."""
    client.force_login(make_user(site))

    def read() -> str:
        plan = SeasonPlan.objects.order_by("-pk").first()
        answer = client.get(f"/season/{plan.pk}/")
        assert answer.status_code == 200
        return answer.content.decode()

    return read


def test_zero_hours_put_everything_off(run, page):
    ran = run(*JSON, "--hours-per-week", "0")
    assert ran.code == 0
    said = ran.json
    assert (said["outcome"], said["gap"], said["visits"]) == ("optimal", 0.0, [])
    assert said["hours_offered"] == said["hours_used"] == [0.0] * WEEKS
    assert {row["service"] for row in said["put_off"]} == {"tuning", "regulation", "voicing"}
    assert all(row["reason"] for row in said["put_off"])
    assert "U-2" in page()


def test_no_instruments_is_an_empty_plan_that_costs_nothing(run, page, site):
    site.instruments.all().delete()
    ran = run(*JSON)
    assert ran.code == 0
    said = ran.json
    assert (said["outcome"], said["cost"], said["bound"]) == ("optimal", 0.0, 0.0)
    assert said["visits"] == said["put_off"] == []
    assert page()


def test_a_held_visit_that_cannot_be_is_refused_by_name_and_stores_nothing(run, site):
    Person.objects.of_site(site).update(hours_per_week=2)
    make_held(site.instruments.get(), MONDAY, "regulation")
    ran = run(*ASKED)
    assert (ran.code, ran.out) == (1, "")
    assert "regulation of U-2: held in week 1 takes 6 h" in ran.err
    assert SeasonPlan.objects.count() == 0


def test_a_concert_where_nothing_for_it_stands_is_said(run, page, site):
    cellar = make_room(site, "Cellar")
    make_booking(cellar, datetime(2026, 12, 3, 19, tzinfo=UTC), performance=True, title="Late trio")
    ran = run(*ASKED)
    assert ran.code == 0
    words = "no instrument is named, and none for concerts or recitals stands there"
    assert words in ran.out
    assert "Cellar" in ran.out
    assert words in page()


def test_a_solver_stopped_at_once_leaves_a_plan_within_the_hours_and_an_honest_gap(run, page):
    ran = run(*JSON, "--time-limit", "0.000001")
    assert ran.code == 0
    said = ran.json
    assert said["outcome"] in {"stopped", "optimal"}
    assert 0 <= said["bound"] <= said["cost"]
    assert all(used <= 6.0 + 1e-9 for used in said["hours_used"])
    assert date.fromisocalendar(2026, 49, 1).strftime("%Y") in page()
