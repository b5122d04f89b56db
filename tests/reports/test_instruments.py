"""The list of instruments, and the page of one."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from tests import factories as make
from tests.factories import TODAY


@pytest.fixture
def school(db):
    site = make.make_site()
    old, new = make.make_room(site, "Cellar", "Old House"), make.make_room(site, "Studio", "New Hall")
    grand = make.make_instrument(old, "G-1", "grand", use_class="concert", maker="Hallorn", year_built=1961)
    upright = make.make_instrument(new, "U-2", "upright", use_class="practice", year_built=1990)
    make.make_instrument(new, "H-3", "harpsichord", year_built=2012)
    run = make.make_run(site)
    make.make_forecast(grand, "tuning", run, due_middle=TODAY + timedelta(days=50), out_now=0.1)
    make.make_forecast(grand, "voicing", run, due_middle=TODAY + timedelta(days=20), state="leaving_soon")
    make.make_forecast(upright, "tuning", run, due_middle=TODAY, state="out", out_now=0.9)
    return site


@pytest.fixture
def ask(client, school):
    client.force_login(make.make_user(school))

    def asking(query: str = "", **headers: str) -> str:
        answer = client.get(f"/instruments/?{query}", headers=headers)
        assert answer.status_code == 200
        return answer.content.decode()

    return asking


def tags(text: str) -> list[str]:
    return re.findall(r'<a href="/instruments/\d+/">([^<]+)</a>', text)


@pytest.mark.parametrize(
    ("query", "listed"),
    [
        ("", ["U-2", "G-1", "H-3"]),
        ("order=tag", ["G-1", "H-3", "U-2"]),
        ("order=room", ["H-3", "U-2", "G-1"]),
        ("order=age", ["G-1", "U-2", "H-3"]),
        ("order=out", ["U-2", "G-1", "H-3"]),
        ("text=hallorn", ["G-1"]),
        ("text=studio+harpsi", ["H-3"]),
        ("building=New+Hall", ["U-2", "H-3"]),
        ("kind=grand", ["G-1"]),
        ("use_class=practice", ["U-2"]),
        ("state=out", ["U-2"]),
        ("state=leaving_soon", ["G-1"]),
        ("service=tuning", ["U-2", "G-1"]),
        ("service=tuning&state=leaving_soon", []),
        ("service=voicing", ["G-1"]),
        ("text=nothing", []),
    ],
)
def test_the_list_narrows_and_orders_as_asked(ask, query, listed):
    assert tags(ask(query)) == listed


def test_the_service_due_first_is_the_one_that_is_shown(ask):
    assert re.search(r"voicing <span.*?leaving soon", ask("text=G-1"), re.DOTALL)
    assert "leaving soon" not in ask("text=G-1&service=tuning").split("<tbody")[1]


def test_an_answer_to_htmx_is_the_list_alone(ask):
    part = ask("", **{"HX-Request": "true"})
    assert "<html" not in part
    assert tags(part) == ["U-2", "G-1", "H-3"]


def test_retired_instruments_and_those_of_other_sites_are_not_listed(ask, school):
    make.make_instrument(make.make_room(make.make_site()), "X-9")
    room = school.rooms.first()
    make.make_instrument(room, "R-8", retired_on=TODAY)
    assert tags(ask("order=tag")) == ["G-1", "H-3", "U-2"]


def test_a_room_of_another_site_cannot_be_asked_for(ask):
    elsewhere = make.make_room(make.make_site())
    make.make_instrument(elsewhere, "X-9")
    assert "X-9" not in tags(ask(f"room={elsewhere.pk}"))


def test_the_next_visit_stands_beside_the_window(ask, school):
    plan = make.make_plan(school, TODAY - timedelta(days=2))
    upright = school.instruments.get(tag="U-2")
    for weeks in (3, 1, 5):
        make.make_visit(plan, upright, plan.start + timedelta(weeks=weeks))
    text = ask("text=U-2")
    assert "visit week of 30 Nov" in text
    assert 'class="planned"' in text


def test_a_list_that_is_too_long_has_leaves_that_keep_what_was_asked(ask, school):
    room = school.rooms.first()
    for number in range(90):
        make.make_instrument(room, f"Z-{number:02d}")
    text = ask("order=tag&kind=upright")
    assert "91 instruments." in text
    assert "leaf 1 of 2" in text
    assert "page=2" in text
    assert "kind=upright" in text.split('class="leaf"')[1]
    assert "Z-89" in tags(ask("order=tag&kind=upright&page=2"))


def test_nothing_found_offers_the_way_back_and_an_empty_site_the_way_in(ask, client):
    assert "Show all" in ask("text=nothing")
    client.force_login(make.make_user(make.make_site()))
    assert "/start/" in client.get("/instruments/").content.decode()


def test_one_instrument_shows_each_service_with_its_reasons_and_numbers(read, house):
    one = house.instruments[0]
    text = read(f"/instruments/{one.pk}/")
    for kind in ("tuning", "regulation", "voicing"):
        assert f'data-figure="/instruments/{one.pk}/figures/{kind}/"' in text
    assert "Further out than 2\N{NO-BREAK SPACE}cents today" in text
    assert "the room falls to 28 % when heating starts" in text
    assert text.count("The same numbers as a table") == 3
    assert "no value found on this one has been learned from" in text
    assert "treble sharp" in text
    assert "many tonnes of tension" in text


def test_a_learned_forecast_says_from_how_many_values(read, house):
    assert "Learned from 9 values found on this instrument." in read(
        f"/instruments/{house.instruments[3].pk}/"
    )


def test_an_instrument_without_forecast_tells_the_command(read, house):
    one = make.make_instrument(house.rooms[0], "N-1")
    text = read(f"/instruments/{one.pk}/")
    assert "manage.py forecast --instrument N-1" in text
    assert "No service is on record." in text


def test_a_long_history_is_folded(read, house):
    one = house.instruments[0]
    for number in range(12):
        make.make_service(one, TODAY - timedelta(days=500 + number))
    assert "7 more, earlier" in read(f"/instruments/{one.pk}/")


def test_what_people_wrote_is_shown_as_text_not_as_markup(read, house):
    one = make.make_instrument(house.rooms[0], "<i>", maker="<script>alert(1)</script>")
    text = read(f"/instruments/{one.pk}/")
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)" in text


def test_an_instrument_in_a_room_without_readings_says_whose_air_its_forecasts_take(client, school):
    client.force_login(make.make_user(school))
    upright = school.instruments.get(tag="U-2")

    def page() -> str:
        return client.get(f"/instruments/{upright.pk}/").content.decode()

    assert "Studio has no readings, and no other room has any" in page()
    make.make_climate(school.rooms.get(name="Cellar"), TODAY - timedelta(days=29), 30)
    assert "Studio has no readings of its own: these forecasts take the air from the other rooms" in page()
    make.make_climate(upright.room, TODAY - timedelta(days=29), 30)
    assert "no readings" not in page()
