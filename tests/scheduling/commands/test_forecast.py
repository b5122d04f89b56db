from datetime import date, datetime, timedelta

import pytest

from scheduling.models import Forecast
from tests.factories import (
    TODAY,
    make_climate,
    make_instrument,
    make_room,
    make_service,
    make_site,
    seasons,
)

pytestmark = pytest.mark.django_db
FIXED = ("--today", TODAY.isoformat())


@pytest.fixture
def site():
    site = make_site("Quay School")
    room = make_room(site, "Hall")
    make_climate(room, TODAY - timedelta(days=300), 301, seasons(0.42, 0.14))
    make_service(make_instrument(room, "G-1", "grand"), TODAY - timedelta(days=30), left=0.1)
    make_instrument(room, "U-1")
    return site


def test_the_document_has_exactly_the_promised_form(site, run):
    ran = run("forecast", "--format", "json", *FIXED)
    assert ran.code == 0
    assert set(ran.json) == {"made_at", "site", "forecasts"}
    assert ran.json["site"] == "Quay School"
    assert datetime.fromisoformat(ran.json["made_at"]).utcoffset() is not None
    keys = {"instrument", "service", "unit", "tolerance", "last_service", "out_now", "due",
            "out_of_tolerance", "expected_deviation", "drivers", "learned_from"}  # fmt: skip
    for entry in ran.json["forecasts"]:
        assert set(entry) == keys
        assert set(entry["due"]) == {"p10", "p50", "p90"}
        assert 0 <= entry["out_now"] <= 1
        assert entry["tolerance"] > 0
        assert all(set(driver) == {"name", "share", "words"} for driver in entry["drivers"])
    services = [(entry["instrument"], entry["service"]) for entry in ran.json["forecasts"]]
    assert services == [("G-1", "tuning"), ("G-1", "bedding"), ("G-1", "regulation"), ("G-1", "voicing"),
                        ("U-1", "tuning"), ("U-1", "regulation"), ("U-1", "voicing")]  # fmt: skip
    assert ran.json["forecasts"][0]["last_service"] == "2026-10-26"
    assert ran.json["forecasts"][4]["last_service"] is None


def test_weekly_lists_start_on_the_first_monday_and_stay_within_the_horizon(site, run):
    ran = run("forecast", "--format", "json", "--horizon-days", "90", *FIXED)
    for entry in ran.json["forecasts"]:
        days = [date.fromisoformat(day) for day, _ in entry["out_of_tolerance"]]
        assert days == [date(2026, 11, 30) + timedelta(weeks=week) for week in range(13)]
        assert [day for day, *_ in entry["expected_deviation"]] == [day.isoformat() for day in days]
        assert all(0 <= p <= 1 for _, p in entry["out_of_tolerance"])
        assert all(sd >= 0 for _, _, sd in entry["expected_deviation"])


def test_a_date_beyond_the_horizon_is_null(site, run):
    ran = run("forecast", "--format", "json", "--horizon-days", "1", *FIXED)
    assert ran.json["forecasts"][0]["due"]["p90"] is None


def test_what_is_printed_is_what_is_stored(site, run):
    ran = run("forecast", "--format", "json", "--instrument", "G-1", *FIXED)
    row = Forecast.objects.get(instrument__tag="G-1", kind="tuning")
    printed = ran.json["forecasts"][0]
    assert len(ran.json["forecasts"]) == 4
    assert Forecast.objects.count() == 7
    assert printed["out_now"] == row.out_now
    assert printed["due"]["p50"] == (row.due_middle and row.due_middle.isoformat())


def test_running_it_twice_prints_the_same(site, run):
    first, second = (run("forecast", "--format", "json", *FIXED) for _ in range(2))
    assert first.json == second.json


def test_people_get_a_table(site, run):
    ran = run("forecast", *FIXED)
    assert "Quay School, as of 2026-11-25" in ran.out
    assert "tuning" in ran.out
    assert len(ran.out.splitlines()) == 2 + 7


def test_an_unknown_instrument_is_refused_and_nothing_is_stored(site, run):
    ran = run("forecast", "--instrument", "X-9", *FIXED)
    assert (ran.code, ran.out) == (1, "")
    assert "X-9" in ran.err
    assert Forecast.objects.count() == 0


def test_an_instrument_of_another_site_is_unknown(site, run):
    make_instrument(make_room(make_site("Other")), "O-1")
    assert run("forecast", "--site", "Quay School", "--instrument", "O-1", *FIXED).code == 1


@pytest.mark.parametrize("days", ["0", "1101", "-5", "soon", "1.5", ""])
def test_a_horizon_that_is_no_number_of_days_is_wrong_usage(site, run, days):
    ran = run("forecast", f"--horizon-days={days}", *FIXED)
    assert (ran.code, ran.out) == (2, "")
    assert "1 to 1100" in ran.err


def test_several_sites_need_a_name(site, run):
    make_site("Other")
    assert run("forecast", *FIXED).code == 1
    assert run("forecast", "--site", "Other", "--format", "json", *FIXED).json["forecasts"] == []
