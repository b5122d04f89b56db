"""Every page there is, wide and narrow, by day and by night: it reads well, fits and stays at home."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

import pytest
import time_machine
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import override_settings

from tests.browser.test_pages_in_a_browser import AXE
from tests.doors import DOORS
from tests.house_with_doors import MORNING, Walk, ask, filled, path_of, prepare

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

CHECKER = Axe().axe_script
# What a page looks like by night differs in its colours alone.
BY_NIGHT = {**AXE, "runOnly": ["color-contrast"]}
SUMMED_UP = """options => axe.run(document, options).then(found => found.violations.map(
    one => `${one.id}: ${one.nodes.slice(0, 3).map(node => node.html.slice(0, 160)).join(" | ")}`))"""


@pytest.fixture
def walk(live_server, tmp_path) -> Iterator[Walk]:
    """A house with one of everything, on a day at which every link of it is still good."""
    with (
        override_settings(UPLOADS_DIR=tmp_path, ALLOWED_HOSTS=["localhost", "127.0.0.1"]),
        time_machine.travel(MORNING),
    ):
        logging.disable(logging.CRITICAL)
        yield prepare()
        logging.disable(logging.NOTSET)


def pages(walk: Walk) -> Iterator[tuple[str, str]]:
    """Name and address of everything that answers with a whole page."""
    for name, door in DOORS.items():
        path, query = path_of(name, door, walk.things), filled(door.query, walk.things)
        got = ask(walk, "administrator", "GET", path, query, headers={"host": "localhost"})
        if got.status == 200 and "<html" in got.text:
            asked = "&".join(f"{key}={value}" for key, value in query.items())
            yield name, f"{path}?{asked}" if asked else path


def faults(page: Any, name: str) -> Iterator[str]:
    """What is wrong with the open page, at both widths, by day and by night."""
    for width, scheme, rules in (
        (1280, "light", AXE),
        (1280, "dark", BY_NIGHT),
        (360, "dark", BY_NIGHT),
        (360, "light", AXE),
    ):
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)
        where = f"{name} at {width}, {scheme}"
        yield from (f"{where}: {fault}" for fault in page.evaluate(SUMMED_UP, rules))
        if not settles(page):
            yield f"{where}: wider than the window"


def settles(page: Any) -> bool:
    """Whether the page fits its window within five seconds: a figure follows the window a moment later."""
    for _ in range(50):
        if page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"):
            return True
        page.wait_for_timeout(100)
    return False


def test_nothing_is_wrong_with_any_page_for_whoever_reads_it(walk, visit):
    visit.page.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": walk.cookies["administrator"], "url": visit.origin}]
    )
    found: list[str] = []
    opened = 0
    for name, path in pages(walk):
        visit.page.goto(visit.origin + path)
        for drawing in visit.page.locator(".drawing").all():
            drawing.locator("svg.main-svg").first.wait_for()
        visit.page.evaluate(CHECKER)
        found += faults(visit.page, name)
        opened += 1
    assert opened > 40
    assert not found, "\n".join(found)
    assert visit.complaints == []
    assert visit.strayed == []
