"""From nothing to a first forecast in a real browser, and a budget with two scenarios taken along."""

from __future__ import annotations

import json
from datetime import datetime
from decimal import Decimal

import pytest

from fleet.models import Site
from scheduling import first_forecast, seasons_ahead
from scheduling.models import FirstForecast, Scenario, SeasonsAhead
from tests import factories as make
from tests.browser.test_pages_in_a_browser import sign_in
from tests.browser.test_season_in_a_browser import well
from tests.fleet.sheets.test_reading import workbook
from tests.reports.house import House, make_house

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
]


@pytest.mark.parametrize("visit", [(1280, "light"), (360, "dark")], indirect=True, ids=["desk", "phone"])
def test_a_newcomer_comes_from_a_spreadsheet_to_a_first_forecast(visit, live_server, tmp_path, settings):
    settings.UPLOADS_DIR = tmp_path
    make.make_user(username="newcomer")
    sign_in(visit, "newcomer")
    page = visit.page
    page.get_by_role("link", name="Start a site").click()
    well(visit, "the start of a site")
    page.fill("#id_name", "Saltmarsh School")
    page.get_by_role("button", name="Make the site").click()
    well(visit, "the ways to begin")
    table = [
        ["Inv. No.", "Type", "Built", "Location", "Usage"],
        ["D-1", "Dulcitone", 1911, "Attic", "Practice"],
    ]
    rows = workbook(*table, ["G-1", "Concert grand", 1987, "Elm Hall", "Stage"])
    page.set_input_files("#table", {"name": "pianos.xlsx", "mimeType": "application/zip", "buffer": rows})
    page.locator("form:has(#table) button").click()
    well(visit, "a table that is asked about")
    assert "What do the words in the column “kind of instrument” mean?" in page.locator("main").inner_text()
    page.get_by_label("Dulcitone", exact=True).select_option("celesta")
    page.get_by_label("In service since").select_option("year_built")
    page.get_by_role("button", name="Show again").click()
    well(visit, "a table that is ready")
    page.get_by_role("button", name="Store these 2 rows").click()
    page.get_by_role("link", name="On to the first forecast").click()
    well(visit, "what is there and what is missing")
    page.get_by_role("button", name="Make the first forecast").click()
    page.locator("[role=status]", has_text="waits for the worker").wait_for()
    first_forecast.compute(FirstForecast.objects.get().pk)
    with visit.arriving():
        page.get_by_role("link", name="On to This week").click()
    assert "This week" in page.locator("h1").inner_text()
    well(visit, "This week of a new site")
    assert Site.objects.get().instruments.count() == 2
    visit.open("/start/by-hand/instruments/")
    well(visit, "rows by hand")
    assert visit.complaints == []
    assert visit.strayed == []


@pytest.fixture
def house(live_server) -> House:
    house = make_house(datetime.now().date(), instruments=6)
    house.administrator.username = "administrator"
    house.administrator.save()
    Site.objects.filter(pk=house.site.pk).update(hour_cost=Decimal("40.00"))
    for name, hours in (("2 h a week more", 2.0), ("3 h a week fewer", -3.0)):
        Scenario.objects.create(
            site=house.site,
            name=name,
            start=house.plan.start,
            weeks=house.plan.weeks,
            changes=[{"kind": "hours", "hours": hours}],
            asked_at=house.plan.made_at,
            state="done",
            today=house.plan.start,
            cost=1210.0 - 50 * hours,
            bound=1100.0,
            days_out=700.0 - 30 * hours,
            visits=30,
            hours_offered=[20.0 + hours] * house.plan.weeks,
            hours_used=[18.0 + hours] * house.plan.weeks,
            money=Decimal("14400.00") + Decimal(720) * Decimal(hours),
        )
    return house


@pytest.mark.parametrize("visit", [(1280, "dark"), (360, "light")], indirect=True, ids=["desk", "phone"])
def test_two_scenarios_are_compared_in_the_budget_and_taken_along(visit, house):
    sign_in(visit)
    visit.open("/budget/")
    page = visit.page
    assert "One more hour a week" in page.locator("main").inner_text()
    page.get_by_role("link", name="Scenarios side by side").click()
    page.get_by_label("3 h a week fewer").check()
    page.get_by_label("2 h a week more").check()
    with visit.arriving():
        page.get_by_role("button", name="Set the ticked ones side by side").click()
    assert page.locator("table.compared thead th").count() == 4
    well(visit, "scenarios in the budget")
    shown = page.locator("table.compared tbody tr", has_text="Money").locator("td").all_inner_texts()
    with page.expect_download() as taken:
        page.get_by_role("link", name="JSON").click()
    said = json.loads(taken.value.path().read_text())["options"]
    assert [text.split("\n")[0].replace(",", "") for text in shown] == [one["money"] for one in said]
    work = SeasonsAhead.objects.create(site=house.site, years=1, asked_at=house.plan.made_at)
    seasons_ahead.compute(work.pk)
    visit.open("/budget/ahead/")
    well(visit, "the years ahead")
    assert "the least that keep everything in tolerance" in page.locator("main").inner_text()
    assert visit.complaints == []
