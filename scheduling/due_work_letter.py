"""The due-work letter: what each technician is to do in a week, with all that bears on it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import date, datetime
from itertools import groupby
from typing import Any

from fleet.cautions import CAUTIONS
from fleet.models import Person, Room, Site
from scheduling import calendar_entries, ics
from scheduling.drafts import Draft, draft, wall_time
from scheduling.due_work import Job, Stop, Week, hours_in_words, read_week
from scheduling.letter_choices import DUE_WORK
from scheduling.models import CalendarEntry

WORTH_A_LETTER = ("stops", "nobodys", "other_requests", "silences", "air", "moves")


def compose(site: Site, monday: date, today: date, to: Collection[int]) -> list[Draft]:
    """Return the due-work letters of a week to these people as they would be; nothing is stored."""
    week = read_week(site, monday, today)
    last = [letter.made_at for letter in week.ahead.last.values()]
    entries = calendar_entries.of_week(site, monday, max(last, default=None))
    return [
        drawn
        for person in week.people
        if person.pk in to and (drawn := _draft(week, person, entries.get(person.pk, [])))
    ]


def _draft(week: Week, person: Person, entries: list[CalendarEntry]) -> Draft | None:
    """Return a person's letter, None where there is neither work nor request nor warning."""
    context = _context(week, person)
    if not any(context[name] for name in WORTH_A_LETTER):
        return None
    return draft(
        DUE_WORK,
        person,
        week.monday,
        context,
        items=[_item(stop, job) for stop in context["stops"] for job in stop.jobs],
        outlook=week.ahead.outlook(person),
        calendar=ics.letter_calendar(week.site, entries),
    )


def _context(week: Week, person: Person) -> dict[str, Any]:
    stops, nobodys, others = week.stops_of(person), week.nobodys_stops(), week.other_requests()
    jobs = [job for stop in stops for job in stop.jobs]
    return {
        "today": week.today,
        "plan": week.plan,
        "approved_on": week.site.local_date(week.plan.approved_at)
        if week.plan and week.plan.approved_at
        else None,
        "made_on": week.site.local_date(week.plan.made_at) if week.plan else None,
        "stops": stops,
        "days": by_day(stops, week.site),
        "taken_otherwise": week.taken_otherwise and any(job.sittings for job in jobs),
        "visits": len(jobs),
        "hours": hours_in_words(sum(job.hours for job in jobs)),
        "requests": sum(len(stop.requests) for stop in (*stops, *nobodys, *others)),
        "nobodys": nobodys,
        "other_requests": others,
        "silences": week.silences,
        "air": week.air,
        "moves": week.ahead.moves(person),
        "recorded": week.recorded_of(person),
        "put_off": week.put_off,
        "concerts": [(concert, wall_time(concert.starts_at, week.site)) for concert in week.concerts],
        "cautions": [words for kind, words in CAUTIONS.items() if any(job.service == kind for job in jobs)],
    }


def by_day(stops: Iterable[Stop], site: Site) -> list[tuple[date | None, list[tuple[Room, list[Stop]]]]]:
    """Return stops by day and room; what has no time yet comes last, under no day, in walking order."""
    days: dict[date | None, list[tuple[Any, Stop]]] = defaultdict(list)
    for stop in stops:
        requests = stop.requests
        for day, jobs in _jobs_by_day(stop, site).items():
            first = min((start for job in jobs for start, _ in job.times), default=None)
            days[day].append((first, replace(stop, jobs=jobs, requests=requests)))
            requests = []  # told once, on the first day there
    return [
        (day, by_room([stop for _, stop in (sorted(there, key=_start) if day else there)]))
        for day, there in sorted(days.items(), key=lambda one: (one[0] is None, one[0]))
    ]


def _start(pair: tuple[datetime, Stop]) -> datetime:
    return pair[0]


def _jobs_by_day(stop: Stop, site: Site) -> dict[date | None, list[Job]]:
    found: dict[date | None, list[Job]] = defaultdict(list)
    for job in stop.jobs:
        times: dict[date | None, list[tuple[datetime, datetime]]] = defaultdict(list)
        for sitting in job.sittings:
            start, end = wall_time(sitting.starts_at, site), wall_time(sitting.ends_at, site)
            times[start.date()].append((start, end))
        for day, stretches in (times or {None: []}).items():
            found[day].append(replace(job, times=tuple(stretches)))
    return dict(sorted(found.items(), key=lambda one: (one[0] is None, one[0])))


def by_room(stops: Iterable[Stop]) -> list[tuple[Room, list[Stop]]]:
    """Return stops, in the order they are walked, room by room."""
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
        "times": [[sitting.starts_at.isoformat(), sitting.ends_at.isoformat()] for sitting in job.sittings],
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
