"""Sensors: which stood where and when, and what a check over salt solutions says of their humidity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from fleet import intake
from fleet.models import Room, Sensor, Site
from fleet.names import name_of
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed

LONGEST_NAME = 120
# Beyond these a sensor is broken rather than off; a prior: common practice, no source.
SLOPES = (0.7, 1.4)
LARGEST_OFFSET = 0.25
LEAST_APART = 0.2  # [fraction] two points nearer to each other say little of a slope
DAY = timedelta(days=1)


@dataclass(frozen=True)
class Salt:
    """A salt whose saturated solution holds the air above it at a humidity [fraction]."""

    key: str
    name: str
    rh: float


# At 25 °C; L. Greenspan, "Humidity fixed points of binary saturated aqueous solutions", J. Res. NBS 81A
# (1977), and ASTM E104; from memory, unverified. Between 20 and 25 °C they move by half a percent at most.
SALTS = (
    Salt("lithium", "lithium chloride", 0.113),
    Salt("magnesium", "magnesium chloride", 0.328),
    Salt("sodium", "sodium chloride", 0.753),
)


@dataclass(frozen=True)
class Point:
    """One point of a check: what the air was, and what the sensor said [fraction]."""

    true: float
    read: float


def correction(points: Sequence[Point]) -> tuple[float, float]:
    """Return slope [-] and offset [fraction] with which one or two points come out right.

    Raises
    ------
    Refused
        Where they say of a sensor that it is broken, or too little.
    """
    if not 1 <= len(points) <= 2:
        raise Refused(_("a check has one point or two"), value=len(points), accepted=_("1 or 2"))
    for point in points:
        if not (0 <= point.true <= 1 and 0 <= point.read <= 1):
            raise Refused(
                _("no humidity"), column="read", value=100 * point.read, accepted=_("0 to 100 percent")
            )
    slope = 1.0
    if len(points) == 2:
        low, high = sorted(points, key=lambda point: point.true)
        if high.true - low.true < LEAST_APART:
            raise Refused(
                _("two points too near to each other"), accepted=_("points at least 20 percent apart")
            )
        if high.read <= low.read:
            raise Refused(
                _("the sensor reads less where the air is damper"), accepted=_("the points exchanged?")
            )
        slope = (high.true - low.true) / (high.read - low.read)
    offset = points[0].true - slope * points[0].read
    if not SLOPES[0] <= slope <= SLOPES[1] or abs(points[0].true - points[0].read) > LARGEST_OFFSET:
        raise Refused(
            _("a sensor so far off is broken"),
            value=f"slope {slope:.2f}, {100 * (points[0].true - points[0].read):+.0f} percent",
            accepted=_("a slope from %(slopes)s to %(slopes_2)s, %(value)s percent off")
            % {"slopes": SLOPES[0], "slopes_2": SLOPES[1], "value": f"{100 * LARGEST_OFFSET:.0f}"},
        )
    return slope, offset


@transaction.atomic
def place(site: Site, name: str, room: Room, first_day: date) -> Sensor:
    """Let a sensor stand in a room from a day on; where it stood before ends the day before.

    Raises
    ------
    Refused
        Where it has no name, the room is of another site, or it was moved later already.
    """
    name = name_of(name)
    if not name or len(name) > LONGEST_NAME:
        raise Refused(
            _("a sensor needs a name"), column="name", value=name, accepted=_("at most 120 characters")
        )
    if room.site_id != site.pk:
        raise Refused(_("a room that is not of this site"), column="room", value=room.pk)
    mine = Sensor.objects.select_for_update().filter(site=site, name=name)
    later = mine.filter(first_day__gte=first_day).first()
    if later is not None:
        raise Refused(
            _("this sensor was placed in %(room)s on %(first_day)s")
            % {"room": later.room, "first_day": later.first_day},
            column="first_day",
            value=first_day,
            accepted=_("a later day, or another sensor's name"),
        )
    before = mine.filter(Q(last_day__isnull=True) | Q(last_day__gte=first_day)).first()
    slope, offset, checked = 1.0, 0.0, None
    if before is not None:
        slope, offset, checked = before.humidity_slope, before.humidity_offset, before.checked_on
        _end(before, first_day - DAY)
    sensor = Sensor.objects.create(
        site=site,
        name=name,
        room=room,
        first_day=first_day,
        humidity_slope=slope,
        humidity_offset=offset,
        checked_on=checked,
    )
    _read_anew(room, first_day, None)
    return sensor


@transaction.atomic
def take_away(sensor: Sensor, last_day: date) -> None:
    """Let a sensor stand where it stands until a day and no longer.

    Raises
    ------
    Refused
        Where it came later than that.
    """
    if last_day < sensor.first_day:
        raise Refused(
            _("it came later than that"),
            column="last_day",
            value=last_day,
            accepted=_("%(first_day)s or later") % {"first_day": sensor.first_day},
        )
    _end(sensor, last_day)


def _end(sensor: Sensor, last_day: date) -> None:
    until = sensor.last_day
    sensor.last_day = last_day
    sensor.save(update_fields=["last_day"])
    _read_anew(sensor.room, last_day, until)


@transaction.atomic
def check(sensor: Sensor, points: Sequence[Point], checked_on: date, counts_from: date) -> Sensor:
    """Keep what a check over salts said, from a day on; readings are stored as they came and read anew.

    Returns
    -------
    Sensor
        The row that carries the new correction: a second one where it counts only from a later day.

    Raises
    ------
    Refused
        Where the points say that the sensor is broken, or the day lies outside its time in the room.
    """
    slope, offset = correction(points)
    last = sensor.last_day
    if counts_from < sensor.first_day or (last is not None and counts_from > last):
        raise Refused(
            _("the sensor did not stand there on that day"),
            column="counts_from",
            value=counts_from,
            accepted=_("%(first_day)s to %(value)s")
            % {"first_day": sensor.first_day, "value": last or "today"},
        )
    if counts_from > sensor.first_day:
        sensor.last_day = counts_from - DAY
        sensor.save(update_fields=["last_day"])
        sensor = Sensor(
            site=sensor.site, name=sensor.name, room=sensor.room, first_day=counts_from, last_day=last
        )
    sensor.humidity_slope, sensor.humidity_offset, sensor.checked_on = slope, offset, checked_on
    sensor.save()
    _read_anew(sensor.room, counts_from, last)
    return sensor


@transaction.atomic
def lend(room: Room, lender: Room | None, outdoors: bool) -> None:
    """Let another room's air stand in for one without a sensor; outdoor air does so heated.

    Raises
    ------
    Refused
        Where a room would lend to itself, be it through others.
    """
    passed = [room.pk]
    other = lender
    while other is not None:
        if other.pk in passed:
            raise Refused(
                _("a room cannot lend to itself"), column="lender", value=lender, accepted=_("another room")
            )
        passed.append(other.pk)
        other = other.borrows_from
    room.borrows_from, room.outdoors = lender, outdoors
    room.save(update_fields=["borrows_from", "outdoors"])
    # Whoever borrows, or is a neighbour, may be reached, so that the whole site is looked at again.
    tell_facts_changed(room.site_id)


def _read_anew(room: Room, first: date | None, last: date | None) -> None:
    """Rebuild the days of a room whose humidity is read differently now."""
    intake.rebuild_days(room, first, last)
