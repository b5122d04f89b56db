"""The season in a real browser: a visit taken up, moved and held by keyboard and by touch, what-if."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe

from scheduling.models import PlannedVisit, Scenario
from tests.browser.test_pages_in_a_browser import AXE, sign_in
from tests.reports.house import House, make_house

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
]


@pytest.fixture
def house(live_server) -> House:
    house = make_house(datetime.now().date(), instruments=6)
    house.administrator.username = "administrator"
    house.administrator.save()
    return house


def later_visit(house: House) -> PlannedVisit:
    return house.plan.visits.filter(week__gt=house.plan.start, held=False, dated=False).order_by("pk").first()


def well(visit, name: str) -> None:
    assert visit.overflow() <= 0, f"{name} is wider than the window"
    found = Axe().run(visit.page, options=AXE)
    assert found.violations_count == 0, f"{name}: {found.generate_report()}"


def test_a_visit_is_moved_by_keyboard_without_leaving_the_page_and_the_focus_follows(visit, house):
    planned = later_visit(house)
    sign_in(visit)
    visit.open("/season/")
    page = visit.page
    page.evaluate("window.sameDocument = true")
    page.locator(f'a.visit[href$="visit={planned.pk}"]').focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#in-hand")
    assert page.evaluate("document.activeElement.id") == "in-hand"
    assert page.url.endswith(f"?visit={planned.pk}")
    well(visit, "a visit in hand")
    page.keyboard.press("Tab")  # to Hold
    page.keyboard.press("Tab")  # to the first other week
    target = page.evaluate("document.activeElement.value")
    page.keyboard.press("Enter")
    page.wait_for_selector(".in-hand .notice")
    assert "Moved here by" in page.locator(".in-hand .notice").inner_text()
    assert page.evaluate("window.sameDocument")
    planned.refresh_from_db()
    assert (planned.week.isoformat(), planned.held) == (target, True)
    assert visit.complaints == []
    assert visit.strayed == []


@pytest.mark.parametrize("visit", [(360, "dark")], indirect=True, ids=["phone"])
def test_a_visit_is_moved_by_touch_and_approved_on_a_phone_and_what_if_fits(visit, house):
    planned = later_visit(house)
    sign_in(visit)
    visit.open("/season/")
    page = visit.page
    page.locator(f'a.visit[href$="visit={planned.pk}"]').click()
    week = page.locator("button.week").last
    week.wait_for()
    box = week.bounding_box()
    assert min(box["width"], box["height"]) >= 44  # WCAG 2.2, 2.5.5 target size (enhanced), from memory
    week.click()
    page.wait_for_selector(".in-hand .notice")
    well(visit, "a moved visit")
    page.reload()
    with visit.arriving():
        page.locator("button", has_text="Approve this plan").click()
    assert "People work by it" in page.locator("main").inner_text()
    visit.open("/season/what-if/new/")
    well(visit, "a new scenario")
    ready = {"today": house.plan.start, "cost": 10.0, "bound": 9.9, "days_out": 7.0, "state": "done"}
    for name, changes in (("As it is", []), ("Two hours more", [{"kind": "hours", "hours": 2.0}])):
        Scenario.objects.create(
            site=house.site,
            name=name,
            start=house.plan.start + timedelta(weeks=1),
            weeks=4,
            changes=changes,
            asked_at=house.plan.made_at,
            visits=3,
            **ready,
        )
    visit.open("/season/what-if/")
    assert page.locator("table.compared thead th").count() == 3
    well(visit, "scenarios side by side")
    assert visit.complaints == []
