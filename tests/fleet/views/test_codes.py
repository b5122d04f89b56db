"""Labels with codes to print, and new codes."""

from __future__ import annotations

import re

import pytest
from django.test import override_settings

from fleet.models import Instrument, Role
from tests import factories as make


@pytest.fixture
def house(db):
    site = make.make_site("Brackwater Conservatory")
    hall, cellar = make.make_room(site, "Elm Hall"), make.make_room(site, "Cellar")
    for tag, room in (("G-1", hall), ("G-2", hall), ("U-1", cellar)):
        make.make_instrument(room, tag)
    make.make_instrument(hall, "G-0", retired_on=make.TODAY)
    return site


def tags(text: str) -> list[str]:
    return re.findall(r'class="tag">([^<]+)<', text)


def test_a_sheet_holds_the_instruments_of_a_room_that_are_in_use(client, house):
    client.force_login(make.make_user(house))
    hall = house.rooms.get(name="Elm Hall")
    text = client.get(f"/labels/?room={hall.pk}").content.decode()
    assert tags(text) == ["G-1", "G-2"]
    assert tags(client.get("/labels/?all=1").content.decode()) == ["U-1", "G-1", "G-2"]
    assert tags(client.get("/labels/?instrument=G-2").content.decode()) == ["G-2"]
    assert tags(client.get("/labels/").content.decode()) == []
    assert "Report a note that troubles you" in text


@override_settings(SITE_ADDRESS="https://almanac.example")
def test_a_label_names_the_address_in_plain_type_and_draws_it_within_the_page_s_policy(client, house):
    client.force_login(make.make_user(house))
    text = client.get("/labels/?instrument=G-1").content.decode()
    one = Instrument.objects.get(tag="G-1")
    assert f"https://almanac.example/i/{one.public_id}</p>" in text
    drawing = re.search(r"<svg[^>]*class=\"segno\".*?</svg>", text)[0]
    assert "style" not in drawing
    assert "script" not in drawing


def test_codes_are_for_those_who_keep_the_instruments(client, house):
    one = Instrument.objects.get(tag="G-1")
    before = one.public_id
    client.force_login(make.make_user(house, Role.READER))
    assert client.get("/labels/").status_code == 403
    assert client.post(f"/instruments/{one.pk}/code/").status_code == 403
    assert before not in client.get(f"/instruments/{one.pk}/").content.decode()
    client.force_login(make.make_user(make.make_site()))
    assert tags(client.get("/labels/?all=1").content.decode()) == []
    for address in (f"/labels/?room={one.room_id}", "/labels/?instrument=G-1"):
        assert client.get(address).status_code == 404
    assert client.post(f"/instruments/{one.pk}/code/").status_code == 404
    one.refresh_from_db()
    assert one.public_id == before


def test_a_new_code_closes_the_old_page(client, house):
    one = Instrument.objects.get(tag="G-1")
    old = f"/i/{one.public_id}"
    client.force_login(make.make_user(house))
    assert client.get(f"/instruments/{one.pk}/code/").status_code == 405
    answer = client.post(f"/instruments/{one.pk}/code/", follow=True)
    assert "has a new code" in answer.content.decode()
    one.refresh_from_db()
    assert client.get(old).status_code == 404
    assert client.get(f"/i/{one.public_id}").status_code == 200
