"""How the installation runs, in plain words: database, queue, clock, mail, forecasts, sensors, calendars."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import connection
from django.db.models import Count, Max, Min, Q
from django.utils.timesince import timesince
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.models import BookingSource, Site
from scheduling import disks, health
from scheduling.due_work import silent_rooms
from scheduling.models import ForecastRun, Letter

WELL, DOUBT, TROUBLE = "open", "half", "full"
LETTER_LATE = timedelta(minutes=30)


@dataclass(frozen=True)
class Line:
    """One part of the installation: a word with the shape of its mark, a sentence, and where to look."""

    part: str
    shape: str
    word: str
    sentence: str
    page: str = ""


def lines(site: Site, now: datetime) -> list[Line]:
    """Return how everything stands; what all sites share first, then what is this site's."""
    document = health.check(now).document
    return [
        _database(document),
        _disk(),
        _queue(document),
        _clock(document, now),
        _mail(site, now),
        _forecasts(site, now),
        _sensors(site, now),
        _calendars(site),
    ]


def _database(document: dict[str, Any]) -> Line:
    part = _("Database")
    if document["database"] == "behind":
        said = _(
            "Tables are of an older release than these pages. Stop everything, then run: manage.py migrate"
        )
        return Line(part, TROUBLE, _("behind"), said)
    return Line(part, WELL, _("answers"), _("It is %(name)s.") % {"name": connection.display_name})


def _disk() -> Line:
    room, part = disks.scarcest(), _("Disk")
    figures = {"free": room.free_mb, "folder": room.folder, "least": disks.ENOUGH_MB}
    if not room.enough:
        said = _(
            "Only %(free)d MB are free where %(folder)s lies. What does not fit is refused whole; make room,"
            " and work goes on by itself."
        )
        return Line(part, TROUBLE, _("nearly full"), said % figures)
    said = _("%(free)d MB are free where %(folder)s lies; below %(least)d MB this turns.")
    return Line(part, WELL, _("has room"), said % figures)


def _queue(document: dict[str, Any]) -> Line:
    state, part = document["queue"], _("Queue")
    if state == "embedded":
        said = _("Work waits in the process that serves these pages; after a restart it is found again.")
        return Line(part, WELL, _("within"), said)
    if state == "unreachable":
        said = _("The broker does not answer: all work waits until it does. Nothing is lost.")
        return Line(part, TROUBLE, _("unreachable"), said)
    waiting = health.tasks_waiting()
    said = ngettext("%(number)d task waits.", "%(number)d tasks wait.", waiting) % {"number": waiting}
    return Line(part, WELL, _("answers"), said)


def _clock(document: dict[str, Any], now: datetime) -> Line:
    part, age = _("Clock and worker"), document["last_beat_age_seconds"]
    if age is None:
        said = _("Nothing has come due yet. Is a worker running, and a beat?")
        return Line(part, TROUBLE, _("never seen"), said)
    ago = {"ago": timesince(now - timedelta(seconds=age), now)}
    if document["beat"] == "ahead":
        said = _(
            "They were last heard at an hour still to come: the clock has been set back. It is mended soon."
        )
        return Line(part, DOUBT, _("set back"), said)
    if document["beat"] != "ok":
        said = _("The last look at what is due was %(ago)s ago. Is a worker running, and a beat?") % ago
        return Line(part, TROUBLE, _("late"), said)
    return Line(part, WELL, _("on time"), _("They last looked at what is due %(ago)s ago.") % ago)


def _mail(site: Site, now: datetime) -> Line:
    state = Letter.State
    found = Letter.objects.of_site(site).aggregate(
        refused=Count("pk", filter=Q(state=state.REFUSED)),
        doubt=Count("pk", filter=Q(state=state.UNKNOWN)),
        waiting=Count("pk", filter=Q(state__in=(state.DUE, state.SENDING))),
        oldest=Min("made_at", filter=Q(state__in=(state.DUE, state.SENDING))),
        last=Max("sent_at"),
    )
    part = _("Mail")
    way = _("Letters go to %(way)s.") % {"way": way_of_letters()}
    counts = _("%(waiting)d waiting, %(refused)d refused, %(doubt)d in doubt.") % found
    ago = timesince(found["last"], now) if found["last"] else ""
    last = _("The last one was sent %(ago)s ago.") % {"ago": ago} if ago else ""
    sentence = " ".join(filter(None, (way, counts, last)))
    if found["refused"]:
        return Line(part, TROUBLE, _("refused"), sentence, "letters")
    if found["doubt"] or (found["oldest"] and now - found["oldest"] > LETTER_LATE):
        return Line(part, DOUBT, _("held up"), sentence, "letters")
    return Line(part, WELL, _("goes out"), sentence, "letters")


def way_of_letters() -> str:
    """Return in words where letters go."""
    if "Folder" in settings.EMAIL_BACKEND:
        return _("the folder %(path)s") % {"path": settings.EMAIL_FILE_PATH}  # type: ignore[misc]
    return _("the mail server %(host)s") % {"host": f"{settings.EMAIL_HOST}:{settings.EMAIL_PORT}"}


def _forecasts(site: Site, now: datetime) -> Line:
    part = _("Forecasts")
    newest = ForecastRun.objects.of_site(site).filter(part_of=None).aggregate(newest=Max("today"))["newest"]
    if newest is None:
        return Line(part, DOUBT, _("none yet"), _("They are made once there are instruments."))
    days = (site.local_date(now) - newest).days
    if days <= 0:
        return Line(part, WELL, _("of today"), _("Every instrument was looked at today."))
    said = ngettext("They are %(days)d day old.", "They are %(days)d days old.", days) % {"days": days}
    return Line(part, DOUBT if days < 3 else TROUBLE, _("old"), said)


def _sensors(site: Site, now: datetime) -> Line:
    part, silent = _("Sensors"), silent_rooms(site, site.local_date(now))
    if not silent:
        return Line(part, WELL, _("heard"), _("Every room that is measured was heard lately."), "rooms")
    names = ", ".join(one.room.name for one in silent[:8]) + (", …" if len(silent) > 8 else "")
    said = ngettext(
        "No trusted reading for days from %(number)d room: %(names)s.",
        "No trusted reading for days from %(number)d rooms: %(names)s.",
        len(silent),
    )
    return Line(part, TROUBLE, _("silent"), said % {"number": len(silent), "names": names}, "rooms")


def _calendars(site: Site) -> Line:
    part = _("Calendars of bookings")
    sources = BookingSource.objects.of_site(site).exclude(address="")
    names = list(sources.exclude(trouble="").values_list("name", flat=True))
    if names:
        said = _("Cannot be read: %(names)s.") % {"names": ", ".join(names)}
        return Line(part, TROUBLE, _("in trouble"), said, "bookings_in")
    if not sources.exists():
        return Line(part, WELL, _("none"), _("No address is read."), "bookings_in")
    return Line(part, WELL, _("read"), _("Every address was read as it should be."), "bookings_in")
