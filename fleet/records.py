"""Records of services done: entered once, corrected with their history kept, withdrawn with a trace."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from fleet.measures import MEASURED, bounds
from fleet.models import Instrument, InstrumentKind, Person, RecordChange, Service, ServiceKind, WorksheetLine
from fleet.putting_away import put_away
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed

LONGEST_NOTE = 4000
MOST_MINUTES = 24 * 60
What = RecordChange.What
REGISTERS = MEASURED[2:]


@dataclass(frozen=True)
class Point:
    """One measured point of a worksheet, before and after, in its unit."""

    point: str
    condition: str
    quantity: str
    unit: str
    before: float | None
    after: float | None
    pass_number: int = 1

    def told(self) -> list[Any]:
        """Return the same as plain data for the history."""
        return [
            self.point,
            self.condition,
            self.quantity,
            self.pass_number,
            self.before,
            self.after,
            self.unit,
        ]


@dataclass(frozen=True)
class Entry:
    """What a person says of a service: values in the unit of its kind, instants aware.

    ``points`` are all points of its worksheet, None where the worksheet is left as it is.
    """

    day: date
    minutes: int | None = None
    found: float | None = None
    left: float | None = None
    registers: Sequence[float | None] = (None, None, None, None)
    note: str = ""
    hardener_at: datetime | None = None
    dry_at: datetime | None = None
    points: Sequence[Point] | None = None
    only_measured: bool = False

    def values(self) -> dict[str, Any]:
        """Return the columns of the service."""
        measured = dict(zip(MEASURED, (self.found, self.left, *self.registers), strict=True))
        return {
            "date": self.day,
            "minutes": self.minutes,
            **measured,
            "only_measured": self.only_measured,
            "note": self.note.strip(),
            "hardener_at": self.hardener_at,
            "dry_at": self.dry_at,
        }


@dataclass(frozen=True)
class Author:
    """Who writes: the name as it is kept, the user where there is a login."""

    name: str
    user_id: int | None = None
    by_letter: bool = False


def author_of(user: Any, site_id: int) -> Author:
    """Return the person of a login at a site, or the login itself where it is nobody of the site."""
    person = Person.objects.filter(site=site_id, user=user).first()
    return Author(person.name if person else user.get_full_name() or user.get_username(), user.pk)


@dataclass(frozen=True)
class Recorded:
    """What became of an entry: the record, and whether it is new, was corrected or stood there already."""

    service: Service
    what: str
    changed: list[str] = field(default_factory=list)


def record(
    instrument: Instrument, kind: str, entry: Entry, author: Author, token: str, now: datetime
) -> Recorded:
    """Enter a service; the same form sent again makes no second record but corrects the first.

    Raises
    ------
    Refused
        Where the day, a value or the kind cannot be, or where the record of this form was withdrawn.
    """
    check(instrument, kind, entry, now)
    with transaction.atomic():
        # Two posts of one form wait for each other here, and so do two services of one day for their order.
        Instrument.objects.select_for_update().get(pk=instrument.pk)
        known = RecordChange.objects.filter(instrument=instrument, token=token).first()
        if known is not None:
            return _again(known, kind, entry, author, now)
        service = Service(instrument=instrument, kind=kind, technician=author.name[:120], **entry.values())
        service.order = _next_order(instrument, kind, entry.day)
        service.save()
        told = {name: [None, value] for name, value in plain(entry.values()).items() if _says(value)}
        if entry.points:
            _store_points(service, entry.points)
            told["worksheet"] = [[], [point.told() for point in entry.points]]
        _note(service, What.ENTERED, author, now, told, token)
        tell_facts_changed(instrument.site_id, [instrument.pk])
    return Recorded(service, What.ENTERED)


def _again(known: RecordChange, kind: str, entry: Entry, author: Author, now: datetime) -> Recorded:
    if known.service is None:
        raise Refused(_("what this form recorded was withdrawn since"), accepted=_("a new form"))
    if known.kind != kind:
        raise Refused(
            _("this form has recorded another kind of service"), value=known.kind, accepted=_("a new form")
        )
    return correct(known.service, entry, author, now)


def correct(
    service: Service, entry: Entry, author: Author, now: datetime, seen: int | None = None
) -> Recorded:
    """Correct a record and keep what it was; ``seen`` is the newest change that the person had before them.

    Raises
    ------
    Refused
        Where the day or a value cannot be, or where somebody else has corrected the record meanwhile.
    """
    check(service.instrument, service.kind, entry, now)
    with transaction.atomic():
        service = Service.objects.select_for_update().select_related("instrument").get(pk=service.pk)
        newest = service.changes.first()
        if seen is not None and newest is not None and newest.pk != seen:
            raise Refused(
                _("%(by)s has corrected this record meanwhile") % {"by": newest.by},
                accepted=_("what you typed still stands here: compare it and save again"),
            )
        told = _differences(service, entry)
        if not told:
            return Recorded(service, "same")
        order = service.order
        if entry.day != service.date:
            order = _next_order(service.instrument, service.kind, entry.day)
        if entry.points is not None:
            points_of(service).delete()
        points_of(service).update(date=entry.day, order=order)
        for name, value in entry.values().items():
            setattr(service, name, value)
        service.order = order
        service.save()
        if entry.points is not None:
            _store_points(service, entry.points)
        _note(service, What.CORRECTED, author, now, told)
        tell_facts_changed(service.instrument.site_id, [service.instrument_id])
    return Recorded(service, What.CORRECTED, sorted(told))


def withdraw(service: Service, author: Author, now: datetime) -> None:
    """Take a record back, as one entered for the wrong instrument; its values stay in the history."""
    with transaction.atomic():
        service = Service.objects.select_for_update().select_related("instrument").get(pk=service.pk)
        values = plain({name: getattr(service, name) for name in Entry(service.date).values()})
        told = {name: [value, None] for name, value in values.items() if _says(value)}
        points = _told(stored_points(service))
        if points:
            told["worksheet"] = [points, []]
        _note(service, What.WITHDRAWN, author, now, told)
        put_away([service, *points_of(service)], now)


def points_of(service: Service) -> Any:
    """Return the lines of a record's worksheet."""
    return WorksheetLine.objects.filter(
        instrument=service.instrument_id, kind=service.kind, date=service.date, order=service.order
    )


