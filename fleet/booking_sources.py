"""Bookings from calendars: looked at, shown, taken; addresses fetched again and again by the worker."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import DatabaseError, IntegrityError, transaction
from django.utils.translation import gettext as _

from fleet import fetching
from fleet.imports.bookings import compare_bookings, store_bookings
from fleet.imports.calendar import Calendar, CalendarReader
from fleet.imports.calendar_text import Limits
from fleet.imports.findings import Findings
from fleet.imports.merge import Difference
from fleet.models import Booking, BookingSource, CalendarReading, Instrument, Room, Site
from fleet.names import name_of
from fleet.refusal import AllRefused, Refused
from fleet.signals import tell_facts_changed

# About eight seconds and 100 MB at the most.
LIMITS = Limits(size=fetching.LARGEST, components=20_000, lines=300_000, line_length=50_000)
EVERY = timedelta(hours=1)
LONGEST_WAIT = timedelta(hours=24)
MOST_SOURCES = 20
MOST_SHOWN = 100
KEPT_READINGS = 20


@dataclass
class Look:
    """What taking a calendar would do: new and changed bookings, and those of its source that are gone."""

    difference: Difference
    gone: list[Booking]
    cancelled: int
    elsewhere: dict[str, int] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        """Whether it says what is stored already."""
        return not (self.difference.new or self.difference.changed or self.gone)


def add_source(site: Site, name: str, address: str, now: datetime) -> BookingSource:
    """Store a calendar to be read; one with an address is fetched at the next occasion.

    Raises
    ------
    Refused
        Where the name is empty or taken, the address is not one that is read, or there are too many.
    """
    name = name_of(name)
    if not name or len(name) > 120:
        raise Refused(
            _("a calendar needs a name"), column="name", value=name, accepted=_("up to 120 characters")
        )
    address = fetching.check_address(address) if address.strip() else ""
    if BookingSource.objects.filter(site=site).count() >= MOST_SOURCES:
        raise Refused(
            _("too many calendars"), accepted=_("at most %(most_sources)s") % {"most_sources": MOST_SOURCES}
        )
    try:
        with transaction.atomic():
            return BookingSource.objects.create(
                site=site, name=name, address=address, next_fetch_at=now if address else None
            )
    except IntegrityError:
        raise Refused(_("there is a calendar of this name"), column="name", value=name) from None


def remove_source(source: BookingSource) -> None:
    """Read a calendar no more; the bookings it brought stay."""
    source.delete()


def read(source: BookingSource, raw: bytes, now: datetime) -> Calendar:
    """Return what a calendar holds for the rooms of its site.

    Raises
    ------
    Refused
        With every reason found up to a bound.
    """
    site = source.site
    rooms = set(Room.objects.of_site(site).values_list("name", flat=True))
    tags = set(Instrument.objects.of_site(site).values_list("tag", flat=True))
    today = site.local_date(now)
    reader = CalendarReader(rooms, tags, site.zone, today, leave_elsewhere=True, limits=LIMITS)
    findings = Findings()
    calendar = reader.read_bytes(raw, findings)
    findings.check()
    return calendar


def look_at(source: BookingSource, calendar: Calendar, now: datetime) -> Look:
    """Return what taking a calendar would do; nothing is stored."""
    difference = compare_bookings(calendar.rows, source.site)
    told = {(row.record["uid"], row.record["occurrence"]) for row in calendar.rows}
    # What is past stays as it was: it explains what the instruments went through.
    coming = Booking.objects.filter(source=source, starts_at__gt=now).select_related("room")
    gone = [one for one in coming.order_by("starts_at") if (one.uid, one.occurrence) not in told]
    return Look(difference, gone, calendar.cancelled, dict(calendar.elsewhere.most_common(MOST_SHOWN)))


def show(source: BookingSource, raw: bytes, now: datetime, by: str) -> CalendarReading:
    """Keep a file that somebody brought with what it would change, until it is taken or left.

    Raises
    ------
    Refused
        Where it cannot be read.
    """
    look = look_at(source, read(source, raw, now), now)
    return CalendarReading.objects.create(
        source=source, at=now, by=by, state=CalendarReading.State.SHOWN, raw=raw, **_told(look, source.site)
    )


def take_shown(reading: CalendarReading, now: datetime) -> CalendarReading:
    """Take a file that was shown; what it changes is compared anew, and taking it twice changes nothing more.

    Raises
    ------
    Refused
        Where it was taken or left already, or can no longer be read.
    """
    row = CalendarReading.objects.select_related("source__site").get(pk=reading.pk)
    waiting = CalendarReading.objects.filter(pk=row.pk, state=CalendarReading.State.SHOWN)
    # Reading takes seconds and stands outside the transaction, comparing and storing inside.
    calendar = read(row.source, bytes(row.raw), now) if row.raw else Calendar()
    with transaction.atomic():
        if not waiting.update(state=CalendarReading.State.TAKEN, raw=b"", at=now):
            row.refresh_from_db(fields=["state"])
            raise Refused(
                _("this file is %(get_state_display)s already")
                % {"get_state_display": row.get_state_display()},
                accepted=_("one that is waiting"),
            )
        look = look_at(row.source, calendar, now)
        _store(row.source, look, now)
        CalendarReading.objects.filter(pk=row.pk).update(**_told(look, row.source.site))
    _forget_old(row.source)
    row.refresh_from_db()
    return row


def leave(reading: CalendarReading) -> None:
    """Leave a file that was shown; nothing of it is kept."""
    rows = CalendarReading.objects.filter(pk=reading.pk, state=CalendarReading.State.SHOWN)
    rows.update(state=CalendarReading.State.LEFT, raw=b"")


def due_sources(now: datetime) -> list[int]:
    """Return the calendars whose address is to be read now."""
    return list(
        BookingSource.objects.filter(next_fetch_at__lte=now).exclude(address="").values_list("pk", flat=True)
    )


def fetch_now(source: BookingSource, now: datetime) -> None:
    """Let an address be read at the next occasion."""
    BookingSource.objects.filter(pk=source.pk).exclude(address="").update(next_fetch_at=now)


def fetch_source(source_id: int, now: datetime, resolve: fetching.Resolve = fetching.resolve) -> bool:
    """Read a calendar's address and take what is new there; return whether it was this caller's turn.

    Trouble is written down for the page and waited for, longer each time; the bookings stay as they are.
    """
    mine = BookingSource.objects.filter(pk=source_id, next_fetch_at__lte=now).exclude(address="")
    # Whoever moves the hour on has the turn; a worker that dies here is made up for an hour later.
    if not mine.update(next_fetch_at=now + EVERY, tried_at=now):
        return False
    source = BookingSource.objects.select_related("site").get(pk=source_id)
    rules = fetching.Rules(private=settings.CALENDARS_FROM_PRIVATE_NETWORKS)
    try:
        answer = fetching.fetch(source.address, rules, source.etag, source.last_modified, resolve)
        if answer.body is not None:
            _take(source, read(source, answer.body, now), now)
    except Refused as refusal:
        _note_trouble(source, refusal, now)
    except DatabaseError as error:
        _note_trouble(source, Refused(_("the database does not take it (%(error)s)") % {"error": error}), now)
    else:
        known = {} if answer.body is None else {"etag": answer.etag, "last_modified": answer.last_modified}
        BookingSource.objects.filter(pk=source_id).update(taken_at=now, failures=0, trouble="", **known)
    return True


def _take(source: BookingSource, calendar: Calendar, now: datetime) -> None:
    """Store what differs, and keep a note of it where there is any."""
    with transaction.atomic():
        look = look_at(source, calendar, now)
        if look.empty:
            return
        _store(source, look, now)
        CalendarReading.objects.create(
            source=source, at=now, state=CalendarReading.State.TAKEN, **_told(look, source.site)
        )
    _forget_old(source)


def _store(source: BookingSource, look: Look, now: datetime) -> None:
    """Store a calendar's bookings; those that are gone there are taken away here."""
    difference, site = look.difference, source.site
    store_bookings(difference, site)
    rows = [*difference.new, *(change.row for change in difference.changed)]
    uids = {row.record["uid"] for row in rows}
    for part in _parts(sorted(uids)):
        Booking.objects.filter(site=site, uid__in=part, source=None).update(source=source)
    for batch in _parts([one.pk for one in look.gone]):
        Booking.objects.filter(pk__in=batch).delete()
    BookingSource.objects.filter(pk=source.pk).update(taken_at=now, trouble="", failures=0)
    names = {row.record["room"] for row in rows} | {change.before["room"] for change in difference.changed}
    rooms = set(Room.objects.of_site(site).filter(name__in=names).values_list("pk", flat=True))
    tell_facts_changed(site.pk, room_ids=rooms | {one.room_id for one in look.gone}, now=now)


