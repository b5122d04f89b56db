"""Changes of the instruments themselves, many at once: said row by row before, then all of them or none."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import ClassVar, Protocol

from django.db import transaction
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.models import Instrument, InstrumentChange, Placement, Room, Site, UseClass
from fleet.records import Author
from fleet.refusal import Refused
from fleet.room_moves import moved, standing_on, trouble_of_move
from fleet.signals import tell_facts_changed

What = InstrumentChange.What
MOST_HOURS = 168.0  # of a week


class ChangedMeanwhile(Refused):
    """What was shown is not what stands there any more; nothing was stored."""


@dataclass(frozen=True)
class Row:
    """What one instrument would become; refused where `refusal` says why, unchanged where nothing differs."""

    instrument: Instrument
    before: str
    after: str
    refusal: str = ""

    @property
    def changes(self) -> bool:
        """Whether anything would be stored."""
        return not self.refusal and self.before != self.after


class Change(Protocol):
    """One change of a fact, the same for every instrument chosen."""

    what: ClassVar[str]

    @property
    def day(self) -> date | None:
        """From when it holds, where that is said."""

    def row(self, one: Instrument, today: date) -> Row:
        """Say what it would do to one instrument."""

    def apply(self, instruments: Sequence[Instrument], today: date) -> None:
        """Store it for instruments whose rows are not refused."""


@dataclass(frozen=True)
class UseChange:
    """Another use class, which brings other tolerances and weights."""

    use_class: str
    what: ClassVar[str] = What.USE_CLASS
    day: ClassVar[None] = None

    def row(self, one: Instrument, today: date) -> Row:
        """Say which use it would go from and to."""
        return Row(one, str(one.get_use_class_display()), str(UseClass(self.use_class).label))

    def apply(self, instruments: Sequence[Instrument], today: date) -> None:
        """Store the use."""
        _store(instruments, "use_class", self.use_class)


@dataclass(frozen=True)
class PlayingChange:
    """Hours played a week as somebody knows them; None lets those usual for the use count again."""

    hours: float | None
    what: ClassVar[str] = What.PLAYING
    day: ClassVar[None] = None

    def row(self, one: Instrument, today: date) -> Row:
        """Say which hours it would go from and to."""
        return Row(one, _hours(one.hours_played_per_week), _hours(self.hours))

    def apply(self, instruments: Sequence[Instrument], today: date) -> None:
        """Store the hours."""
        _store(instruments, "hours_played_per_week", self.hours)


@dataclass(frozen=True)
class Move:
    """Another room from a day on; where an instrument stood before stays on record."""

    room: Room
    day: date
    what: ClassVar[str] = What.ROOM

    def row(self, one: Instrument, today: date) -> Row:
        """Say which room it would go from and to, or why its record does not allow that."""
        trouble = trouble_of_move(one, self.day, today)
        before = self.room if trouble else standing_on(one, self.day)
        return Row(one, one.room.name if trouble else before.name, self.room.name, trouble)

    def apply(self, instruments: Sequence[Instrument], today: date) -> None:
        """Close the placements that go on, begin new ones."""
        changed: list[Placement] = []
        new: list[Placement] = []
        for one in instruments:
            for kept, found in zip((changed, new), moved(one, self.room, self.day), strict=True):
                kept += found
        Placement.objects.bulk_update(changed, ["room", "last_day"], batch_size=300)
        Placement.objects.bulk_create(new, batch_size=300)
        if self.day <= today:
            _store(instruments, "room", self.room)


@dataclass(frozen=True)
class Retirement:
    """Out of service from a day on: no forecast, no plan, no label; its records stay."""

    day: date
    what: ClassVar[str] = What.RETIRED

    def row(self, one: Instrument, today: date) -> Row:
        """Say that it would be retired, or why it cannot be."""
        before = _service_words(one)
        if one.retired_on is not None:
            return Row(one, before, before)
        refusal = ""
        if self.day > today:
            refusal = _("It can be retired today or on a day gone by, not ahead.")
        elif self.day <= one.in_service_since:
            refusal = _("It entered service on %(day)s.") % {"day": _spoken(one.in_service_since)}
        return Row(one, before, _("retired on %(day)s") % {"day": _spoken(self.day)}, refusal)

    def apply(self, instruments: Sequence[Instrument], today: date) -> None:
        """Store the day."""
        _store(instruments, "retired_on", self.day)


@dataclass(frozen=True)
class Return:
    """Back in service, as if it had never left."""

    what: ClassVar[str] = What.RETURNED
    day: ClassVar[None] = None

    def row(self, one: Instrument, today: date) -> Row:
        """Say that it would be in service again."""
        return Row(one, _service_words(one), _("in service"))

    def apply(self, instruments: Sequence[Instrument], today: date) -> None:
        """Forget the day."""
        _store(instruments, "retired_on", None)


def rows_of(change: Change, instruments: Iterable[Instrument], today: date) -> list[Row]:
    """Say what a change would do to each instrument; they come with room and placements at hand."""
    return [change.row(one, today) for one in instruments]


def digest_of(rows: Iterable[Row]) -> str:
    """Return a mark of what rows say, so that a change can be tied to what was seen of it."""
    said = [[row.instrument.pk, row.before, row.after, row.refusal] for row in rows]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:20]


def with_places(site: Site, ids: Collection[int]) -> list[Instrument]:
    """Return instruments of a site by tag, with their rooms and placements; ids of others are left out."""
    rows = Instrument.objects.of_site(site).filter(pk__in=ids).select_related("room", "site")
    return list(rows.prefetch_related("placements__room").order_by("tag"))


@transaction.atomic
def carry_out(
    change: Change, site: Site, ids: Collection[int], seen: str, author: Author, now: datetime
) -> list[Row]:
    """Make a change of all these instruments or of none; return the rows that changed.

    Raises
    ------
    ChangedMeanwhile
        Where what it would do is not what was seen.
    Refused
        Where it cannot be made of one of them, or nothing would change.
    """
    # Whoever changes instruments of this site at the same time waits here.
    list(Instrument.objects.select_for_update().filter(pk__in=ids).order_by("pk").values_list("pk"))
    today = site.local_date(now)
    rows = rows_of(change, with_places(site, ids), today)
    if digest_of(rows) != seen:
        raise ChangedMeanwhile(
            _("Somebody changed one of these while you were looking; nothing was stored. Look again.")
        )
    refused = [row for row in rows if row.refusal]
    if refused:
        raise Refused(f"{refused[0].instrument.tag}: {refused[0].refusal}")
    changing = [row for row in rows if row.changes]
    if not changing:
        raise Refused(_("They are so already; there is nothing to change."))
    change.apply([row.instrument for row in changing], today)
    _keep(change, changing, author, now, today)
    tell_facts_changed(site.pk, instrument_ids=[row.instrument.pk for row in changing], now=now)
    return changing


def let_rooms_follow(site: Site, today: date) -> int:
    """Let instruments stand in the rooms to which moves told before have brought them by now.

    Returns how many; a move whose placement has been removed since brings nothing anywhere.
    """
    due = InstrumentChange.objects.of_site(site).filter(pending=True, day__lte=today)
    if not due.exists():
        return 0
    with transaction.atomic():
        changes = list(due.select_for_update(of=("self",)).order_by("day", "pk"))
        followed = {}
        for one in changes:
            if one.placement is not None:
                one.instrument.room_id = one.placement.room_id
                followed[one.instrument_id] = one.instrument
        Instrument.objects.bulk_update(followed.values(), ["room"], batch_size=500)
        InstrumentChange.objects.filter(pk__in=[one.pk for one in changes]).update(pending=False)
        tell_facts_changed(site.pk, instrument_ids=followed)
    return len(followed)


def _store(instruments: Sequence[Instrument], name: str, value: object) -> None:
    Instrument.objects.filter(pk__in=[one.pk for one in instruments]).update(**{name: value})


def _keep(change: Change, rows: Sequence[Row], author: Author, now: datetime, today: date) -> None:
    ahead = change.what == What.ROOM and change.day is not None and change.day > today
    placements = _placements(change, rows) if change.what == What.ROOM else {}
    if change.what == What.ROOM:
        # A move told earlier for a day that this one overtakes brings it nowhere any more.
        of_those = InstrumentChange.objects.filter(instrument__in=[row.instrument for row in rows])
        of_those.filter(pending=True, day__gte=change.day).update(pending=False)
    InstrumentChange.objects.bulk_create(
        [
            InstrumentChange(
                instrument=row.instrument,
                what=change.what,
                at=now,
                by=author.name,
                user_id=author.user_id,
                before=row.before,
                after=row.after,
                day=change.day,
                placement_id=placements.get(row.instrument.pk),
                pending=ahead,
            )
            for row in rows
        ],
        batch_size=500,
    )


def _placements(change: Change, rows: Sequence[Row]) -> dict[int, int]:
    those = [row.instrument for row in rows]
    if change.day is None:
        return {}
    found = Placement.objects.filter(instrument__in=those, first_day=change.day)
    return dict(found.values_list("instrument_id", "pk"))


def _hours(hours: float | None) -> str:
    return _("as usual for its use") if hours is None else _("%(hours)g h a week") % {"hours": hours}


def _service_words(one: Instrument) -> str:
    if one.retired_on is None:
        return _("in service")
    return _("retired on %(day)s") % {"day": _spoken(one.retired_on)}


def _spoken(day: date) -> str:
    return date_format(day, _("j F Y"))