def stored_points(service: Service) -> list[Point]:
    """Return the points of a record's worksheet in the order in which they were stored."""
    return [_point(line) for line in points_of(service).order_by("pk")]


def same_points(some: Iterable[Point], others: Iterable[Point]) -> bool:
    """Return whether two worksheets say the same, in whatever order."""
    return _told(some) == _told(others)


def _told(points: Iterable[Point]) -> list[list[Any]]:
    return sorted((point.told() for point in points), key=str)


def check(instrument: Instrument, kind: str, entry: Entry, now: datetime) -> None:
    """Refuse what cannot be.

    Raises
    ------
    Refused
        Naming the value and what is accepted.
    """
    _check_kind(instrument, kind)
    _check_day(instrument, entry.day, instrument.site.local_date(now))
    low, high = bounds(kind)
    for name, value in entry.values().items():
        if name in MEASURED and value is not None and not low <= value <= high:
            raise Refused(
                _("an impossible value"),
                column=name,
                value=f"{value:g}",
                accepted=_("%(low)s to %(high)s") % {"low": f"{low:g}", "high": f"{high:g}"},
            )
    if entry.minutes is not None and not 1 <= entry.minutes <= MOST_MINUTES:
        raise Refused(
            _("an impossible time"),
            column="minutes",
            value=entry.minutes,
            accepted=_("1 to %(most_minutes)s") % {"most_minutes": MOST_MINUTES},
        )
    if len(entry.note) > LONGEST_NOTE:
        raise Refused(
            _("the note is too long"),
            column="note",
            accepted=_("at most %(longest_note)s characters") % {"longest_note": LONGEST_NOTE},
        )
    _check_hardener(entry)
    _check_only_measured(entry)


def _check_kind(instrument: Instrument, kind: str) -> None:
    service_kind = ServiceKind.objects.filter(site=instrument.site_id, kind=kind).first()
    if service_kind is None or not done_on(service_kind, instrument, _likes(instrument)):
        raise Refused(
            _("%(kind)s is not done on %(tag)s") % {"kind": kind, "tag": instrument.tag},
            value=kind,
            accepted=_("a kind of service it gets"),
        )


