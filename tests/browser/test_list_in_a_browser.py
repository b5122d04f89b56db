"""The list of instruments in a real browser: a filter kept and opened again, many moved by keyboard alone."""

from __future__ import annotations

from datetime import datetime

import pytest
from axe_playwright_python.sync_playwright import Axe

from fleet.models import Placement, SavedFilter
from tests.browser.test_pages_in_a_browser import AXE, sign_in
from tests.reports.house import House, make_house

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
]


@pytest.fixture
def house(live_server) -> House:
    house = make_house(datetime.now().date(), instruments=9)
    house.administrator.username = "administrator"
    house.administrator.save()
    return house


def well(visit, name: str) -> None:
    assert visit.overflow() <= 0, f"{name} is wider than the window"
    found = Axe().run(visit.page, options=AXE)
    assert found.violations_count == 0, f"{name}: {found.generate_report()}"


def test_a_filter_is_kept_opens_the_list_and_is_removed(visit, house):
    sign_in(visit)
    visit.open("/instruments/")
    page = visit.page
    page.select_option("#id_kind", "grand")
    page.wait_for_selector(".kept input[name=query][value='kind=grand']", state="attached")
    page.locator(".kept summary").press("Enter")
    page.fill("#filter-name", "Grands of mine")
    page.locator(".kept input[name=default]").press("Space")
    well(visit, "a filter about to be kept")
    with visit.arriving():
        page.locator(".kept button", has_text="Keep it").press("Enter")
    assert page.locator(".kept [aria-current]").inner_text() == "Grands of mine"
    visit.open("/instruments/")
    assert page.url.endswith("?kind=grand")
    assert page.locator("#lines tbody tr").count() == sum(one.kind == "grand" for one in house.instruments)
    page.locator(".kept summary").press("Enter")
    with visit.arriving():
        page.locator(".kept button", has_text="Remove it").press("Enter")
    assert not SavedFilter.objects.exists()
    assert visit.complaints == []
    assert visit.strayed == []


def test_many_are_chosen_and_moved_by_keyboard_alone_after_what_changes_was_shown(visit, house):
    sign_in(visit)
    visit.open("/instruments/?order=tag")
    page = visit.page
    tags = sorted(one.tag for one in house.instruments)[:3]
    page.locator("input[name=chosen]").first.focus()
    page.keyboard.press("Space")
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Shift+ArrowDown")
    assert page.locator("#how-many").inner_text() == "(3)"
    page.locator("#what").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector("#id_to_room")
    page.select_option("#id_to_room", str(house.rooms[1].pk))
    page.locator("#id_from_day").press("Enter")
    page.wait_for_selector("table.preview")
    assert [cell.strip() for cell in page.locator("table.preview tbody th a").all_inner_texts()] == tags
    assert not Placement.objects.exists()
    well(visit, "what will change")
    with visit.arriving():
        page.locator("main form[method=post] button", has_text="Change all").press("Enter")
    assert page.url.endswith("/instruments/?order=tag")
    assert page.locator("main [role=status]").first.is_visible()
    moved = house.site.instruments.filter(tag__in=tags).values_list("room__name", flat=True)
    assert set(moved) == {house.rooms[1].name}
    well(visit, "the list after a move")
    assert visit.complaints == []
    assert visit.strayed == []


@pytest.mark.parametrize("visit", [(1280, "light"), (360, "dark")], indirect=True, ids=["wide", "phone"])
def test_every_leaf_of_the_fleet_draws_its_figure_and_is_well(visit, house):
    forecast = house.instruments[0].forecasts.get(kind="tuning")
    forecast.sensitivities = [["humidity", 0.5, 0.1, 0.45, 0.2]]
    forecast.save()
    sign_in(visit)
    for name in ("due", "weather", "hours", "season"):
        visit.open(f"/fleet/{name}/")
        if name != "hours":
            visit.page.wait_for_selector(".drawing .main-svg")
        well(visit, name)
    assert visit.complaints == []
    assert visit.strayed == []
