"""Letters as they would be: rendered from a folder of templates, not stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from email.utils import parseaddr
from textwrap import wrap
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from django.conf import settings
from django.template.loader import render_to_string

from fleet.models import Person, Site
from fleet.weeks import week_of
from scheduling import stop_links
from scheduling.letter_choices import HABITS

LINE = 76


@dataclass(frozen=True)
class Draft:
    """A letter as it would be, not stored.

    ``items`` is what the command's JSON lists; ``outlook`` is what the next letter of this kind compares
    itself with; ``calendar`` is the text of an attached calendar, empty for none.
    """

    person: Person
    kind: str
    week: str
    subject: str
    text: str
    html: str
    message_id: str
    occasion: str = ""
    items: list[dict[str, Any]] = field(default_factory=list)
    outlook: list[list[Any]] = field(default_factory=list)
    calendar: str = ""


def message_id(site: Site, person: Person, kind: str, week: str, occasion: str = "") -> str:
    """Return the Message-ID of a letter, known before it is stored and the same at every try.

    Mailboxes that fold repeats go by it, so it comes from what makes the letter one, not from a row number.
    """
    parts = (site.name, person.name, person.email.lower(), kind, week, *filter(None, [occasion]))
    name = uuid5(NAMESPACE_URL, "\n".join(parts))
    address = parseaddr(site.mail_sender or settings.DEFAULT_FROM_EMAIL)[1]
    return f"<letter-{name}@{address.rpartition('@')[2] or 'localhost'}>"


def draft(
    kind: str, person: Person, monday: date, context: Mapping[str, Any], occasion: str = "", **more: Any
) -> Draft:
    """Return a letter rendered from its folder of templates."""
    folder, week = f"letters/{kind}", week_of(monday)
    said = {
        "site": person.site,
        "person": person,
        "week": week,
        "monday": monday,
        "address": settings.SITE_ADDRESS,
        "habit": HABITS[kind],
        "stop_address": stop_links.address(person, kind),
        "choices_address": stop_links.choices_address(),
        **context,
    }
    return Draft(
        person=person,
        kind=kind,
        week=week,
        subject=" ".join(render_to_string(f"{folder}/subject.txt", said).split()),
        text=tidy(render_to_string(f"{folder}/body.txt", said)),
        html=render_to_string(f"{folder}/body.html", said),
        message_id=message_id(person.site, person, kind, week, occasion),
        occasion=occasion,
        **more,
    )


def wall_time(instant: datetime, site: Site) -> datetime:
    """Return an instant as the site's wall shows it, naive so that templates do not turn it once more."""
    return instant.astimezone(site.zone).replace(tzinfo=None)


def tidy(text: str) -> str:
    """Return text in lines that fit a narrow window, with one blank line at most between paragraphs."""
    lines: list[str] = []
    for raw in text.strip().splitlines():
        if raw.strip():
            lines += _wrapped(raw.rstrip())
        elif lines and lines[-1]:
            lines.append("")
    return "\n".join(lines) + "\n"


def _wrapped(line: str) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + (2 if line.lstrip().startswith("- ") else 0))
    return wrap(line, LINE, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
