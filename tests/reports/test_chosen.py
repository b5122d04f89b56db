"""The list as people ask it and choose from it: sorted by every column, and shown before it changes."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Instrument, InstrumentChange, Role
from reports.filters import COLUMNS, ORDERS
from tests import factories as make


def tags(text: str) -> list[str]:
    return re.findall(r'href="/instruments/\d+/">([A-Z]-\d+)</a>', text)


def ticks(house, *numbers: int) -> str:
    return "&".join(f"chosen={house.instruments[number].pk}" for number in numbers)


def test_every_column_sorts_both_ways_and_says_how_it_is_sorted(read, house):
    for name, _words in COLUMNS:
        assert {name, f"-{name}"} <= set(ORDERS)
    up, down = tags(read("/instruments/?order=tag")), tags(read("/instruments/?order=-tag"))
    assert up == sorted(one.tag for one in house.instruments)
    assert down == up[::-1]
    page = read("/instruments/?order=-tag&kind=grand")
    assert 'aria-sort="descending"' in page
    assert 'href="?order=tag&amp;kind=grand"' in page


def test_due_on_or_before_a_day_keeps_what_is_due_by_then(read, house):
    day = "2026-12-10"
    due = {
        one.instrument.tag
        for instrument in house.instruments
        for one in instrument.forecasts.all()
        if one.due_middle and one.due_middle.isoformat() <= day
    }
    assert set(tags(read(f"/instruments/?due_before={day}"))) == due
    assert 0 < len(due) < len(house.instruments)
    assert "Enter a valid date" in read("/instruments/?due_before=soon")


def test_words_look_into_the_building_too(read, house):
    shown = set(tags(read("/instruments/?text=new+hall")))
    assert shown == {one.tag for one in house.instruments if one.room.building == "New Hall"}


def test_the_retired_are_listed_where_asked_for_and_can_be_chosen(read, house):
    gone = house.instruments[0]
    Instrument.objects.filter(pk=gone.pk).update(retired_on=make.TODAY)
    assert gone.tag not in tags(read("/instruments/?all=1"))
    assert tags(read("/instruments/?standing=retired")) == [gone.tag]
    page = read(f"/instruments/chosen/?what=returned&{ticks(house, 0)}")
    assert "retired on 25 November 2026" in page
    assert "Change this one" in page


def test_all_that_the_filter_shows_are_chosen_and_shown_row_by_row(read, house):
    page = read("/instruments/chosen/?what=use_class&to_use=concert&every=1&kind=grand")
    grands = [one for one in house.instruments if one.kind == "grand"]
    assert set(tags(page)) == {one.tag for one in grands}
    changing = [one for one in grands if one.use_class != "concert"]
    assert page.count("<strong>concert</strong>") == len(changing)
    assert page.count("stays so") == len(grands) - len(changing)
    assert 'name="back" value="kind=grand"' in page


def test_what_is_shown_is_what_is_done(client, read, house):
    page = read(f"/instruments/chosen/?what=use_class&to_use=store&back=kind%3Dgrand&{ticks(house, 0, 3)}")
    sent = dict(re.findall(r'name="(\w+)" value="([^"]*)"', page.split("What will change</h2>")[1]))
    assert set(sent) >= {"what", "to_use", "chosen", "seen", "back"}
    answer = client.post("/instruments/change/", sent)
    assert answer.headers["Location"] == "/instruments/?kind=grand"
    assert InstrumentChange.objects.count() == 2
    assert {house.site.instruments.get(pk=one.pk).use_class for one in house.instruments[0:4:3]} == {"store"}


def test_refused_rows_hold_up_all_and_can_be_left_out(read, house):
    make.make_placement(house.instruments[0], house.rooms[1], make.date(2026, 12, 20))
    asked = f"what=room&to_room={house.rooms[1].pk}&from_day=2026-11-25"
    page = read(f"/instruments/chosen/?{asked}&{ticks(house, 0, 2)}")
    assert "Refused:" in page
    assert 'action="/instruments/change/"' not in page
    link = re.search(r'href="(\?what=room[^"]*)">Leave them out', page).group(1).replace("&amp;", "&")
    assert 'action="/instruments/change/"' in read(f"/instruments/chosen/{link}")


def test_labels_are_printed_of_those_chosen(read, house):
    page = read(f"/instruments/chosen/?what=labels&{ticks(house, 0, 3)}")
    link = re.search(r'href="(/labels/\?chosen=[^"]*)"', page).group(1)
    assert read(link).count('class="tag"') == 2


def test_readers_choose_nothing_and_ids_of_others_are_not_found(read, house):
    reader = make.make_user(house.site, Role.READER)
    assert 'name="chosen"' not in read("/instruments/", user=reader)
    read(f"/instruments/chosen/?{ticks(house, 0)}", user=reader, status=403)
    other = make.make_instrument(make.make_room(make.make_site()))
    read(f"/instruments/chosen/?chosen={other.pk}", status=404)


@pytest.mark.parametrize("what", ["room", "ask"])
def test_showing_a_change_of_many_asks_as_often_as_of_few(client, house, what):
    client.force_login(house.technician)
    week = house.plan.start + make.timedelta(weeks=9)
    filled = f"to_room={house.rooms[0].pk}&from_day=2026-11-25&visit_service=regulation&week={week}"
    counts = []
    for numbers in ((0, 1), range(12)):
        with CaptureQueriesContext(connection) as seen:
            path = f"/instruments/chosen/?what={what}&{filled}&{ticks(house, *numbers)}"
            assert client.get(path).status_code == 200
        counts.append(len(seen))
    assert counts[0] == counts[1]
