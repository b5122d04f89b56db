"""The budget's page: its defaults, what it refuses, and who may see what a person's hour costs."""

from __future__ import annotations

import json

from fleet.models import Role
from tests import factories as make


def test_the_weeks_of_the_plan_in_force_are_shown_unless_others_are_asked_for(read, house):
    text = read("/budget/")
    assert "From 23 November 2026 to 28 March 2027" in text
    assert "November 2026" in text


def test_only_the_table_is_sent_where_the_page_asks_for_it(read, house):
    assert "<html" not in read("/budget/?first=2026-11-23&last=2026-12-20&by=building", HX_Request="true")


def test_days_in_the_wrong_order_are_refused_in_words_and_no_file_is_made_of_them(read, house):
    asked = "first=2026-12-20&last=2026-11-23&by=month"
    assert "has to lie after" in read(f"/budget/?{asked}")
    read(f"/budget/csv/?{asked}", status=404)
    read("/budget/exe/", status=404)


def test_only_an_administrator_sees_what_each_person_costs(client, house):
    asked = "/budget/json/?first=2026-11-23&last=2026-12-20&by=person"
    client.force_login(house.administrator)
    rows = json.loads(client.get(asked).content)["rows"]
    assert "Ida Thorn" in [row["name"] for row in rows]
    for user in (house.technician, make.make_user(house.site, Role.READER)):
        client.force_login(user)
        assert client.get(asked).status_code == 404
        assert "Ida Thorn" not in client.get("/budget/csv/").content.decode()


def test_a_site_without_work_is_told_what_would_fill_the_page(client, db):
    client.force_login(make.make_user(make.make_site()))
    assert "A season plan fills them" in client.get("/budget/").content.decode()
