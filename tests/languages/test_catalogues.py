"""What is marked for translation is translated, with the same places for values, and compiled."""

from __future__ import annotations

import gettext
import re

import polib
import pytest

from tests.languages.conftest import CATALOGUES, catalogue
from tests.languages.marked import marked

PLACES = re.compile(r"%\((\w+)\)[-+ #0-9.]*([a-zA-Z])|%%")
AROUND = re.compile(r"^\s*|\s*$")


def places(text: str) -> set[tuple[str, str]]:
    return set(PLACES.findall(text))


def source_of(entry: polib.POEntry) -> str:
    return entry.msgid_plural or entry.msgid


def translations(entry: polib.POEntry) -> list[str]:
    return list(entry.msgstr_plural.values()) if entry.msgid_plural else [entry.msgstr]


@pytest.mark.parametrize(("app", "language"), CATALOGUES)
def test_nothing_is_left_to_translate_or_only_guessed(app, language):
    entries = polib.pofile(str(catalogue(app, language)))
    assert len(entries) > 100
    left = [entry.msgid for entry in entries if entry.fuzzy or not all(translations(entry))]
    assert not left, "\n".join(left)
    assert not entries.obsolete_entries()


@pytest.mark.parametrize(("app", "language"), CATALOGUES)
def test_a_translation_has_the_places_for_values_that_its_text_has(app, language):
    for entry in polib.pofile(str(catalogue(app, language))):
        known = places(entry.msgid) | places(entry.msgid_plural)
        for form, text in enumerate(translations(entry)):
            # The first of two forms may say “one” instead of the number.
            needed = set() if entry.msgid_plural and form == 0 else places(source_of(entry))
            assert needed <= places(text) <= known, (entry.msgid, text)
            if not entry.msgid_plural:
                assert AROUND.findall(entry.msgid)[0] == AROUND.findall(text)[0], (entry.msgid, text)


@pytest.mark.parametrize(("app", "language"), CATALOGUES)
def test_what_is_compiled_is_what_is_written(app, language):
    written = catalogue(app, language)
    with written.with_suffix(".mo").open("rb") as compiled:
        read = gettext.GNUTranslations(compiled)
    said = read._catalog  # type: ignore[attr-defined]
    expected: dict[object, str] = {}
    for entry in polib.pofile(str(written)):
        key = f"{entry.msgctxt}\x04{entry.msgid}" if entry.msgctxt else entry.msgid
        if entry.msgid_plural:
            expected |= {(key, form): text for form, text in entry.msgstr_plural.items()}
        else:
            expected[key] = entry.msgstr
    assert {key: text for key, text in said.items() if key} == expected, "run manage.py compilemessages"


@pytest.mark.parametrize("language", sorted({language for _, language in CATALOGUES}))
def test_every_marked_text_is_in_a_catalogue(language):
    known = {
        entry.msgid
        for app, code in CATALOGUES
        if code == language
        for entry in polib.pofile(str(catalogue(app, code)))
    }
    found = list(marked())
    assert len(found) > 1000
    # Django's own texts, such as names of months, are translated by Django.
    left = [f"{file}: {text}" for file, text in found if text and text not in known]
    assert not left, "run manage.py makemessages:\n" + "\n".join(left)


@pytest.mark.parametrize("language", sorted({language for _, language in CATALOGUES}))
def test_a_text_in_two_catalogues_says_the_same_in_both(language):
    said: dict[tuple[str | None, str], set[str]] = {}
    for app, code in CATALOGUES:
        for entry in polib.pofile(str(catalogue(app, code))) if code == language else ():
            said.setdefault((entry.msgctxt, entry.msgid), set()).add(translations(entry)[0])
    assert not {key: texts for key, texts in said.items() if len(texts) > 1}
