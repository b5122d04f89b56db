"""Composing letters: the due-work letter of each technician and week, frozen into rows of the outbox."""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from email.utils import parseaddr
from itertools import groupby
from textwrap import wrap
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from django.conf import settings
from django.db import transaction
from django.template.loader import render_to_string

from fleet.models import Person, Site
from fleet.weeks import week_of
from scheduling.due_work import Job, Stop, Week, hours_in_words, read_week
from scheduling.models import Letter

KIND = "due_work"
FOLDER = "letters/due_work"
LINE = 76

# Shown where the week's work calls for them; common practice, no source.
CAUTIONS = {
    "bedding": "Grands, lids and actions are heavy: two people, lids and brakes secured.",
    "regulation": "An action out of its case is heavy and tips: two people, a clear bench.",
    "tuning": "The strings hold many tonnes: keep your face out of their plane when one may break, and "
    "protect your hearing in long loud work.",
    "voicing": "Hardeners and solvents burn and their fumes harm: ventilate, no ignition source, follow the "
    "safety data sheet, and let it dry before you judge.",
}


@dataclass(frozen=True)
class Draft:
    """A letter as it would be, not stored."""

    person: Person
    week: str
    subject: str
    text: str
    html: str
    items: list[dict[str, Any]]
    message_id: str


def message_id(site: Site, person: Person, kind: str, week: str) -> str:
    """Return the Message-ID of a letter, known before it is stored and the same at every try.

    Mailboxes that fold repeats go by it, so it comes from what makes the letter one, not from a row number.
    """
    name = uuid5(NAMESPACE_URL, "\n".join((site.name, person.name, person.email.lower(), kind, week)))
    address = parseaddr(site.mail_sender or settings.DEFAULT_FROM_EMAIL)[1]
    return f"<letter-{name}@{address.rpartition('@')[2] or 'localhost'}>"


def compose(site: Site, monday: date, today: date) -> list[Draft]:
    """Return the due-work letters of a week as they would be; nothing is stored."""
    return _drafts(read_week(site, monday, today), ())


def _drafts(week: Week, done: Container[int]) -> list[Draft]:
    """Return the letters of those who have none yet."""
    return [draft for person in week.people if person.pk not in done and (draft := _draft(week, person))]


def _draft(week: Week, person: Person) -> Draft | None:
    """Return a person's letter, None where there is neither work nor request nor warning."""
    context = _context(week, person)
    if not (context["stops"] or context["nobodys"] or context["other_requests"] or context["silences"]):
        return None
    name = week_of(week.monday)
    return Draft(
        person=person,
        week=name,
        subject=" ".join(render_to_string(f"{FOLDER}/subject.txt", context).split()),
        text=_tidy(render_to_string(f"{FOLDER}/body.txt", context)),
        html=render_to_string(f"{FOLDER}/body.html", context),
        items=[_item(stop, job) for stop in context["stops"] for job in stop.jobs],
        message_id=message_id(week.site, person, KIND, name),
    )


def _context(week: Week, person: Person) -> dict[str, Any]:
    stops, nobodys, others = week.stops_of(person), week.nobodys_stops(), week.other_requests()
    jobs = [job for stop in stops for job in stop.jobs]
    return {
        "site": week.site,
        "person": person,
        "week": week_of(week.monday),
        "monday": week.monday,
        "today": week.today,
        "plan": week.plan,
        "approved_on": week.site.local_date(week.plan.approved_at)
        if week.plan and week.plan.approved_at
        else None,
        "made_on": week.site.local_date(week.plan.made_at) if week.plan else None,
        "stops": stops,
        "rooms": by_room(stops),
        "visits": len(jobs),
        "hours": hours_in_words(sum(job.hours for job in jobs)),
        "requests": sum(len(stop.requests) for stop in (*stops, *nobodys, *others)),
        "nobodys": nobodys,
        "other_requests": others,
        "silences": week.silences,
        "put_off": week.put_off,
        "concerts": [(concert, wall_time(concert.starts_at, week.site)) for concert in week.concerts],
        "cautions": [words for kind, words in CAUTIONS.items() if any(job.service == kind for job in jobs)],
        "address": settings.SITE_ADDRESS,
    }


def wall_time(instant: datetime, site: Site) -> datetime:
    """Return an instant as the site's wall shows it, naive so that templates do not turn it once more."""
    return instant.astimezone(site.zone).replace(tzinfo=None)


def by_room(stops: Iterable[Stop]) -> list[tuple[Any, list[Stop]]]:
    """Return stops, which are in walking order, room by room."""
    return [(room, list(there)) for room, there in groupby(stops, key=lambda stop: stop.instrument.room)]


def _item(stop: Stop, job: Job) -> dict[str, Any]:
    """Return one visit as the letter's row and the command's JSON keep it."""
    forecast, room = job.forecast, stop.instrument.room
    due = (forecast.due_early, forecast.due_middle, forecast.due_late) if forecast else (None,) * 3
    return {
        "instrument": stop.instrument.tag,
        "description": stop.description,
        "building": room.building,
        "room": room.name,
        "service": job.service,
        "hours": job.hours,
        "reason": job.reason,
        "held": job.held,
        "state": forecast.get_state_display() if forecast else None,
        "due": {
            name: day.isoformat() if day else None
            for name, day in zip(("p10", "p50", "p90"), due, strict=True)
        },
        "requests": [
            {
                "notes": [note for note, _ in request.notes],
                "symptom": request.symptom,
                "words": request.words,
                "made_on": request.made_on.isoformat(),
            }
            for request in stop.requests
        ],
    }


def _tidy(text: str) -> str:
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


def put_in_outbox(site: Site, monday: date, today: date, now: datetime) -> list[Letter]:
    """Store the letters of a week that have no row yet and return all of that week, the old ones as they are.

    Two who do this at once store one row: the second insert of the same person, kind and week is ignored.
    """
    done = {letter.person_id for letter in stored(site, monday)}
    drafts = _drafts(read_week(site, monday, today), done)
    year, number, _ = monday.isocalendar()
    with transaction.atomic():
        Letter.objects.bulk_create(
            (
                Letter(
                    person=draft.person,
                    kind=KIND,
                    iso_year=year,
                    iso_week=number,
                    to=draft.person.email,
                    subject=draft.subject,
                    text=draft.text,
                    html=draft.html,
                    items=draft.items,
                    message_id=draft.message_id,
                    made_at=now,
                    next_try_at=now,
                )
                for draft in drafts
            ),
            ignore_conflicts=True,
        )
    return stored(site, monday)


def stored(site: Site, monday: date) -> list[Letter]:
    """Return the due-work letters of a week that have a row."""
    year, number, _ = monday.isocalendar()
    rows = Letter.objects.filter(person__site=site, kind=KIND, iso_year=year, iso_week=number)
    return list(rows.select_related("person").order_by("person__name"))
