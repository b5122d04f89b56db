"""The weekly letters of a site: composed for who wants them, and frozen into rows of the outbox."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection
from datetime import date, datetime

from fleet.models import Person, Site
from scheduling import calendar_entries, due_work_letter, hours_letter, letter_rows
from scheduling.drafts import Draft
from scheduling.letter_choices import DUE_WORK, HOURS, due_by_week, who_wants
from scheduling.models import Letter
from scheduling.saying import in_words_of

Composer = Callable[[Site, date, date, Collection[int]], list[Draft]]
COMPOSERS: dict[str, Composer] = {DUE_WORK: due_work_letter.compose, HOURS: hours_letter.compose}


def compose(site: Site, monday: date, today: date, kind: str = DUE_WORK) -> list[Draft]:
    """Return the letters of a kind and week as they would be; nothing is stored."""
    return _composed(site, monday, today, kind, who_wants(site, kind))


def _composed(site: Site, monday: date, today: date, kind: str, to: Collection[int]) -> list[Draft]:
    """Compose the letters, once for each language their readers have."""
    readers: dict[str, set[int]] = defaultdict(set)
    for pk, language in Person.objects.filter(pk__in=to).values_list("pk", "language"):
        readers[language].add(pk)
    drafts: list[Draft] = []
    for language, people in readers.items():
        with in_words_of(language):
            drafts += COMPOSERS[kind](site, monday, today, people)
    return sorted(drafts, key=lambda one: one.person.name)


def put_in_outbox(
    site: Site,
    monday: date,
    today: date,
    now: datetime,
    kind: str = DUE_WORK,
    people: Collection[int] | None = None,
) -> list[Letter]:
    """Store the letters of a kind and week that have no row yet; return all of them, old ones as they are.

    ``people`` narrows it down to some of those who want the letter. Two who do this at once store one row:
    the second insert of the same person, kind and week is ignored.
    """
    done = {letter.person_id for letter in stored(site, monday, kind)}
    wanting = who_wants(site, kind) if people is None else set(people)
    if to := wanting - done:
        calendar_entries.keep_in_step(site, now)
        letter_rows.store(_composed(site, monday, today, kind, to), now)
    return stored(site, monday, kind)


def put_due_in_outbox(site: Site, kind: str, now: datetime) -> None:
    """Store the letters whose day and hour have come, each on the clock of who gets it."""
    for monday, people in due_by_week(site, kind, now).items():
        put_in_outbox(site, monday, site.local_date(now), now, kind, people)


def stored(site: Site, monday: date, kind: str = DUE_WORK) -> list[Letter]:
    """Return the letters of a kind and week that have a row."""
    return letter_rows.stored(site, monday, kind)
