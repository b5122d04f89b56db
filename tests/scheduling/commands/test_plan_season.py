import re
from datetime import timedelta

import pytest

from scheduling.models import SeasonPlan
from tests.factories import (
    MONDAY,
    TODAY,
    make_climate,
    make_held,
    make_instrument,
    make_person,
    make_room,
    make_service,
    make_site,
    seasons,
)

pytestmark = pytest.mark.django_db
ASKED = (
    "plan_season",
    "--start",
    "2026-W49",
    "--weeks",
    "5",
    "--time-limit",
    "20",
    "--today",
    TODAY.isoformat(),
)
JSON = (*ASKED, "--format", "json")


@pytest.fixture
def site():
    site = make_site("Quay School")
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=300), 301, seasons(0.42, 0.14))
    for number, kind in enumerate(("grand", "upright", "grand")):
        instrument = make_instrument(room, f"I-{number}", kind, use_class="recital")
        make_service(instrument, TODAY - timedelta(days=25 + number), left=0.1)
    make_person(site, "Ada", 3)
    return site


def test_the_document_has_the_promised_form(site, run):
    make_held(site.instruments.get(tag="I-1"), MONDAY + timedelta(weeks=2))
    ran = run(*JSON)
    assert ran.code == 0
    said = ran.json
    assert (said["start"], said["weeks"]) == ("2026-W49", 5)
    assert said["outcome"] in {"optimal", "feasible", "stopped"}
    for name in ("cost", "bound", "gap", "seconds"):
        assert said[name] >= 0
    assert said["gap"] == pytest.approx((said["cost"] - said["bound"]) / said["cost"], abs=1e-9)
    for name in ("hours_offered", "hours_used", "hour_worth"):
        assert len(said[name]) == 5
    weeks = ["2026-W49", "2026-W50", "2026-W51", "2026-W52", "2026-W53"]
    for visit in said["visits"]:
        assert set(visit) == {"instrument", "service", "week", "hours", "technician", "reason", "held"}
        assert visit["week"] in weeks
        assert visit["technician"] == "Ada"
        assert visit["reason"]
    assert [(v["instrument"], v["service"], v["week"]) for v in said["visits"] if v["held"] is True] == [
        ("I-1", "tuning", "2026-W51")
    ]
    for row in said["put_off"]:
        assert set(row) == {"instrument", "service", "reason", "expected_days_out"}
    used = [sum(v["hours"] for v in said["visits"] if v["week"] == week) for week in weeks]
    assert said["hours_used"] == pytest.approx(used)


def test_hours_given_are_the_hours_offered(site, run):
    assert run(*JSON, "--hours-per-week", "4.5").json["hours_offered"] == [4.5] * 5


def test_asking_twice_gives_the_same_plan_and_keeps_both_drafts(site, run):
    first, second = run(*JSON).json, run(*JSON).json
    for document in (first, second):
        document.pop("seconds")
    assert first == second
    assert SeasonPlan.objects.filter(state="draft").count() == 2


def test_people_get_weeks_visits_and_reasons(site, run):
    ran = run(*ASKED)
    assert ran.out.startswith("Quay School: 5 weeks from 2026-W49, a draft")
    assert re.search(r"^2026-W49: \d+\.\d\d of 3\.00 hours, one more is worth", ran.out, re.MULTILINE)
    assert "put off:" in ran.out
    assert "by fixed intervals at the same hours" in ran.out
    assert "paths and hours only" in run(*ASKED, "--rules", "none").out


def test_without_named_technicians_the_work_is_one_unnamed_persons(site, run):
    site.people.all().delete()
    refused = run(*JSON)
    assert (refused.code, refused.out) == (1, "")
    assert "technician" in refused.err
    visits = run(*JSON, "--hours-per-week", "4").json["visits"]
    assert {visit["technician"] for visit in visits} == {"unnamed technician"}


def test_a_held_visit_the_instrument_does_not_get_is_refused_and_nothing_is_stored(site, run):
    make_held(site.instruments.get(tag="I-1"), MONDAY, "bedding")
    ran = run(*JSON)
    assert (ran.code, ran.out) == (1, "")
    assert "bedding of I-1 held in 2026-W49" in ran.err
    assert SeasonPlan.objects.count() == 0
    assert run(*JSON, "--rules", "none").code == 0


def test_the_model_is_written_where_asked(site, run, tmp_path):
    target = tmp_path / "season.mps"
    assert run(*JSON, "--rules", "none", "--write-model", str(target)).code == 0
    assert "ENDATA" in target.read_text()


@pytest.mark.parametrize(
    "words",
    [
        ("--start", "2026-49"),
        ("--start", "2026-W54"),
        ("--start", "2027-W53"),
        ("--weeks", "0"),
        ("--weeks", "61"),
        ("--weeks", "many"),
        ("--hours-per-week=-1",),
        ("--hours-per-week", "nan"),
        ("--hours-per-week", "inf"),
        ("--time-limit", "0"),
        ("--rules", "some"),
        ("--format", "xml"),
    ],
)
def test_what_cannot_be_meant_is_wrong_usage(site, run, words):
    ran = run(*JSON, *words)
    assert (ran.code, ran.out) == (2, "")
    assert SeasonPlan.objects.count() == 0


def test_start_and_weeks_are_needed(site, run):
    assert run("plan_season").code == 2


def test_a_season_that_is_over_is_refused(site, run):
    ran = run(*JSON, "--start", "2026-W40")
    assert ran.code == 1
    assert "2026-11-25" in ran.err
