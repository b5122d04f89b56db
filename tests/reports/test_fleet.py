"""The fleet in figures: the shares and ages that are drawn, told and taken along, against sums by hand."""

from __future__ import annotations

import csv
import io
import re
from datetime import date

import openpyxl
import pytest

from reports.fleet_figures import share_figure, share_tables
from reports.queries.fleet import by_building, by_use, fleet_ages, fleet_outlook
from tests import factories as make
from tests.factories import TODAY

WEEKS = ("2026-11-23", "2026-11-30", "2026-12-07")
MADE = date(2026, 11, 20)  # the Friday before


def weekly(*chances: float, weeks=WEEKS) -> list[list]:
    return [[week, chance, 0.0, 1.0] for week, chance in zip(weeks, chances, strict=True)]


@pytest.fixture
def school(db):
    site = make.make_site()
    old, new = make.make_room(site, "Cellar", "Old House"), make.make_room(site, "Studio", "New Hall")
    run = make.make_run(site, MADE)
    fleet = [
        (old, "G-1", "grand", "concert", 1899, (0.1, 0.2, 0.4)),
        (old, "G-2", "grand", "teaching", 1903, (0.3, 0.3, 0.5)),
        (new, "U-1", "upright", "teaching", 1998, (0.8, 1.0, 0.9)),
    ]
    for room, tag, kind, use, year, chances in fleet:
        one = make.make_instrument(room, tag, kind, use_class=use, year_built=year)
        make.make_forecast(one, "tuning", run, weekly=weekly(*chances))
        make.make_forecast(one, "voicing", run, weekly=weekly(0, 0, 1))
    gone = make.make_instrument(new, "R-9", retired_on=TODAY, year_built=1950)
    make.make_forecast(gone, "tuning", run, weekly=weekly(1, 1, 1))
    return site


@pytest.fixture
def ask(client, school):
    client.force_login(make.make_user(school))
    return lambda path: client.get(path)


def shares(groups) -> dict[str, list[float]]:
    return {group.name: pytest.approx(group.shares) for group in groups}


def test_the_share_out_is_the_mean_of_the_chances_week_by_week(school):
    outlook = fleet_outlook(school, "tuning", TODAY)
    assert [day.isoformat() for day in outlook.mondays] == list(WEEKS)
    # (0.1 + 0.3 + 0.8) / 3, (0.2 + 0.3 + 1.0) / 3, (0.4 + 0.5 + 0.9) / 3, and so on by hand.
    whole = [0.4, 0.5, 0.6]
    assert shares(by_building(outlook)) == {
        "the whole fleet": whole,
        "New Hall": [0.8, 1.0, 0.9],
        "Old House": [0.2, 0.25, 0.45],
    }
    found = by_use(outlook)
    assert [(group.name, group.instruments) for group in found] == [
        ("the whole fleet", 3),
        ("concert", 1),
        ("teaching", 2),
    ]
    assert shares(found)["teaching"] == [0.55, 0.65, 0.7]


def test_weeks_gone_by_and_weeks_that_few_forecasts_reach_are_left_out(school):
    one = school.instruments.get(tag="U-1").forecasts.filter(kind="tuning")
    older = make.make_run(school, date(2026, 11, 16))
    one.update(run=older, weekly=weekly(1.0, 0.5, 0.6, weeks=("2026-11-16", *WEEKS[:2])))
    outlook = fleet_outlook(school, "tuning", TODAY)
    assert [day.isoformat() for day in outlook.mondays] == list(WEEKS[:2])
    assert shares(by_use(outlook))["the whole fleet"] == [pytest.approx(0.3), pytest.approx(1.1 / 3)]


def test_the_few_that_do_not_reach_a_week_are_left_out_of_its_mean(school):
    run = make.make_run(school, MADE, seed=2)
    for number in range(7):
        one = make.make_instrument(school.rooms.first(), f"N-{number}", use_class="practice")
        make.make_forecast(one, "tuning", run, weekly=weekly(0, 0, 0))
    school.instruments.get(tag="G-1").forecasts.filter(kind="tuning").update(
        weekly=weekly(0.1, 0.2, weeks=WEEKS[:2])
    )
    outlook = fleet_outlook(school, "tuning", TODAY)
    assert by_use(outlook)[0].shares[2] == pytest.approx((0.5 + 0.9) / 9)
    # Of the only one for concerts nothing is known in the third week.
    [_building, use] = share_tables(outlook)
    assert [shares[1] for _monday, shares in use.lines] == [0.1, 0.2, None]
    assert share_figure(outlook, "use", TODAY).series[1].y == [10, 20, None]