def _check_day(instrument: Instrument, day: date, today: date) -> None:
    if day > today:
        raise Refused(
            _("the day is in the future"),
            column="day",
            value=day,
            accepted=_("%(today)s or earlier") % {"today": today},
        )
    if day < instrument.in_service_since:
        raise Refused(
            _("%(tag)s was not in service yet") % {"tag": instrument.tag},
            column="day",
            value=day,
            accepted=_("%(in_service_since)s or later") % {"in_service_since": instrument.in_service_since},
        )
    if instrument.retired_on is not None and day > instrument.retired_on:
        raise Refused(
            _("%(tag)s was retired") % {"tag": instrument.tag},
            column="day",
            value=day,
            accepted=_("%(retired_on)s or earlier") % {"retired_on": instrument.retired_on},
        )


def _check_hardener(entry: Entry) -> None:
    if entry.dry_at is not None and entry.hardener_at is None:
        raise Refused(_("it says when the hardener is dry, not when it was applied"), column="hardener_at")
    if entry.hardener_at is not None and entry.dry_at is not None and entry.dry_at < entry.hardener_at:
        raise Refused(
            _("the hardener is dry before it is applied"),
            column="dry_at",
            accepted=_("a time after it was applied"),
        )


def _check_only_measured(entry: Entry) -> None:
    if not entry.only_measured:
        return
    if entry.found is None:
        raise Refused(_("nothing was done, and no value was found"), column="found", accepted=_("a value"))
    if entry.left is not None:
        raise Refused(_("nothing was done, so it was left as found"), column="left", accepted=_("no value"))
    if entry.hardener_at is not None:
        raise Refused(_("nothing was done, yet a hardener was applied"), column="hardener_at")


def _likes(instrument: Instrument) -> str:
    added = InstrumentKind.objects.filter(site=instrument.site_id, kind=instrument.kind).first()
    return added.behaves_like if added else ""


def done_on(service_kind: ServiceKind, instrument: Instrument, behaves_like: str = "") -> bool:
    """Return whether a kind of service is done on an instrument, or on the kind it behaves like."""
    listed = service_kind.instrument_kinds
    return not listed or instrument.kind in listed or behaves_like in listed


def kinds_for(instrument: Instrument) -> list[ServiceKind]:
    """Return the kinds of service an instrument gets, in the order of its site."""
    like = _likes(instrument)
    kinds = ServiceKind.objects.filter(site=instrument.site_id)
    return [kind for kind in kinds if done_on(kind, instrument, like)]


def _next_order(instrument: Instrument, kind: str, day: date) -> int:
    """Return the next free place on a day, free of records and of points that came without one."""
    same_day = {"instrument": instrument, "kind": kind, "date": day}
    taken = [
        model.objects.filter(**same_day).aggregate(last=Max("order"))["last"]
        for model in (Service, WorksheetLine)
    ]
    return max((last + 1 for last in taken if last is not None), default=0)


def _store_points(service: Service, points: Iterable[Point]) -> None:
    WorksheetLine.objects.bulk_create(
        WorksheetLine(
            instrument_id=service.instrument_id,
            kind=service.kind,
            date=service.date,
            order=service.order,
            **vars(point),
        )
        for point in points
    )


def _point(line: WorksheetLine) -> Point:
    return Point(
        line.point, line.condition, line.quantity, line.unit, line.before, line.after, line.pass_number
    )


def _differences(service: Service, entry: Entry) -> dict[str, list[Any]]:
    """Return what an entry changes, by name: what it was and what it becomes."""
    after = plain(entry.values())
    before = plain({name: getattr(service, name) for name in after})
    told: dict[str, list[Any]] = {
        name: [before[name], after[name]] for name in after if before[name] != after[name]
    }
    if entry.points is not None:
        was, becomes = _told(stored_points(service)), _told(entry.points)
        if was != becomes:
            told["worksheet"] = [was, becomes]
    return told


def plain(values: dict[str, Any]) -> dict[str, Any]:
    """Return values as a history keeps them: days and instants as texts, instants in UTC."""
    return {name: _text(value) if isinstance(value, date) else value for name, value in values.items()}


def _says(value: Any) -> bool:
    return value not in (None, "") and value is not False


def _text(value: date) -> str:
    return (value.astimezone(UTC) if isinstance(value, datetime) else value).isoformat()


def _note(
    service: Service, what: str, author: Author, now: datetime, told: dict[str, Any], token: str | None = None
) -> None:
    RecordChange.objects.create(
        instrument_id=service.instrument_id,
        service=service,
        kind=service.kind,
        what=what,
        at=now,
        by=author.name[:150],
        user_id=author.user_id,
        by_letter=author.by_letter,
        token=token,
        values=told,
    )
