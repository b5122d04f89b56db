"""Every page is read in German: no English text of ours is left, and no number is written wrongly."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from html import unescape

import pytest
import time_machine
from django.db import transaction
from django.test import override_settings

from fleet.models import Membership
from tests.doors import DOORS
from tests.house_with_doors import MORNING, Walk, ask, filled, path_of, prepare

pytestmark = pytest.mark.django_db

LEAST_WORDS = 3  # what is shorter may stand in somebody's own words
SPOKEN = re.compile(r'(?:aria-label|title|alt|placeholder|data-[a-z-]+)="([^"]*)"')
MARKUP = re.compile(r"<script\b.*?</script>|<style\b.*?</style>|<[^>]+>", re.DOTALL)
DRAWN = re.compile(r'\s(?:[xyrd]|[xy][12]|c[xy]|width|height|points|viewBox|data-hz|min|max|step)="([^"]*)"')
TYPED = re.compile(r'<input\b(?=[^>]*type="number")[^>]*value="\d+,[^>]*>')


@pytest.fixture(scope="module")
def walk(django_db_setup, django_db_blocker, tmp_path_factory) -> Iterator[Walk]:
    """One house for the whole module, whose people read German."""
    with (
        django_db_blocker.unblock(),
        override_settings(UPLOADS_DIR=tmp_path_factory.mktemp("uploads")),
        time_machine.travel(MORNING, tick=False),
        transaction.atomic(),
    ):
        logging.disable(logging.CRITICAL)
        made = prepare()
        Membership.objects.update(language="de")
        yield made
        logging.disable(logging.NOTSET)
        transaction.set_rollback(True)


@pytest.fixture(scope="module")
def pages(walk) -> dict[str, str]:
    """What every door says to an administrator, or to whoever it is open to, in German."""
    found = {}
    for name, door in DOORS.items():
        path, query = path_of(name, door, walk.things), filled(door.query, walk.things)
        got = ask(walk, "administrator", "GET", path, query, headers={"accept-language": "de"})
        if got.status == 200 and "text/html" in got.headers:
            found[name] = got.text
    return found


def told(page: str) -> str:
    """All that a page says to eye and ear, in one line."""
    spoken = " ".join(SPOKEN.findall(page))
    return " ".join(unescape(f"{MARKUP.sub(' ', page)} {spoken}").split())


def as_pattern(text: str) -> re.Pattern[str]:
    """A text as it would stand on a page, anything in the places of its values."""
    parts = re.split(r"%\(\w+\)[-+ #0-9.]*[a-zA-Z]", MARKUP.sub(" ", text).replace("%%", "%"))
    return re.compile(r".{1,60}?".join(re.escape(" ".join(unescape(part).split())) for part in parts))


def test_no_english_text_of_ours_is_left_on_any_page(pages, german):
    assert len(pages) > 40
    ours = [
        (text, as_pattern(text))
        for entry in german
        for text, said in [(entry.msgid, entry.msgstr), (entry.msgid_plural, entry.msgstr_plural.get(1, ""))]
        if text != said and len(re.findall(r"[A-Za-z]{2,}", re.sub(r"%\(\w+\)", "", text))) >= LEAST_WORDS
    ]
    assert len(ours) > 600
    whole = {name: told(page) for name, page in pages.items()}
    left = []
    for text, pattern in ours:
        longest = max(re.split(r"\.\{1,60\}\?", pattern.pattern), key=len)
        plain = re.sub(r"\\(.)", r"\1", longest).strip()
        left += [f"{name}: {text}" for name, page in whole.items() if plain in page and pattern.search(page)]
    assert not left, "\n".join(left)


def test_every_page_says_that_it_is_german(pages):
    assert not [name for name, page in pages.items() if "<html" in page and '<html lang="de">' not in page]


def test_what_is_drawn_or_typed_keeps_its_decimal_point(pages):
    wrong = []
    for name, page in pages.items():
        drawn = [value for value in DRAWN.findall(page) if re.search(r"\d,\d", value) and "." not in value]
        wrong += [f"{name}: {value}" for value in (*drawn, *TYPED.findall(page))]
    assert not wrong, "\n".join(wrong)
