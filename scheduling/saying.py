"""Sentences as they are stored, and said again in the language of whoever reads them."""

from __future__ import annotations

import json
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.db import models
from django.utils import translation
from django.utils.formats import date_format, get_format
from django.utils.translation import get_language, gettext, ngettext

from scheduling.engine.said import Figure, On, Said, Sayable, Term, Value

MARK = "said"
KEPT = 8192  # a season's reasons, so that a page does not put each together again


def in_words_of(language: str) -> translation.override:
    """Put a person's language in force; empty is the installation's."""
    return translation.override(language or settings.LANGUAGE_CODE)


def again(said: Said) -> Said:
    """Say a sentence once more in the language in force, and so all the sentences it is made of."""
    source = said.source
    if source.many:
        words = ngettext(source.words, source.many, source.number)
    else:
        words = gettext(source.words) if source.words else ""
    values = {name: _written(value) for name, value in source.values.items()}
    return Said(words % values if values else words, source)


def _written(value: Value) -> str:
    if isinstance(value, Said):
        return again(value)
    if isinstance(value, Figure):
        return format(value.value, value.spec).replace(".", str(get_format("DECIMAL_SEPARATOR")))
    if isinstance(value, On):
        return date_format(value.day, day_style(value.style))
    if isinstance(value, Term):
        return gettext(value.word) if value.word else ""
    if isinstance(value, date):
        return date_format(value, day_style("long"))
    return str(value)


def day_style(style: str) -> str:
    """Return how this language writes a day, as Django's date format."""
    return {
        "long": gettext("j F Y"),
        "weekday": gettext("l j F"),
        "short": gettext("D j M"),
        "short time": gettext("D j M H:i"),
        "day time": gettext("d F, H:i"),
        "day": gettext("j F"),
        "day of month": gettext("d F"),
        "time": "H:i",
    }[style]


def packed(said: str) -> Any:
    """Return a sentence as JSON keeps it; a text without its making stays text."""
    if not isinstance(said, Said):
        return said
    source = said.source
    row: dict[str, Any] = {MARK: source.words}
    if source.values:
        row["with"] = {name: _packed_value(value) for name, value in source.values.items()}
    return row | ({"many": source.many, "number": source.number} if source.many else {})


def _packed_value(value: Value) -> Any:
    if isinstance(value, Said):
        return packed(value)
    if isinstance(value, Figure):
        return {"figure": value.value, "spec": value.spec}
    if isinstance(value, On):
        return {"on": value.day.isoformat(), "style": value.style}
    if isinstance(value, Term):
        return {"term": value.word}
    return {"on": value.isoformat(), "style": "long"} if isinstance(value, date) else value


def unpacked(row: Any) -> Any:
    """Return a sentence from its JSON, said in the language in force; anything else as it is."""
    return again(_unpacked(row)) if isinstance(row, dict) and MARK in row else row


def _unpacked(row: dict[str, Any]) -> Said:
    values = {name: _unpacked_value(value) for name, value in row.get("with", {}).items()}
    return Said("", Sayable(row[MARK], values, row.get("many", ""), row.get("number", 1)))


def _unpacked_value(value: Any) -> Value:
    if not isinstance(value, dict):
        return value  # type: ignore[no-any-return]
    if MARK in value:
        return _unpacked(value)
    if "figure" in value:
        return Figure(value["figure"], value["spec"])
    if "on" in value:
        at = datetime.fromisoformat(value["on"]) if "T" in value["on"] else date.fromisoformat(value["on"])
        return On(at, value["style"])
    return Term(value["term"])


@lru_cache(maxsize=KEPT)
def _read(text: str, language: str | None) -> str:
    return unpacked(json.loads(text))  # type: ignore[no-any-return]


class SaidField(models.TextField):  # type: ignore[type-arg]
    """A text that is stored with what it was made of, and read in the language in force."""

    def deconstruct(self) -> Any:
        """Be a text column like any other to migrations."""
        name, _path, args, options = super().deconstruct()
        return name, "django.db.models.TextField", args, options

    def get_prep_value(self, value: Any) -> Any:
        """Return what the column holds."""
        made = isinstance(value, Said)
        return json.dumps(packed(value), ensure_ascii=False) if made else super().get_prep_value(value)

    def from_db_value(self, value: str | None, expression: Any, connection: Any) -> str | None:
        """Return the text in the language in force."""
        if value is None or not value.startswith('{"' + MARK):
            return value
        return _read(value, get_language())


class SaidJSONField(models.JSONField):
    """Lists and rows some of whose texts are sentences, stored and read like those of ``SaidField``."""

    def deconstruct(self) -> Any:
        """Be a JSON column like any other to migrations."""
        name, _path, args, options = super().deconstruct()
        return name, "django.db.models.JSONField", args, options

    def get_prep_value(self, value: Any) -> Any:
        """Return what the column holds."""
        return super().get_prep_value(_each(value, packed))

    def from_db_value(self, value: Any, expression: Any, connection: Any) -> Any:
        """Return lists and rows with their sentences in the language in force."""
        return _each(super().from_db_value(value, expression, connection), unpacked)


def _each(value: Any, change: Any) -> Any:
    if isinstance(value, dict) and MARK not in value:
        return {name: _each(one, change) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_each(one, change) for one in value]
    return change(value)
