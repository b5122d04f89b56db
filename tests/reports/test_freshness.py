"""What a page says while facts are on their way into its figures."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fleet.models import FactChange
from fleet.signals import tell_facts_changed

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
WAITING = "being taken into account"


@pytest.fixture
def one(house):
    return house.instruments[0]


@pytest.fixture
def paths(one):
    return f"/instruments/{one.pk}/", f"/instruments/{one.pk}/forecasts/"


@pytest.mark.parametrize(
    "what, words",
    [
        ({"instrument_ids": "its own"}, "A record is being"),
        ({"room_ids": "its room"}, "New readings are being"),
        ({}, "Changed facts are being"),
    ],
)
def test_a_change_is_said_to_be_on_its_way_and_asked_after_until_it_has_come(read, one, paths, what, words):
    page, fragment = paths
    named = {name: [one.pk if name == "instrument_ids" else one.room_id] for name in what}
    tell_facts_changed(one.site_id, **named, now=NOW)
    text = read(page)
    assert words in text
    assert f'hx-get="{fragment}" hx-trigger="every 2s"' in text
    assert read(fragment, status=204) == ""
    FactChange.objects.all().delete()
    assert WAITING not in read(page)
    fresh = read(fragment)
    assert "hx-get" not in fresh
    assert "know everything that has been entered" in fresh
    assert fresh.count("data-figure") == read(page).count("data-figure") == 3
    assert 'id="outlooks" hx-swap-oob="true"' in fresh


def test_a_change_of_another_instrument_is_no_matter_of_this_page(read, house, paths):
    tell_facts_changed(house.site.pk, [house.instruments[1].pk], [house.rooms[1].pk], now=NOW)
    assert WAITING not in read(paths[0])


def test_work_that_does_not_get_on_is_said_to_be_late_and_no_longer_asked_after(read, one, paths):
    tell_facts_changed(one.site_id, [one.pk], now=NOW - timedelta(minutes=6))
    for path in paths:
        text = read(path)
        # eight in the morning UTC is nine in Vienna
        assert "What was entered on 25 November, 08:54 has not been taken into account yet" in text
        assert "hx-get" not in text
