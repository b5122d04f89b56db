"""One sitting at the record form: of what, by whom, what stands beside it, and what becomes of it."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Max, Q
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from fleet import records
from fleet.asked import Asked, answer
from fleet.cautions import CAUTIONS
from fleet.forms import RecordForm, said_of
from fleet.measures import Measure, measure_of
from fleet.models import Booking, Instrument, Service, ServiceKind, ServiceRule
from fleet.record_order import order_words
from fleet.records import Author, Entry, Recorded
from fleet.refusal import Refused
from fleet.worksheets.layout import BLOCKS
from fleet.worksheets.sheet import Sheet, last_targets
from fleet.worksheets.summary import SUMMARIES

# So far ahead a concert's own pitch is told to whoever tunes; common practice, no source.
PITCH_AHEAD = timedelta(days=14)


@dataclass
class Desk:
    """Whoever records a service, or corrects ``service``, of an instrument."""

    instrument: Instrument
    kind: ServiceKind
    author: Author
    now: datetime
    service: Service | None = None
    with_sheet: bool = False
    look: bool = False  # begun as one that leaves all as found
    asked: list[Asked] = field(default_factory=list)
    user: Any = None
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    @property
    def today(self) -> date:
        """The day on the wall of the site."""
        return self.instrument.site.local_date(self.now)

    @property
    def measure(self) -> Measure:
        """How this kind of service is measured."""
        return measure_of(self.kind.kind, self.kind.unit)

    def form(self, data: Mapping[str, Any] | None = None) -> RecordForm:
        """Return the form, empty, filled with the record to be corrected, or with what was typed."""
        if data is not None:
            return RecordForm(self.measure, self.today, data)
        initial: dict[str, Any] = {
            "day": self.today.isoformat(),
            "token": self.token,
            "only_measured": self.look,
        }
        if self.service is not None:
            newest = self.service.changes.first()
            initial |= said_of(self.service, self.measure, self.today)
            initial["seen"] = newest.pk if newest else None
        return RecordForm(self.measure, self.today, initial=initial)

    def sheet(self, data: Mapping[str, str] | None = None) -> Sheet | None:
        """Return the worksheet as it is typed or stored, None where the form goes without one."""
        if not self.with_sheet:
            return None
        stored = records.stored_points(self.service) if self.service else []
        more = (data or {}).get("more", "")
        kind = self.kind.kind
        targets = last_targets(self.instrument) if kind == "regulation" and data is None else {}
        return Sheet(kind, self.instrument, data, stored, targets, more)

    def take(self, form: RecordForm, sheet: Sheet | None = None) -> Recorded | None:
        """Store what form and worksheet say; None where they now say why not, or grow by some lines."""
        if sheet is not None and sheet.more:
            form.errors.clear()
            return None
        if not form.is_valid() or (sheet is not None and sheet.errors):
            return None
        try:
            return self._store(form, sheet)
        except Refused as refused:
            column = refused.column if refused.column in form.fields else None
            form.add_error(column, in_words(refused))
            return None

    @transaction.atomic
    def _store(self, form: RecordForm, sheet: Sheet | None) -> Recorded:
        if self.asked:
            answer(self.asked, self.user, self.now)
        entry = form.entry()
        if self.service is not None:
            entry = replace(entry, registers=[getattr(self.service, name) for name in records.REGISTERS])
        if sheet is not None:
            entry = self._summed_up(entry, sheet)
        if self.service is None:
            token = form.cleaned_data["token"]
            return records.record(self.instrument, self.kind.kind, entry, self.author, token, self.now)
        return records.correct(self.service, entry, self.author, self.now, form.cleaned_data["seen"])

    def _summed_up(self, entry: Entry, sheet: Sheet) -> Entry:
        """Return the entry with the worksheet and what it comes to.

        A worksheet that was not touched leaves the values of its record alone, whatever it would come to.
        """
        if self.kind.kind not in SUMMARIES:
            return replace(entry, points=sheet.points)
        if self.service is not None and records.same_points(sheet.points, sheet.stored):
            said = {name: getattr(self.service, name) for name in ("found", "left", "only_measured")}
            return replace(entry, **said)
        summary = sheet.summary
        return replace(
            entry,
            found=summary.found,
            left=summary.left,
            registers=summary.registers,
            points=sheet.points,
        )

    def context(self, form: RecordForm, sheet: Sheet | None = None) -> dict[str, Any]:
        """Return what the page of the form needs and whoever may use the form may see."""
        return {
            "form": form,
            "sheet": sheet,
            "asked": self.asked,
            "summed_up": sheet is not None and self.kind.kind in SUMMARIES,
            "has_sheet": self.kind.kind in BLOCKS,
            "instrument": self.instrument,
            "kind": self.kind.kind,
            "measure": self.measure,
            "service": self.service,
            "order_words": order_words(self.kind.kind, {}, self.today),
            "caution": CAUTIONS.get(self.kind.kind),
        }

    def beside(self) -> dict[str, Any]:
        """Return what a member sees beside the form: tolerance, what was done when, what dries."""
        kind = self.kind.kind
        done = self.instrument.services.filter(only_measured=False)
        rows = done.order_by().values("kind").annotate(last=Max("date"))
        last: dict[str, date] = dict(rows.values_list("kind", "last"))
        rule = ServiceRule.objects.filter(service_kind=self.kind, use_class=self.instrument.use_class).first()
        return {
            "tolerance": rule.tolerance if rule else None,
            "last": last.get(kind),
            "order_words": order_words(kind, last, self.today),
            "drying": drying(self.instrument, self.now),
            "concert": other_pitch(self.instrument, self.now) if kind == "tuning" else None,
        }


def drying(instrument: Instrument, now: datetime) -> Service | None:
    """Return the service whose hardener is still wet, the last to dry."""
    wet = instrument.services.filter(dry_at__gt=now).order_by("-dry_at")
    return wet.first()


def other_pitch(instrument: Instrument, now: datetime) -> Booking | None:
    """Return the next booking that wants another pitch of an instrument than the one it is kept at."""
    soon = Booking.objects.filter(starts_at__gte=now, starts_at__lt=now + PITCH_AHEAD, pitch_hz__isnull=False)
    of_it = Q(instruments=instrument) | Q(instruments=None, room=instrument.room_id)
    return soon.filter(of_it).exclude(pitch_hz=instrument.pitch_hz).order_by("starts_at").first()


def in_words(refused: Refused) -> str:
    """Say to a person at a form why something is not taken and what is."""
    said = capfirst(refused.message)
    if refused.accepted:
        return _("%(said)s: %(accepted)s.") % {"said": said, "accepted": refused.accepted}
    return f"{said}."
