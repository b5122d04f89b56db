"""Asking for scenarios: what is saved, refused, computed by the worker, ended, found again."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine

from fleet.models import Role
from fleet.refusal import Refused
from scheduling import asked_work, ticking
from scheduling.models import Scenario
from scheduling.scenarios import asking
from scheduling.scenarios.asking import Question
from scheduling.scenarios.changes import (
    Absent,
    Added,
    Hours,
    Humidity,
    OtherUse,
    Retired,
    from_rows,
    to_rows,
)
from scheduling.season_changes import Author
from tests.factories import MONDAY, TODAY, make_site, make_user
from tests.scheduling.scenarios.conftest import WEEKS

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
ADA = Author(None, "Ada")
ALL = (
    Hours(2.0, MONDAY),
    Absent("Ada", MONDAY, MONDAY + timedelta(days=4), 7),
    Humidity("Hall", 0.4, 0.55, TODAY),
    Added(2, "grand", "concert", "Hall"),
    Retired(("I-0", "I-1")),
    OtherUse(("I-2",), "store"),
)


@pytest.fixture(autouse=True)
def on_the_day():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def woken(monkeypatch):
    ids = []
    monkeypatch.setattr("scheduling.tasks.compute_scenario.delay", ids.append)
    return ids


def ask(site, *changes, **fields):
    return asking.ask(site, Question(MONDAY, WEEKS, changes, **fields), ADA, NOW)


def test_every_kind_of_change_is_kept_as_a_row_and_read_back():
    assert from_rows(to_rows(ALL)) == ALL
    assert [change.words() for change in ALL] == [
        "2 h a week more from 30 November 2026",
        "Ada away from 30 November 2026 to 4 December 2026",
        "Hall held at 40–55 % humidity from 25 November 2026",
        "2 new grand, concert, in Hall",
        "I-0, I-1 retired",
        "I-2 as store",
    ]


@pytest.mark.parametrize(
    "change,said",
    [
        (Hours(0.0), "not 0"),
        (Hours(float("nan")), "not 0"),
        (Hours(1.0, date(2026, 12, 2), date(2026, 12, 1)), "before the first"),
        (Absent("Zed", TODAY, TODAY, 99), "accepted: Ada, Bo"),
        (Humidity("Cellar", 0.4, 0.5, TODAY), "no such room"),
        (Humidity("Hall", 0.5, 0.4, TODAY), "rising"),
        (Added(0, "grand", "concert", "Hall"), "1 to 200"),
        (Added(1, "organ", "concert", "Hall"), "celesta"),
        (Retired(("X-9",)), "X-9"),
        (OtherUse(("I-1",), "bar"), "practice"),
    ],
)
def test_a_change_that_cannot_be_meant_is_refused_by_name_and_nothing_is_saved(site, change, said):
    with pytest.raises(Refused, match=said):
        ask(site, change)
    assert not Scenario.objects.exists()


def test_the_season_as_it_is_is_asked_beside_a_scenario_once(site):
    first = ask(site, Hours(2.0))
    assert [bool(one.changes) for one in first] == [True, False]
    assert [bool(one.changes) for one in ask(site, Hours(3.0), name="Three more")] == [True]
    with pytest.raises(Refused, match="a name of its own"):
        ask(site, Hours(4.0), name="Three more")
    names = set(Scenario.objects.values_list("name", flat=True))
    assert names == {"2 h a week more", "Three more", "As it is, 6 weeks from 30 November 2026"}


def test_the_worker_computes_what_waits_and_the_page_sets_it_side_by_side(
    client, site, woken, django_capture_on_commit_callbacks
):
    user = make_user(site, username="boss")
    client.force_login(user)
    said = {"start": "2026-11-30", "weeks": 6, "more_hours": "4", "name": "Four more"}
    with django_capture_on_commit_callbacks(execute=True):
        assert client.post("/season/what-if/new/", said).url == "/season/what-if/"
    assert len(woken) == 2
    assert "Waits for the worker." in client.get("/season/what-if/").content.decode()
    assert sorted(ticking.tick(NOW).scenarios) == sorted(woken)
    for number in woken:
        assert asking.compute(number).state == "done"
        assert asking.compute(number) is None
    text = client.get("/season/what-if/").content.decode()
    more, plain = (
        Scenario.objects.get(changes=[]) if n else Scenario.objects.get(name="Four more") for n in (0, 1)
    )
    assert more.cost <= plain.bound + (plain.cost - plain.bound) + 1e-6
    assert f"{plain.cost:,.1f}" in text
    assert f"{more.cost - plain.cost:+,.1f}".replace("-", "\N{MINUS SIGN}") in text
    assert "hx-trigger" not in text.split('id="what-if"')[1][:60]


def test_a_form_half_filled_in_is_answered_beside_its_fields_and_loses_nothing(client, site, woken):
    client.force_login(make_user(site))
    said = {"start": "2026-11-30", "weeks": 6, "held_room": "Hall", "held_low": "50", "retired": "X-9, I-0"}
    answer = client.post("/season/what-if/new/", said)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "needed for this change" in text
    assert "X-9" in text
    assert 'value="50"' in text
    assert 'value="X-9, I-0"' in text
    assert (Scenario.objects.count(), woken) == (0, [])


def test_a_cancelled_scenario_is_left_and_can_be_computed_again(
    client, site, woken, django_capture_on_commit_callbacks
):
    client.force_login(make_user(site))
    (one,) = ask(site)
    client.post(f"/season/what-if/{one.pk}/cancel/")
    assert asking.compute(one.pk) is None
    with django_capture_on_commit_callbacks(execute=True):
        client.post(f"/season/what-if/{one.pk}/again/")
    assert woken == [one.pk]
    assert asking.compute(one.pk).state == "done"
    client.post(f"/season/what-if/{one.pk}/delete/")
    assert not Scenario.objects.exists()


def test_a_scenario_that_cannot_be_says_why_and_one_whose_worker_died_is_found(site):
    site.people.all().delete()
    (one,) = ask(site)
    assert "no technician of the site has hours" in asking.compute(one.pk).trouble
    Scenario.objects.update(state="running", heard_at=NOW - timedelta(minutes=6))
    assert asked_work.unclaimed(Scenario, NOW) == [one.pk]


def test_strangers_find_no_scenario_and_readers_ask_none(client, site):
    (one,) = ask(site)
    paths = [f"/season/what-if/{one.pk}/{verb}/" for verb in ("again", "cancel", "delete")]
    client.force_login(make_user(make_site()))
    assert [client.post(path).status_code for path in paths] == [404] * 3
    assert one.name not in client.get("/season/what-if/").content.decode()
    client.force_login(make_user(site, Role.READER))
    assert [client.post(path).status_code for path in paths] == [403] * 3
    assert client.get("/season/what-if/new/").status_code == 403
    assert one.name in client.get("/season/what-if/").content.decode()
    assert Scenario.objects.get().state == "waiting"
