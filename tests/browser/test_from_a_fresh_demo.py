"""The first evening: a semester planned, visits held, scenarios compared, a budget taken along.

Everything is found by the words that stand on the pages, as somebody without a manual finds it. The almanac
runs as the README starts it, in a process of its own with the worker in it, on an invented conservatory that
is smaller than the demo, and with less time to search for a plan.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from playwright.sync_api import Page

from tests import mail_server
from tests.browser.conftest import Visit
from tests.stage import staged, wait_for
from tests.test_up import READY

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# Forecasts and plans are made meanwhile, slowly where much else goes on.
PATIENCE_MS = 120_000
MORE, FEWER = "four hours more", "four hours fewer"


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[tuple[str, dict[str, str]]]:
    """Where a fresh almanac answers, and the passwords of its people by name."""
    port = mail_server.free_port()
    with staged(tmp_path) as stage:
        process = stage.python("-m", "tests.actor", "up_small", str(port))
        ready = READY.format(port=port)
        wait_for(lambda: ready in stage.log() or process.poll() is not None, seconds=240, why=stage.log)
        assert process.poll() is None, stage.log()
        passwords = next(line for line in stage.log().splitlines() if line.startswith('{"technician"'))
        yield f"http://127.0.0.1:{port}", json.loads(passwords)


def test_both_plan_a_semester_hold_two_visits_compare_scenarios_and_export_the_budget(
    browser, demo, tmp_path
):
    origin, passwords = demo
    for name in ("technician", "administrator"):
        context = browser.new_context(viewport={"width": 1280, "height": 800}, accept_downloads=True)
        context.set_default_timeout(PATIENCE_MS)
        seen = Visit(context.new_page(), origin)
        seen.watch()
        sign_in(seen, name, passwords[name])
        plan_a_semester(seen.page)
        hold_two_visits_and_approve(seen.page)
        compare_two_scenarios(seen.page, name)
        export_the_budget(seen.page, tmp_path)
        assert (seen.complaints, seen.strayed) == ([], [])
        context.close()


def sign_in(seen: Visit, name: str, password: str) -> None:
    seen.open("/")
    seen.page.get_by_label("Name").fill(name)
    seen.page.get_by_label("Password").fill(password)
    seen.page.locator("main").get_by_role("button", name="Sign in").click()
    seen.page.get_by_role("heading", name="This week", level=1).wait_for()


def follow(page: Page, name: str) -> None:
    page.get_by_role("navigation", name="Pages").get_by_role("link", name=name, exact=True).click()
    page.get_by_role("heading", name=name, level=1).wait_for()


def plan_a_semester(page: Page) -> None:
    follow(page, "Season plan")
    page.get_by_label("Weeks", exact=True).fill("18")
    page.get_by_role("button", name="Make a draft").click()
    page.get_by_role("heading", name="A draft season plan").wait_for()
    page.get_by_role("link", name="The draft is ready: read it").click()
    page.get_by_text("A draft, not yet approved.").wait_for()
    assert "18 weeks from" in page.locator("main").inner_text()


def hold_two_visits_and_approve(page: Page) -> None:
    """Without a word about a change that somebody else is said to have made meanwhile."""
    before = page.locator("table.season a.visit.held").count()
    for number in (0, 5):
        page.locator("table.season a.visit:not(.held, .dated)").nth(number).click()
        page.get_by_role("button", name="Hold it here").click()
        page.get_by_role("button", name="Release it").wait_for()
        page.get_by_role("link", name="Put it back").click()
        page.locator("#in-hand").wait_for(state="detached")
    assert page.locator("table.season a.visit.held").count() == before + 2
    assert page.locator("section#changes li").count() == 3  # both, and who asked for the draft
    page.get_by_role("button", name="Approve this plan").click()
    page.get_by_text("Approved: letters and the week go by this plan from now on.").wait_for()
    assert "People work by it in the weeks from" in page.locator("main").inner_text()


def compare_two_scenarios(page: Page, who: str) -> None:
    page.get_by_role("link", name=re.compile("^What if")).click()
    names = [f"{name} for the {who}" for name in (MORE, FEWER)]
    for hours, name in zip(("4", "-4"), names, strict=True):
        page.get_by_role("link", name="Ask something new").click()
        page.get_by_label("Name", exact=True).fill(name)
        page.get_by_label("Weeks", exact=True).fill("6")
        page.get_by_label("Hours a week more, or fewer with a minus").fill(hours)
        page.get_by_role("button", name="Compute it").click()
        page.get_by_role("checkbox", name=name).wait_for()
    for box in page.get_by_role("checkbox").all():
        box.set_checked(False)
    for name in names:
        page.get_by_role("checkbox", name=name).check()
    page.get_by_role("button", name="Set the ticked ones side by side").click()
    page.locator(f'table.compared:has(th:text-is("{names[1]}")):not(:has(thead th:nth-child(4)))').wait_for()
    offered = page.get_by_role("row", name=re.compile("^Hours offered")).locator("td").all_inner_texts()
    heads = page.locator("table.compared thead th").all_inner_texts()[1:]
    hours = dict(zip(heads, [float(cell.split()[0]) for cell in offered], strict=True))
    # Six weeks, four hours more in each of the one and four fewer in each of the other.
    assert hours[names[0]] - hours[names[1]] == pytest.approx(6 * 8, abs=0.1)  # shown to a tenth


def export_the_budget(page: Page, folder: Path) -> None:
    """Take the budget along in every form, and add up what is in the first two."""
    follow(page, "Budget")
    total = page.locator("table.budget tfoot td").nth(1).inner_text()
    found = re.search(r"([\d,.]+)\sh\s+([\d,.]+)\sEUR", total)
    assert found, total
    shown = tuple(Decimal(number.replace(",", "")) for number in found.groups())
    kept = {}
    for link in page.locator("p.take a").all():
        with page.expect_download() as waiting:
            link.click()
        path = folder / waiting.value.suggested_filename
        waiting.value.save_as(path)
        kept[path.suffix] = path.read_bytes()
    assert set(kept) == {".csv", ".xlsx", ".pdf", ".json"}
    rows = list(csv.DictReader(io.StringIO(kept[".csv"].decode("utf-8-sig"))))
    planned = [row for row in rows if row["stand"] == "planned"]
    assert len(planned) > 20
    assert tuple(sum(Decimal(row[name]) for row in planned) for name in ("hours", "cost_eur")) == shown
    book = openpyxl.load_workbook(io.BytesIO(kept[".xlsx"]), read_only=True, data_only=True)
    header, *entries = book["entries"].iter_rows(values_only=True)
    sheet = [dict(zip(header, entry, strict=True)) for entry in entries]
    for name, amount in zip(("hours", "cost_eur"), shown, strict=True):
        assert sum(Decimal(str(row[name])) for row in sheet if row["stand"] == "planned") == amount
    said: dict[str, Any] = json.loads(kept[".json"])["total"]["planned"]
    assert (Decimal(said["hours"]), Decimal(said["cost"])) == shown
    assert kept[".pdf"].startswith(b"%PDF")
