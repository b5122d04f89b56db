"""The first evening: a semester planned, visits held, scenarios compared, a budget taken along.

Everything is found by the words that stand on the pages, as somebody without a manual finds it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests import mail_server
from tests.browser.conftest import Visit
from tests.browser.test_season_in_a_browser import well
from tests.stage import staged, wait_for
from tests.test_up import READY

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# A busy machine works out forecasts and plans slowly; on a quiet one each takes some seconds.
PATIENCE_MS = 300_000


@pytest.fixture(scope="module")
def demo(tmp_path_factory: Any) -> Iterator[tuple[str, dict[str, str]]]:
    """The embedded default, started as the README says, with the passwords it printed."""
    port = mail_server.free_port()
    with staged(tmp_path_factory.mktemp("demo")) as stage:
        process = stage.python("manage.py", "up", "--port", str(port))
        ready = READY.format(port=port)
        wait_for(lambda: ready in stage.log() or process.poll() is not None, seconds=900, why=stage.log)
        assert process.poll() is None, stage.log()
        told = dict(re.findall(r"^  (\w+) +password (\S+) \(told only now\)", stage.log(), re.MULTILINE))
        yield f"http://127.0.0.1:{port}", told


def someone(browser: Any, demo: tuple[str, dict[str, str]], name: str) -> Visit:
    """A browser of somebody's own, signed in."""
    origin, passwords = demo
    context = browser.new_context(viewport={"width": 1280, "height": 800}, accept_downloads=True)
    context.set_default_timeout(PATIENCE_MS)
    seen = Visit(context.new_page(), origin)
    seen.watch()
    seen.open("/")
    seen.page.get_by_label("Name").fill(name)
    seen.page.get_by_label("Password").fill(passwords[name])
    seen.page.locator("main").get_by_role("button", name="Sign in").click()
    seen.page.get_by_role("heading", name="This week", level=1).wait_for()
    return seen


def follow(seen: Visit, name: str) -> None:
    seen.page.get_by_role("navigation", name="Pages").get_by_role("link", name=name, exact=True).click()
    seen.page.get_by_role("heading", name=name, level=1).wait_for()


def plan_a_semester(seen: Visit) -> None:
    page = seen.page
    follow(seen, "Season plan")
    page.get_by_label("Weeks", exact=True).fill("18")
    page.get_by_role("button", name="Make a draft").click()
    page.get_by_role("heading", name="A draft season plan").wait_for()
    page.get_by_role("link", name="The draft is ready: read it").click()
    page.get_by_text("A draft, not yet approved.").wait_for()
    assert "18 weeks from" in page.locator("main").inner_text()


def hold_two_visits(seen: Visit) -> None:
    page = seen.page
    before = page.locator("table.season a.visit.held").count()
    for number in (0, 1):
        page.locator("table.season a.visit:not(.held, .dated)").nth(5 * number).click()
        page.get_by_role("button", name="Hold it here").click()
        page.get_by_role("button", name="Release it").wait_for()
        well(seen, "a visit in hand")
        page.get_by_role("link", name="Put it back").click()
        page.locator("#in-hand").wait_for(state="detached")
    assert page.locator("table.season a.visit.held").count() == before + 2
    page.get_by_role("button", name="Approve this plan").click()
    page.get_by_text("People work by it in the weeks from").wait_for()


def ask_for_hours(seen: Visit, hours: str, name: str) -> None:
    page = seen.page
    page.get_by_role("link", name="Ask something new").click()
    page.get_by_label("Name", exact=True).fill(name)
    page.get_by_label("Weeks", exact=True).fill("6")
    page.get_by_label("Hours a week more, or fewer with a minus").fill(hours)
    well(seen, "a new scenario")
    page.get_by_role("button", name="Compute it").click()
    page.get_by_role("checkbox", name=name).wait_for()


def compare_two_scenarios(seen: Visit, who: str) -> None:
    page, more, fewer = seen.page, f"Four hours more ({who})", f"Four hours fewer ({who})"
    follow(seen, "Season plan")
    page.get_by_role("link", name=re.compile("^What if")).click()
    for hours, name in (("4", more), ("-4", fewer)):
        ask_for_hours(seen, hours, name)
    for box in page.get_by_role("checkbox").all():
        box.set_checked(False)
    for name in (more, fewer):
        page.get_by_role("checkbox", name=name).check()
    page.get_by_role("button", name="Set the ticked ones side by side").click()
    side = page.locator("table.compared")
    side.locator("thead th").nth(2).wait_for()
    heads = [cell.inner_text() for cell in side.locator("thead th").all()]
    assert set(heads[1:]) == {more, fewer}
    offered = side.get_by_role("row", name=re.compile("^Hours offered")).locator("td").all_inner_texts()
    hours = {
        name: float(cell.split()[0].replace(",", "")) for name, cell in zip(heads[1:], offered, strict=True)
    }
    # Six weeks, four hours more in each of the one and four fewer in each of the other.
    assert hours[more] - hours[fewer] == pytest.approx(6 * 8, abs=0.6)
    well(seen, "scenarios side by side")


def export_the_budget(seen: Visit, folder: Path) -> None:
    page = seen.page
    follow(seen, "Budget")
    well(seen, "the budget")
    links = page.locator("p.take a")
    kept = {}
    for link in links.all():
        with page.expect_download() as waiting:
            link.click()
        path = folder / waiting.value.suggested_filename
        waiting.value.save_as(path)
        kept[path.suffix] = path.read_bytes()
    assert {".csv", ".xlsx", ".pdf", ".json"} <= set(kept)
    assert kept[".pdf"].startswith(b"%PDF")
    assert kept[".xlsx"].startswith(b"PK")
    rows = list(csv.reader(io.StringIO(kept[".csv"].decode("utf-8-sig"))))
    assert len(rows) > 100
    assert {len(row) for row in rows} == {len(rows[0])}


@pytest.mark.parametrize("name", ["technician", "administrator"])
def test_a_semester_is_planned_visits_held_scenarios_compared_and_the_budget_exported(
    browser, demo, tmp_path, name
):
    seen = someone(browser, demo, name)
    try:
        well(seen, "this week")
        plan_a_semester(seen)
        hold_two_visits(seen)
        compare_two_scenarios(seen, name)
        export_the_budget(seen, tmp_path)
        assert seen.complaints == []
        assert seen.strayed == []
    finally:
        seen.page.context.close()