def _parts(values: list[Any], size: int = 500) -> Iterable[list[Any]]:
    return (values[start : start + size] for start in range(0, len(values), size))


def _note_trouble(source: BookingSource, refusal: Refused, now: datetime) -> None:
    wait = min(EVERY * (1 << min(source.failures, 10)), LONGEST_WAIT)
    words = str(AllRefused(refusal.parts[:5])) if len(refusal.parts) > 5 else str(refusal)
    BookingSource.objects.filter(pk=source.pk).update(
        failures=source.failures + 1, trouble=words[:2000], next_fetch_at=now + wait
    )


def _forget_old(source: BookingSource) -> None:
    old = CalendarReading.objects.filter(source=source).values_list("pk", flat=True)[KEPT_READINGS:]
    CalendarReading.objects.filter(pk__in=list(old)).delete()


def _told(look: Look, site: Site) -> dict[str, Any]:
    """Return what a reading keeps of a look: the counts, and the first of each before and after."""
    difference = look.difference
    return {
        "new": len(difference.new),
        "changed": len(difference.changed),
        "gone": len(look.gone),
        "same": difference.same,
        "details": {
            "new": [_shown(row.record, site) for row in difference.new[:MOST_SHOWN]],
            "changed": [
                {
                    "before": _shown(change.before, site),
                    "after": _shown(change.before | change.row.record, site),
                }
                for change in difference.changed[:MOST_SHOWN]
            ],
            "gone": [_shown(_record(one), site) for one in look.gone[:MOST_SHOWN]],
            "cancelled": look.cancelled,
            "elsewhere": look.elsewhere,
        },
    }


def _record(one: Booking) -> dict[str, Any]:
    names = ("title", "starts_at", "ends_at", "performance")
    return {"room": one.room.name, **{name: getattr(one, name) for name in names}}


def _shown(record: dict[str, Any], site: Site) -> dict[str, Any]:
    """Return a booking as a line of the page: times on the site's wall."""
    starts, ends = (record[name].astimezone(site.zone) for name in ("starts_at", "ends_at"))
    one_day = ends.date() == starts.date()
    return {
        "room": record["room"],
        "title": record["title"],
        "day": starts.date().isoformat(),
        "times": f"{starts:%H:%M}–{ends:{'%H:%M' if one_day else '%Y-%m-%d %H:%M'}}",
        "performance": record["performance"],
    }
