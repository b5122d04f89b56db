"""The frame around every page: landmarks, and nothing that the content security policy would refuse."""

from __future__ import annotations

import re

import pytest
from django.contrib.staticfiles import finders
from plotly.offline import get_plotlyjs_version

PATHS = (
    "/",
    "/instruments/",
    "/instruments/{instrument}/",
    "/forecasts/score/",
    "/rooms/",
    "/rooms/{room}/",
    "/week/",
    "/season/",
    "/requests/",
)


@pytest.fixture
def texts(read, house):
    ids = {"instrument": house.instruments[0].pk, "room": house.rooms[2].pk}
    return {path: read(path.format(**ids), house.administrator) for path in PATHS}


def test_pages_hold_no_inline_style_or_script(texts):
    for path, text in texts.items():
        assert not re.search(r"<[^>]+\sstyle\s*=", text), path
        assert not re.search(r"<[^>]+\son[a-z]+\s*=", text), path
        assert "<style" not in text, path
        assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text)), path


def test_pages_ask_for_nothing_outside(texts):
    for path, text in texts.items():
        assert not re.search(r"""(src|href|action)=["'](https?:)?//""", text), path


def test_pages_have_their_landmarks_and_one_heading(texts):
    for path, text in texts.items():
        assert len(re.findall(r"<h1", text)) == 1, path
        for landmark in ("<header", "<nav", "<main", "<footer"):
            assert landmark in text, path
        assert '<a class="skip" href="#content">' in text


def test_tables_have_captions_and_their_headings_a_direction(texts):
    for path, text in texts.items():
        assert len(re.findall(r"<table", text)) == len(re.findall(r"<caption", text)), path
        assert all("scope=" in tag for tag in re.findall(r"<th\b[^>]*>", text)), path


def test_the_page_being_read_is_marked_in_the_list_of_pages(texts):
    for path, title in (
        ("/", "This week"),
        ("/instruments/{instrument}/", "Instruments"),
        ("/week/", "Week plan"),
        ("/season/", "Season plan"),
    ):
        assert re.findall(r'aria-current="page">([^<]+)<', texts[path]) == [title]


def test_the_policy_goes_out_with_every_page(client, house):
    client.force_login(house.technician)
    assert "default-src 'self'" in client.get("/").headers["Content-Security-Policy"]


def test_only_pages_that_draw_fetch_the_figure_library(texts):
    drawing = {path for path, text in texts.items() if "plotly.min.js" in text}
    assert drawing == {"/instruments/{instrument}/", "/rooms/{room}/"}


def test_the_figure_library_comes_from_its_wheel():
    found = finders.find("plotly/plotly.min.js")
    with open(found, encoding="utf-8") as file:
        assert f"plotly.js v{get_plotlyjs_version()}" in file.read(200)
    assert finders.find("plotly/other.js") is None
