"""A player reports D♯3: by touch on a phone, by keyboard alone, without scripts, on a slow line, twice."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe

from fleet.models import NoteRequest
from tests import factories as make
from tests.browser.test_pages_in_a_browser import AXE

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PHONE = pytest.mark.parametrize("visit", [(360, "light")], indirect=True, ids=["360"])
# Notes every frequency that the page lets sound.
LISTEN = """
  window.heard = [];
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (...when) { window.heard.push(this.frequency.value); return start.apply(this, when); };
"""  # noqa: E501
# The smallest side of every key in sight [CSS px]; WCAG 2.2, 2.5.8 asks for 24.
SMALLEST = """Math.min(...[...document.querySelectorAll('.octave:not([hidden]) .key')].flatMap(
  (key) => { const box = key.getBoundingClientRect(); return [box.width, box.height]; }))"""
D_SHARP_3, E3 = 155.563, 164.814  # equal temperament on A4 = 440 Hz (ISO 16), to three decimals


@pytest.fixture
def grand(live_server):
    return make.make_instrument(make.make_room(make.make_site(), "Elm Hall"), "G-1", "grand")


def stored() -> list[tuple[list[str], str]]:
    return list(NoteRequest.objects.values_list("notes", "symptom"))


def axe_finds_nothing(page) -> None:
    found = Axe().run(page, options=AXE)
    assert found.violations_count == 0, found.generate_report()


def heading(page, text: str) -> None:
    page.get_by_role("heading", level=1, name=text).wait_for()


@pytest.mark.parametrize("visit", [(360, "light"), (1280, "dark")], indirect=True, ids=["360", "dark"])
def test_by_touch_with_every_key_large_enough_and_both_neighbours_to_hear(visit, grand):
    page = visit.page
    page.add_init_script(LISTEN)
    visit.open(f"/i/{grand.public_id}")
    assert page.locator(".octave:visible").count() == 1
    assert page.evaluate(SMALLEST) >= 24
    axe_finds_nothing(page)
    page.click(".overview a:has-text('C3–B3')")
    assert page.evaluate(SMALLEST) >= 24
    page.click(".octave:visible button:has-text('D♯3')")
    heading(page, "Is it D♯3, or a neighbour?")
    # Drawn between D3 and E3, and the slip of a semitone that follows is caught.
    assert [name.strip() for name in page.locator(".trio .name").all_inner_texts()] == ["D3", "D♯3", "E3"]
    page.click("[data-hear]:has-text('E3')")
    axe_finds_nothing(page)
    assert page.evaluate("window.heard.map((hz) => Math.round(hz * 1000) / 1000)") == [D_SHARP_3, E3]
    page.click("text=No, E3")
    heading(page, "Is it E3, or a neighbour?")
    page.click("text=No, D♯3")
    heading(page, "Is it D♯3, or a neighbour?")
    page.click("text=Yes, D♯3")
    heading(page, "One note is on your list")
    axe_finds_nothing(page)
    page.click("text=That is all")
    heading(page, "What is the trouble?")
    axe_finds_nothing(page)
    page.click("text=too weak or dull")
    page.click("button:has-text('Send')")
    heading(page, "Thank you")
    axe_finds_nothing(page)
    assert visit.overflow() <= 0
    assert stored() == [(["D#3"], "too weak or dull")]
    # The button pressed once more on the page before.
    page.go_back()
    page.click("button:has-text('Send')")
    heading(page, "Thank you")
    assert len(stored()) == 1
    assert visit.complaints == []
    assert visit.strayed == []


@PHONE
def test_by_the_keyboard_alone(visit, grand):
    page = visit.page
    page.add_init_script(LISTEN)
    visit.open(f"/i/{grand.public_id}")
    press = page.keyboard.press

    def tab_to(text: str) -> None:
        for _ in range(40):
            press("Tab")
            if re.search(
                text, page.evaluate("document.activeElement.innerText || document.activeElement.value")
            ):
                return
        raise AssertionError(f"no way to {text} by the tabulator")

    tab_to("^C4$")
    press("ArrowDown")  # an octave down
    for _ in range(3):
        press("ArrowRight")
    assert page.evaluate("document.activeElement.innerText") == "D♯3"
    assert page.evaluate("window.heard.length") == 4
    press("Enter")
    heading(page, "Is it D♯3, or a neighbour?")
    tab_to("^Yes, D♯3$")
    press("Enter")
    heading(page, "One note is on your list")
    tab_to("^That is all")
    press("Enter")
    heading(page, "What is the trouble?")
    tab_to("^tune$")
    press("Space")
    tab_to("^Send$")
    press("Enter")
    heading(page, "Thank you")
    assert stored() == [(["D#3"], "out of tune")]


@PHONE
def test_sound_is_a_choice_that_stays(visit, grand):
    page = visit.page
    page.add_init_script(LISTEN)
    visit.open(f"/i/{grand.public_id}")
    page.click("[data-sound]")
    page.click(".octave:visible button:has-text('E4')")
    heading(page, "Is it E4, or a neighbour?")
    page.reload()
    page.click("[data-hear]:has-text('F4')")
    assert page.evaluate("window.heard") == []
    assert page.get_attribute("[data-sound]", "aria-pressed") == "false"


@PHONE
def test_it_works_while_scripts_are_still_on_their_way(visit, grand):
    page = visit.page
    held = []
    page.route("**/*.js", lambda route: held.append(route))  # never answered
    page.goto(f"{visit.origin}/i/{grand.public_id}", wait_until="commit")
    page.click("#octave-3 button:has-text('D♯3')")
    heading(page, "Is it D♯3, or a neighbour?")
    assert held
    page.click("text=Yes, D♯3")
    page.click("text=That is all")
    page.click("text=buzzes or rattles")
    page.click("button:has-text('Send')")
    heading(page, "Thank you")
    assert stored() == [(["D#3"], "buzzes or rattles")]


def test_without_any_script_the_whole_keyboard_lies_open(browser, live_server, grand):
    context = browser.new_context(viewport={"width": 360, "height": 800}, java_script_enabled=False)
    context.set_default_timeout(20_000)
    page = context.new_page()
    page.goto(f"{live_server.url}/i/{grand.public_id}")
    assert page.locator(".octave:visible").count() == 8
    assert page.locator("[data-sound]:visible").count() == 0
    for octave, note in (("3", "D♯3"), ("7", "C8")):
        if note == "C8":
            page.click("text=Another note")
        page.click(f".overview a[href='#octave-{octave}']")
        page.click(f"#octave-{octave} button:has-text('{note}')")
        page.click(f"text=Yes, {note}")
    page.click("text=That is all")
    page.click("text=sticks or comes back slowly")
    page.fill("#words", "since Monday")
    page.click("button:has-text('Send')")
    heading(page, "Thank you")
    context.close()
    assert stored() == [(["D#3", "C8"], "sticks or comes back slowly")]
    assert NoteRequest.objects.get().words == "since Monday"


def test_the_technician_answers_and_prints_a_label(visit, grand):
    page = visit.page
    make.make_request(grand, ("D#3", "F6"), symptom="buzzes")
    make.make_user(grand.site, username="ida")
    visit.open("/login/")
    page.fill("#id_username", "ida")
    page.fill("#id_password", "a long word")
    page.click("main button")
    visit.open("/requests/")
    page.click("text=Answer >> visible=true")
    heading(page, "D♯3 F6")
    axe_finds_nothing(page)
    page.click("text=put right")
    page.fill("#finding", "a pencil")
    page.click("text=Close the request")
    page.get_by_role("status").filter(has_text="The request is closed").wait_for()
    page.click("text=Print labels")
    page.click("text=All rooms")
    page.locator(".labels svg").wait_for()
    axe_finds_nothing(page)
    page.set_viewport_size({"width": 360, "height": 800})
    assert visit.overflow() <= 0
    assert visit.complaints == []
