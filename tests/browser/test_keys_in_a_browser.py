"""Keys from page to page: listed, quiet in fields and beside the browser's own, and to be switched off."""

from __future__ import annotations

from datetime import datetime

import pytest
from playwright.sync_api import TimeoutError as TookTooLong

from tests.browser.test_pages_in_a_browser import sign_in
from tests.browser.test_season_in_a_browser import well
from tests.reports.house import House, make_house

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def house(live_server) -> House:
    house = make_house(datetime.now().date(), instruments=2)
    house.administrator.username = "administrator"
    house.administrator.save()
    return house


def path(page) -> str:
    return page.evaluate("location.pathname")


def goes(page, letter: str, address: str) -> None:
    """Press g and a letter until the page is there: both must fall within a second and a half."""
    for attempt in range(4):
        page.keyboard.press("g")
        page.keyboard.press(letter)
        try:
            page.wait_for_url(address, timeout=5_000)
        except TookTooLong:
            assert attempt < 3, f"g and {letter} did not lead to {address}"
        else:
            return


def test_g_and_the_letter_of_a_page_open_it_and_the_list_tells_them(visit, house):
    sign_in(visit)
    page = visit.page
    page.keyboard.press("?")
    listed = page.locator("#keys")
    assert listed.is_visible()
    assert [row.inner_text().split() for row in listed.locator("tbody th").all()] == [
        *(["g", key] for key in "tirwsbql"),
        ["?"],
    ]
    well(visit, "the list of keys")
    page.keyboard.press("Escape")
    assert not listed.is_visible()
    goes(page, "b", "**/budget/")
    goes(page, "i", "**/instruments/")
    assert visit.complaints == []


def test_keys_do_nothing_in_fields_nor_with_the_browsers_own(visit, house):
    sign_in(visit)
    visit.open("/instruments/")
    page = visit.page
    page.focus("#id_text")
    page.keyboard.type("gb?")
    assert page.input_value("#id_text") == "gb?"
    assert not page.locator("#keys").is_visible()
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("g")
    page.keyboard.press("Alt+b")
    page.keyboard.press("b")
    assert path(page) == "/instruments/"


def test_whoever_speaks_or_trembles_switches_them_off_and_they_stay_off(visit, house):
    sign_in(visit)
    page = visit.page
    page.get_by_role("button", name="Keys").click()
    page.get_by_label("Keys are on in this browser").uncheck()
    page.get_by_role("button", name="Close").click()
    visit.open("/rooms/")
    page.keyboard.press("?")
    page.keyboard.press("g")
    page.keyboard.press("t")
    assert not page.locator("#keys").is_visible()
    assert path(page) == "/rooms/"
    page.get_by_role("button", name="Keys").click()
    assert not page.get_by_label("Keys are on in this browser").is_checked()