def test_more_buildings_than_lines_can_be_told_apart_are_drawn_together(school):
    run = make.make_run(school, MADE, seed=2)
    for number in range(6):
        room = make.make_room(school, f"R {number}", f"Annexe {number}")
        make.make_forecast(make.make_instrument(room, f"N-{number}"), "tuning", run, weekly=weekly(1, 1, 1))
    groups = by_building(fleet_outlook(school, "tuning", TODAY))
    # Eight buildings: the five with most instruments, names deciding among equals, and the rest.
    assert {group.name: group.instruments for group in groups} == {
        "the whole fleet": 9,
        **{f"Annexe {number}": 1 for number in range(4)},
        "Old House": 2,
        "other buildings": 3,
    }


def test_the_page_its_figure_and_its_files_say_the_same(ask):
    text = ask("/fleet/").content.decode()
    table = re.search(r"tuning: expected share.*?</table>", text, re.DOTALL).group()
    assert [cell.replace("\N{NO-BREAK SPACE}", "") for cell in re.findall(r"<td>(.*?)</td>", table)] == [
        *("40.0%", "80.0%", "20.0%"),
        *("50.0%", "100.0%", "25.0%"),
        *("60.0%", "90.0%", "45.0%"),
    ]
    told = ask("/fleet/figures/building/?service=tuning").json()
    assert [(one["name"], one["y"]) for one in told["series"]] == [
        ("the whole fleet", [40, 50, 60]),
        ("New Hall", [80, 100, 90]),
        ("Old House", [20, 25, 45]),
    ]
    assert (told["unit"], told["first"], told["last"]) == ("%", WEEKS[0], WEEKS[-1])
    lines = list(csv.reader(io.StringIO(ask("/fleet/as/csv/").content.decode("utf-8-sig"), newline="")))
    assert lines[0] == ["monday", "the whole fleet (3), %", "New Hall (1), %", "Old House (2), %"]
    assert [float(cell) for cell in lines[3][1:]] == [60, 90, 45]
    book = openpyxl.load_workbook(io.BytesIO(ask("/fleet/as/xlsx/?table=age").content))
    assert book.sheetnames == ["built when", "out by building", "out by use"]
    assert [cell.value for cell in book["out by building"][4]][1:] == [60, 90, 45]


def test_another_service_is_asked_for_by_name(ask):
    assert "voicing: expected share" in ask("/fleet/?service=voicing").content.decode()
    assert ask("/fleet/figures/use/?service=voicing").json()["series"][0]["y"] == [0, 0, 100]
    for path in ("/fleet/?service=x", "/fleet/figures/x/", "/fleet/as/docx/", "/fleet/as/csv/?table=x"):
        assert ask(path).status_code == 404, path


def test_instruments_are_counted_by_decade_with_the_empty_ones_between(school):
    make.make_instrument(school.rooms.first(), "F-1", "fortepiano", year_built=1790)
    ages = fleet_ages(school, TODAY)
    assert ages.kinds == ["grand", "fortepiano", "upright"]
    # Counted from 2026: 1899 and 1790 lie before the twelve decades up to 2020.
    assert [(one.name, one.numbers) for one in ages.decades if one.total] == [
        ("1990–1999", [0, 0, 1]),
        ("1900–1909", [1, 0, 0]),
        ("before 1900", [1, 1, 0]),
    ]
    assert len(ages.decades) == 11
    assert (ages.totals, ages.total, ages.most) == ([2, 1, 1], 4, 1)
    assert ages.middle == (127 + 123) / 2


def test_a_site_without_instruments_or_forecasts_says_how_they_come(client, db):
    client.force_login(make.make_user(make.make_site()))
    text = client.get("/fleet/").content.decode()
    assert "No forecast of tuning speaks" in text
    assert "manage.py import_folder" in text
    assert client.get("/fleet/figures/use/").json()["series"] == []


def test_the_list_of_instruments_leads_to_the_fleet(ask):
    assert 'href="/fleet/"' in ask("/instruments/").content.decode()
