"""The pages read in a real browser, wide and narrow, by day and by night."""

from __future__ import annotations

from datetime import datetime

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.utils import timezone

from fleet.models import FactChange
from scheduling import week_planning
from tests.reports.house import House, make_house

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
]

# WCAG 2.2 up to level AA, and the rules of the checker's own for landmarks and headings.
AXE = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}


@pytest.fixture
def house(live_server) -> House:
    house = make_house(datetime.now().date(), instruments=9)
    house.administrator.username = "administrator"
    house.administrator.save()
    week_planning.lay_out_week(house.site, house.plan.start, timezone.now(), time_limit=1e-6)
    return house


def sign_in(visit, name="administrator"):
    visit.open("/login/")
    visit.page.fill("#id_username", name)
    visit.page.fill("#id_password", "a long word")
    with visit.arriving():
        visit.page.click("main button")


def pages_of(house: House) -> dict[str, str]:
    return {
        "This week": "/",
        "Instruments": "/instruments/",
        "the fleet": "/fleet/?service=regulation",
        "one Instrument": f"/instruments/{house.instruments[0].pk}/",
        "Score": "/forecasts/score/",
        "Rooms": "/rooms/",
        "one Room": f"/rooms/{house.rooms[2].pk}/",
        "Week plan": "/week/?who=all",
        "Season plan": "/season/",
        "Budget": "/budget/",
        "Requests": "/requests/",
    }


@pytest.mark.parametrize("visit", [(360, "light")], indirect=True, ids=["phone"])
def test_pages_about_long_names_fit_a_phone_read_well_and_stay_at_home(visit, house):
    visit.open("/login/")
    found = Axe().run(visit.page, options=AXE)
    assert found.violations_count == 0, found.generate_report()
    sign_in(visit)
    for name, path in pages_of(house).items():
        visit.open(path)
        assert visit.page.locator("h1").count() == 1, name
        assert visit.overflow() <= 0, f"{name} is wider than the window"
        found = Axe().run(visit.page, options=AXE)
        assert found.violations_count == 0, f"{name}: {found.generate_report()}"
    assert visit.complaints == []
    assert visit.strayed == []


def test_figures_are_drawn_with_their_lines_and_points(visit, house):
    sign_in(visit)
    visit.open(f"/instruments/{house.instruments[0].pk}/")
    drawings = visit.page.locator(".drawing")
    assert drawings.count() == 3
    # Band, mean, two tolerance lines and found values; a mark has one tolerance line, and none was found.
    for number, traces in enumerate((5, 5, 3)):
        drawing = drawings.nth(number)
        drawing.locator("svg.main-svg").first.wait_for()
        assert drawing.locator(".scatterlayer .trace").count() == traces
    assert drawings.first.locator(".scatterlayer .point").count() == 4
    visit.open(f"/rooms/{house.rooms[0].pk}/")
    visit.page.locator("svg.main-svg").first.wait_for()
    assert visit.page.locator(".drawing").count() == 3
    visit.open("/fleet/")
    # The whole fleet with two buildings, and with the four uses that the house has.
    for number, traces in enumerate((3, 5)):
        drawing = visit.page.locator(".drawing").nth(number)
        drawing.locator("svg.main-svg").first.wait_for()
        assert drawing.locator(".scatterlayer .trace").count() == traces
    assert visit.complaints == []


def test_new_figures_appear_by_themselves_once_a_record_is_taken_into_account(visit, house):
    one = house.instruments[0]
    sign_in(visit)
    change = FactChange.objects.create(site=house.site, instrument=one, at=timezone.now())
    visit.open(f"/instruments/{one.pk}/")
    notice = visit.page.locator("#due .notice")
    assert "being taken into account" in notice.inner_text()
    one.forecasts.filter(kind="tuning").update(drivers=[{"name": "use", "share": 1, "words": "Played anew."}])
    change.delete()
    visit.page.get_by_text("Played anew.").wait_for()
    assert "know everything" in notice.inner_text()
    assert visit.page.locator("#due").count() == visit.page.locator("#outlooks").count() == 1
    visit.page.locator(".drawing svg.main-svg").nth(2).wait_for()
    assert visit.complaints == []


@pytest.mark.parametrize("visit", [(1280, "dark")], indirect=True, ids=["dark"])
def test_figures_take_the_colours_of_the_page(visit, house):
    sign_in(visit)
    visit.open(f"/rooms/{house.rooms[0].pk}/")
    visit.page.locator("svg.main-svg").first.wait_for()
    ink = visit.page.evaluate("getComputedStyle(document.body).color")
    lines = visit.page.locator(".scatterlayer .js-line")
    strokes = lines.evaluate_all("lines => lines.map(line => getComputedStyle(line).stroke)")
    assert ink in strokes


def test_the_list_narrows_while_one_types_and_the_address_follows(visit, house):
    sign_in(visit)
    visit.open("/instruments/")
    assert visit.page.locator("#content tbody tr").count() == 9
    visit.page.fill("#id_text", "harpsichord")
    visit.page.keyboard.press("End")
    visit.page.wait_for_url("**text=harpsichord**")
    assert visit.page.locator("#content tbody tr").count() == 1
    visit.page.select_option("#id_state", "leaving_soon")
    visit.page.wait_for_url("**state=leaving_soon**")
    visit.page.reload()
    assert visit.page.input_value("#id_text") == "harpsichord"
    assert visit.complaints == []


def test_the_first_tab_leads_past_the_head_of_the_page(visit, house):
    sign_in(visit)
    visit.open("/rooms/")
    visit.page.keyboard.press("Tab")
    assert visit.page.evaluate("document.activeElement.textContent") == "Skip to the page"
    visit.page.keyboard.press("Enter")
    assert visit.page.evaluate("document.activeElement.id") == "content"


def test_the_ribbon_opens_the_season(visit, house):
    sign_in(visit)
    visit.page.click("a.ribbon")
    visit.page.wait_for_url("**/season/")
    assert visit.page.locator("h1").inner_text() == "Season plan"
