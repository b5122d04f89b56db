"""Files of open data brought to the page in a real browser, and the pages of the air, wide and narrow.

Outdoor air: Greensboro NC, typical meteorological year TMY3 723170 (US Government), as packaged with pvlib.
Indoor air: an office, every sixteenth minute, as packaged with river; Candanedo and Feldheim (2016).
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pvlib
import pytest
from axe_playwright_python.sync_playwright import Axe
from river.drift.datasets import Occupancy

from fleet import upload_storing
from fleet.models import ReadingsUpload
from tests.browser.test_pages_in_a_browser import AXE, sign_in
from tests.reports.house import House, make_house

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
]
OUTDOORS = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"


@pytest.fixture
def house(live_server, settings, tmp_path) -> House:
    settings.UPLOADS_DIR = tmp_path
    house = make_house(datetime.now().date(), instruments=3)
    house.administrator.username = "administrator"
    house.administrator.save()
    return house


def reads_well(visit, name: str) -> None:
    found = Axe().run(visit.page, options=AXE)
    assert found.violations_count == 0, f"{name}: {found.generate_report()}"
    for width in (360, 1280):
        visit.page.set_viewport_size({"width": width, "height": 800})
        # A figure follows the window a moment later.
        visit.page.wait_for_timeout(300)
        assert visit.overflow() <= 0, f"{name} is wider than {width} pixels"


def bring(visit, path: Path, room: int) -> ReadingsUpload:
    visit.open("/uploads/")
    visit.page.set_input_files("#file", str(path))
    visit.page.select_option("#room", str(room))
    with visit.arriving():
        visit.page.click("main form button")
    return ReadingsUpload.objects.latest("pk")


def store(visit, upload: ReadingsUpload) -> None:
    """Press the button, let a worker work, and wait until the page has noticed by itself."""
    visit.page.click("button[value=store]")
    visit.page.get_by_text("Waiting for its turn").wait_for()
    upload_storing.store(upload.pk)
    visit.page.get_by_text("readings are new").wait_for()


def test_open_data_go_through_the_page(visit, house):
    room = house.rooms[0]
    room.readings.all().delete()
    sign_in(visit)

    upload = bring(visit, OUTDOORS, room.pk)
    # Its hours are standard time all year, which the site's clock skips in spring.
    visit.page.get_by_text("a time that the clocks skip").first.wait_for()
    visit.page.select_option("#clock", "-05:00")
    with visit.arriving():
        visit.page.click("button[value=look]")
    visit.page.locator("svg.main-svg").first.wait_for()
    reads_well(visit, "a file that can be stored")
    store(visit, upload)
    assert room.readings.count() == 8760

    office = Path(Occupancy().path)
    upload = bring(visit, office, room.pk)
    visit.page.get_by_text("Which column is the temperature").wait_for()
    assert visit.page.locator("button[value=store]").count() == 0
    reads_well(visit, "a file that asks")
    visit.page.select_option("#meaning_1", "temperature_c")
    visit.page.select_option("#meaning_2", "humidity_percent")
    with visit.arriving():
        visit.page.click("button[value=look]")
    store(visit, upload)
    assert room.readings.count() == 8760 + 509

    bring(visit, office, room.pk)
    visit.page.get_by_text("Read as the last file with these columns was.").wait_for()
    assert "509" in visit.page.locator("section table").inner_text()
    visit.page.click("text=Give this file up")
    visit.page.get_by_text("Nothing of it is stored").wait_for()
    assert visit.complaints == []
    assert visit.strayed == []


@pytest.mark.parametrize("visit", [(1280, "dark")], indirect=True, ids=["dark"])
def test_the_pages_of_the_air_read_well(visit, house):
    sign_in(visit)
    room = house.rooms[0].pk
    for path in (f"/rooms/{room}/climate/", "/rooms/compare/", "/sensors/", "/ways-in/", "/uploads/"):
        visit.open(path)
        for summary in visit.page.locator("main summary").all():
            summary.click()
        reads_well(visit, path)
    visit.open(f"/rooms/{room}/?span=week")
    visit.page.locator("svg.main-svg").first.wait_for()
    assert visit.complaints == []
