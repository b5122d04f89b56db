"""The air of a site's rooms: now, over thirty days, and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Avg, Count, Exists, Max, Min, OuterRef, Q, Subquery, Sum
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.access import SiteQuerySet
from fleet.models import ClimateDay, ClimateReading, Instrument, Room, Sensor, Site
from scheduling.inputs import air_sources
from scheduling.inputs.air import OWN_AIR_UNTIL

SPAN_DAYS = 30
SILENT = "full"
SILENT_AFTER = timedelta(days=2)
# A day with fewer hours of trusted readings counts as a gap; common practice, no source.
WHOLE_DAY_HOURS = 12
LATEST = ClimateReading.objects.filter(room=OuterRef("pk"), doubt="").order_by("-time")  # of rooms


@dataclass(frozen=True)
class Word:
    """One word on the quality of a room's air, with the sentence behind it."""

    word: str
    sentence: str
    shape: str


@dataclass(frozen=True)
class RoomAirNow:
    """One room of the list; humidity as fractions, temperature in degC."""

    room: Room
    instruments: int
    time: datetime | None
    temp_c: float | None
    rh: float | None
    rh_low: float | None
    rh_mean: float | None
    rh_high: float | None
    words: list[Word]


def rooms_now(site: Site, today: date, now: datetime) -> list[RoomAirNow]:
    """Return every room of a site with its air: four queries whatever their number."""
    return _rooms_now(Room.objects.of_site(site), site, today, now)


def silent_rooms(site: Site, today: date, now: datetime) -> list[tuple[Room, Word]]:
    """Return the rooms with instruments whose sensor has stopped sending what can be trusted."""
    standing = Exists(Instrument.objects.filter(room=OuterRef("pk"), retired_on__isnull=True))
    sensed = Exists(Sensor.objects.filter(Q(last_day=None) | Q(last_day__gte=today), room=OuterRef("pk")))
    rooms = (
        Room.objects.of_site(site)
        .filter(standing)
        .annotate(newest=Subquery(LATEST.values("time")[:1]), own=OWN_AIR_UNTIL)
    )
    never = Q(newest=None) & (Q(sensed) | Q(own__isnull=False))
    quiet = rooms.filter(never | Q(newest__lt=now - SILENT_AFTER)).order_by("building", "name")
    return [(room, _silent(room.newest)) for room in quiet]


def room_now(room: Room, today: date, now: datetime) -> RoomAirNow:
    """Return one room with its air."""
    return _rooms_now(Room.objects.filter(pk=room.pk), room.site, today, now)[0]


def _rooms_now(rows: SiteQuerySet[Room], site: Site, today: date, now: datetime) -> list[RoomAirNow]:
    rooms = rows.order_by("building", "name").annotate(
        standing=Count("instruments", filter=Q(instruments__retired_on__isnull=True)),
        last_time=Subquery(LATEST.values("time")[:1]),
        last_temp=Subquery(LATEST.values("temp_c")[:1]),
        last_rh=Subquery(LATEST.values("rh")[:1]),
    )
    spans = {row["room"]: row for row in _spans(site, today)}
    sensors = list(Sensor.objects.of_site(site).order_by("first_day", "pk"))
    sensed = {one.room_id for one in sensors if one.last_day is None or one.last_day >= today}
    corrections = {one.room_id: one for one in sensors if one.first_day <= today}
    sources = air_sources(site)
    found = [
        _room_now(room, spans.get(room.pk), room.pk in sensed, now, sources.get(room.pk)) for room in rooms
    ]
    return [_as_checked(air, corrections.get(air.room.pk)) for air in found]


def _as_checked(air: RoomAirNow, sensor: Sensor | None) -> RoomAirNow:
    """Read the humidity of now with the sensor's check, as the days are read."""
    if air.rh is None or air.time is None or sensor is None:
        return air
    day = timezone.localdate(air.time)
    if not sensor.first_day <= day <= (sensor.last_day or day):
        return air
    rh = sensor.humidity_slope * air.rh + sensor.humidity_offset
    return replace(air, rh=min(max(rh, 0.0), 1.0))


def _spans(site: Site, today: date) -> Iterable[Mapping[str, Any]]:
    return (
        ClimateDay.objects.of_site(site)
        .filter(date__gt=today - timedelta(days=SPAN_DAYS), date__lte=today)
        .values("room")
        .annotate(
            low=Min("rh_min"),
            mean=Avg("rh_mean"),
            high=Max("rh_max"),
            readings=Sum("readings"),
            doubtful=Sum("doubtful"),
            whole=Count("pk", filter=Q(hours_covered__gte=WHOLE_DAY_HOURS)),
        )
        .order_by()
    )


def _room_now(
    room: Room, span: Mapping[str, Any] | None, sensed: bool, now: datetime, source: str | None
) -> RoomAirNow:
    time = room.last_time  # type: ignore[attr-defined]
    fresh = time is not None and now - time <= SILENT_AFTER
    span = span or {}
    return RoomAirNow(
        room=room,
        instruments=room.standing,  # type: ignore[attr-defined]
        time=time,
        temp_c=room.last_temp if fresh else None,  # type: ignore[attr-defined]
        rh=room.last_rh if fresh else None,  # type: ignore[attr-defined]
        rh_low=span.get("low"),
        rh_mean=span.get("mean"),
        rh_high=span.get("high"),
        words=_quality(span, sensed, time, fresh, source),
    )


def _quality(
    span: Mapping[str, Any], sensed: bool, time: datetime | None, fresh: bool, source: str | None
) -> list[Word]:
    borrowed = [] if source is None else [_borrowed(source)]
    if borrowed and not sensed and time is None:
        return borrowed
    words = [*([] if fresh else [_silent(time)]), *borrowed]
    if span.get("doubtful"):
        words.append(
            Word(
                _("doubtful"),
                _("%(count)d of %(all)d readings of thirty days are stuck or jump; they are kept, not used.")
                % {"count": span["doubtful"], "all": span["readings"]},
                "half",
            )
        )
    missing = SPAN_DAYS - span.get("whole", 0)
    if missing > 1:
        words.append(
            Word(
                _("gaps"),
                ngettext(
                    "%(count)d day of the last thirty lacks more than half its hours.",
                    "%(count)d days of the last thirty lack more than half their hours.",
                    missing,
                )
                % {"count": missing},
                "half",
            )
        )
    return words or [Word(_("whole"), _("Readings are fresh and without gaps."), "open")]


def _silent(time: datetime | None) -> Word:
    if time is None:
        return Word(_("silent"), _("Its sensor has sent nothing that can be trusted."), SILENT)
    day = date_format(timezone.localtime(time), _("j F"))
    return Word(_("silent"), _("No trusted reading since %(day)s.") % {"day": day}, SILENT)


def _borrowed(source: str) -> Word:
    if not source:
        return Word(
            _("supposed"),
            _("No readings in the whole house; a usual year is supposed, in a wide band."),
            "half",
        )
    return Word(
        _("borrowed"),
        _("No readings of its own; its air is taken from %(source)s, with a wider band.")
        % {"source": source},
        "half",
    )
