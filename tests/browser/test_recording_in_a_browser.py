"""Recording in a real browser on a phone: touches counted, double posts, scripts off, and a checker."""

from __future__ import annotations

from datetime import datetime

import pytest
from axe_playwright_python.sync_playwright import Axe

from fleet.models import Service, WorksheetLine
from fleet.record_links import record_path
from fleet.weeks import monday_before
from tests.browser.test_pages_in_a_browser import AXE, sign_in
from tests.reports.house import make_house

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
]
PHONE = pytest.mark.parametrize("visit", [(360, "light")], indirect=True, ids=["phone"])
DARK_PHONE = pytest.mark.parametrize("visit", [(360, "dark")], indirect=True, ids=["phone-dark"])
# Seconds of a keystroke, and of pointing at something and touching it: from memory of Card, Moran and Newell,
# The Psychology of Human-Computer Interaction (1983), the keystroke-level model; unverified.
KEY_S, TOUCH_S = 0.28, 1.1


@pytest.fixture
def house(live_server):
    house = make_house(datetime.now().date(), instruments=3)
    house.technician.username = "technician"
    house.technician.save()
    grand = house.instruments[0]
    grand.glides = 6
    grand.save()
    return house


class Hand:
    """Touches and types on a page, and counts both."""

    def __init__(self, page):
        self.page, self.touches, self.keys = page, 0, 0

    def touch(self, selector):
        self.page.locator(selector).first.click()
        self.touches += 1

    def type(self, text):
        self.page.keyboard.type(text)
        self.keys += len(text)

    def press(self, key):
        self.page.keyboard.press(key)
        self.keys += 1

    @property
    def seconds(self):
        return self.keys * KEY_S + self.touches * TOUCH_S


def reads_well(visit, name):
    assert visit.overflow() <= 0, f"{name} is wider than the window"
    found = Axe().run(visit.page, options=AXE)
    assert found.violations_count == 0, f"{name}: {found.generate_report()}"


def tunings(house):
    return Service.objects.filter(instrument__site=house.site, kind="tuning", date=datetime.now().date())


@PHONE
def test_a_tuning_is_recorded_from_the_week_in_six_touches_and_a_number_and_only_once(visit, house):
    sign_in(visit, "technician")
    visit.open("/")
    hand = Hand(visit.page)
    hand.touch(f'.visits a.record[href*="/record/{house.instruments[0].pk}/tuning/"]')
    hand.touch("#id_found")
    hand.type("3,5")
    hand.touch('label:has([name="found_side"][value="less"])')
    hand.touch('label:has([name="left_side"][value="right"])')
    hand.touch('label:has([name="minutes"][value="75"])')
    reads_well(visit, "the form")
    # Two touches in haste are one record; so is the form sent again from the browser's memory.
    visit.page.locator(".go button").dblclick()
    hand.touches += 1
    visit.page.wait_for_url("**/services/**")
    assert hand.touches <= 6
    one = tunings(house).get()
    assert (one.found, one.left, one.minutes, one.technician) == (-3.5, 0.0, 75, "Ida Thorn")
    reads_well(visit, "the record")
    visit.page.go_back()
    visit.page.get_by_text("This corrects a record").wait_for()
    assert visit.page.input_value("#id_found") == "3.5"
    visit.page.locator(".go button").click()
    visit.page.get_by_text("It stands as it was.").wait_for()
    assert tunings(house).count() == 1
    visit.open("/")
    assert "Recorded on" in visit.page.inner_text("main")
    assert visit.complaints == []
    assert visit.strayed == []


@PHONE
def test_a_bedding_sheet_of_six_glides_takes_less_than_two_minutes(visit, house):
    sign_in(visit, "technician")
    grand = house.instruments[0]
    visit.open(f"/record/{grand.pk}/bedding/sheet/")
    hand = Hand(visit.page)
    hand.touch("#p1-glide-1-at-rest-gap-before")
    for glide in range(1, 7):
        for before in ("0.1" if glide == 4 else "0.05", "0.04", "0.02"):
            hand.type(before)
            hand.press("Enter")
            hand.type("0")
            hand.press("Enter")
    hand.touch("label:has(#p1-glide-4-forced-before)")
    hand.touch("label:has(#p1-glide-1-at-rest-knock-before)")
    hand.touch('label:has([name="knocks-tried"])')
    visit.page.get_by_text("Worst as found: glide 4").wait_for()
    reads_well(visit, "the bedding sheet")
    hand.touch('label:has([name="minutes"][value="45"])')
    hand.touch(".go button")
    visit.page.wait_for_url("**/services/**")
    one = Service.objects.get(instrument=grand, kind="bedding")
    assert (one.found, one.left, one.minutes) == (-0.1, 0.0, 45)
    lines = WorksheetLine.objects.filter(instrument=grand, kind="bedding")
    assert lines.filter(quantity="gap").count() == 18
    assert sorted(lines.filter(quantity="knock").values_list("before", flat=True)) == [0, 0, 0, 0, 0, 1]
    assert hand.seconds < 120
    reads_well(visit, "the record with its sheet")
    assert visit.complaints == []


@DARK_PHONE
def test_the_other_sheets_the_paper_the_calculator_and_the_letters_form_read_well(visit, house):
    sign_in(visit, "technician")
    grand, person = house.instruments[0], house.site.people.get(name="Ida Thorn")
    page = visit.page
    visit.open(f"/record/{grand.pk}/tuning/sheet/")
    page.fill("#p1-c4-offset-before", "2,5")
    page.locator("#p1-c4-offset-before + button").click()
    assert page.input_value("#p1-c4-offset-before") == "-2,5"
    assert page.inner_text("#p1-c4-offset-before + button") == "flat"
    page.get_by_text("−2.50", exact=True).wait_for()
    reads_well(visit, "the tuning sheet")
    visit.open(f"/instruments/{grand.pk}/dip/")
    page.fill("#id_change", "0,1")
    page.press("#id_change", "Enter")
    page.get_by_text("0.30 mm deeper").wait_for()
    reads_well(visit, "the dip calculator")
    for path in ("voicing/sheet/", "regulation/sheet/", "bedding/paper/"):
        visit.open(f"/record/{grand.pk}/{path}")
        reads_well(visit, path)
    page.context.clear_cookies()
    visit.open(record_path(person.pk, grand.pk, "tuning", monday_before(datetime.now().date())))
    reads_well(visit, "the letter's form")
    page.locator('label:has([name="minutes"][value="60"])').click()
    page.locator(".go button").click()
    page.get_by_text("This form now corrects that record").wait_for()
    assert tunings(house).get().minutes == 60
    assert visit.complaints == []


def test_everything_works_without_scripts(browser, live_server, house):
    context = browser.new_context(viewport={"width": 360, "height": 800}, java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{live_server.url}/login/?next=/record/{house.instruments[0].pk}/bedding/sheet/")
    page.fill("#id_username", "technician")
    page.fill("#id_password", "a long word")
    page.click("main button")
    page.fill("#p1-glide-2-at-rest-gap-before", "0.09")
    page.click('button[value="pass"]')
    assert page.input_value("#p1-glide-2-at-rest-gap-before") == "0.09"
    page.fill("#p2-glide-1-at-rest-gap-after", "0.01")
    page.click('label:has([name="day"][value="other"])')
    page.fill("#id_other_day", datetime.now().date().isoformat())
    page.click(".go button")
    one = Service.objects.get(kind="bedding")
    assert (one.found, one.left) == (0.09, 0.01)
    assert "found 0.09, left 0.01 mm" in " ".join(page.inner_text("main").split())
    context.close()
