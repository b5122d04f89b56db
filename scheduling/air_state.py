"""Which sensor is silent, doubtful or drifting since when, and what that does to the forecasts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.db.models import Count, Q
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from numpy.typing import NDArray

from fleet.day_columns import day_columns
from fleet.models import Room, Sensor, Site
from scheduling.engine.air import HUMIDITY
from scheduling.engine.sensor_drift import WEEKS, YEAR_DAYS, slow_drift

SILENT, DOUBTFUL, DRIFTING, GAPS = "silent", "doubtful", "drifting", "gaps"
SILENT_DAYS = 2  # as the pages and the letters count it
LOOK_BACK = timedelta(days=30)
# A day with fewer hours of trusted readings is a gap; prior: common practice, no source.
WHOLE_DAY_HOURS = 12
MOST_GAPS = 3  # [d] of thirty before a room is said to have gaps
EIGHTY_PERCENT = 1.2816  # scipy.stats.norm.ppf(0.9)
# An 80 % band of less than this much humidity [fraction] does not move an instrument: prior, no source.
MATTERS = 0.01


@dataclass(frozen=True)
class AirTrouble:
    """What is wrong with the readings of a room.

    Attributes
    ----------
    word : str
        silent, doubtful, drifting or gaps.
    since : date
        The first day of it.
    instruments : int
        Those that stand in the room.
    doubt : float
        Half of the band in which the room's humidity of today lies with 80 % [fraction], from that alone.
    """

    room: Room
    word: str
    since: date
    sentence: str
    instruments: int
    doubt: float

    @property
    def effect(self) -> str:
        """What it does to the forecasts, in a sentence."""
        if not self.instruments:
            return _("No instrument stands there.")
        stand = ngettext(
            "%(count)d instrument stands there.", "%(count)d instruments stand there.", self.instruments
        ) % {"count": self.instruments}
        if self.word == DRIFTING:
            said = _("Forecasts still believe it: if it is the sensor, they are off by that much humidity.")
        elif self.doubt < MATTERS:
            said = _("Forecasts hardly notice so far.")
        else:
            said = _("Forecasts know its humidity of today only within ± %(points).0f %%.") % {
                "points": 100 * self.doubt
            }
        return f"{stand} {said}"


@dataclass(frozen=True)
class _Record:
    """Days of one room: ordinals, mean humidity (NaN where none is trusted), hours, doubtful readings."""

    days: NDArray[np.int64]
    rh: NDArray[np.float64]
    hours: NDArray[np.int64]
    doubtful: NDArray[np.int64]


def air_troubles(site: Site, today: date) -> list[AirTrouble]:
    """Return what is wrong with the readings of a site's rooms: three queries whatever their number."""
    rooms = list(
        Room.objects.of_site(site)
        .order_by("building", "name")
        .annotate(standing=Count("instruments", filter=Q(instruments__retired_on__isnull=True)))
    )
    taken_away = _without_sensor(site, today)
    records = _records(site, today)
    found: list[AirTrouble] = []
    for room in rooms:
        record = records.get(room.pk)
        if record is not None and room.pk not in taken_away:
            found += _of_room(room, record, today)
            found += _drifting(room, rooms, records, today)
    return found


def drift_sentences(site: Site, today: date) -> list[tuple[Room, str]]:
    """Return a line for a letter on each sensor that leaves its neighbours, where instruments stand."""
    said = _("its sensor has been leaving its neighbours since %(day)s. %(sentence)s Check it over a salt.")
    return [
        (one.room, said % {"day": date_format(one.since, _("j F")), "sentence": one.sentence})
        for one in air_troubles(site, today)
        if one.word == DRIFTING and one.instruments
    ]


def humidity_doubt(days: int) -> float:
    """Return half the 80 % band of a room's humidity so many days after its last reading [fraction].

    The weather around the season forgets by a share each day (priors of ``scheduling.engine.air``); a
    forecast uses what it has learned of the room instead.
    """
    variance = HUMIDITY.anomaly_sd**2 * (1 - HUMIDITY.anomaly_keep ** (2 * max(days, 0)))
    return float(EIGHTY_PERCENT * np.sqrt(variance))


def _without_sensor(site: Site, today: date) -> set[int]:
    """Return the rooms whose sensors were all taken away on purpose."""
    there: dict[int, bool] = {}
    for room, last_day in Sensor.objects.of_site(site).values_list("room", "last_day"):
        there[room] = there.get(room, False) or last_day is None or last_day >= today
    return {room for room, still in there.items() if not still}


def _records(site: Site, today: date) -> dict[int, _Record]:
    first = today - timedelta(days=YEAR_DAYS + 7 * WEEKS + 6)
    found = day_columns(site, first, today, "rh_mean", "hours_covered", "doubtful")
    return {
        room: _Record(days, table[:, 0], table[:, 1].astype(np.int64), table[:, 2].astype(np.int64))
        for room, (days, table) in found.items()
    }


def _of_room(room: Room, record: _Record, today: date) -> Iterable[AirTrouble]:
    """Give what a room's own days say."""
    number = today.toordinal()
    trusted = record.days[record.hours > 0]
    last = int(trusted[-1]) if trusted.size else int(record.days[0]) - 1
    standing = room.standing  # type: ignore[attr-defined]
    if number - last > SILENT_DAYS:
        still = bool((record.days > last).any())
        said = (
            _("It still sends, but nothing that can be true.") if still else _("Nothing has come since then.")
        )
        day = date.fromordinal(last + 1)
        yield AirTrouble(room, SILENT, day, said, standing, humidity_doubt(number - last))
        return
    recent = record.days > number - LOOK_BACK.days
    bad = record.days[recent & (record.doubtful > 0)]
    if bad.size:
        count = int(record.doubtful[recent].sum())
        said = ngettext(
            "%(count)d reading of thirty days is stuck or jumps; it is kept, not used.",
            "%(count)d readings of thirty days are stuck or jump; they are kept, not used.",
            count,
        ) % {"count": count}
        day = date.fromordinal(_start_of_run(bad))
        yield AirTrouble(room, DOUBTFUL, day, said, standing, humidity_doubt(number - 1 - last))
    whole = record.days[recent & (record.hours >= WHOLE_DAY_HOURS)]
    first = max(int(record.days[0]), number - LOOK_BACK.days + 1)
    missing = np.setdiff1d(np.arange(first, number), whole)
    if missing.size > MOST_GAPS:
        said = _("%(count)d of thirty days lack more than half their hours.") % {"count": missing.size}
        day = date.fromordinal(int(missing[0]))
        yield AirTrouble(room, GAPS, day, said, standing, humidity_doubt(number - 1 - last))


def _start_of_run(days: NDArray[np.int64]) -> int:
    """Return the first of the last days that follow on each other."""
    breaks = np.flatnonzero(np.diff(days) > 1)
    return int(days[breaks[-1] + 1] if breaks.size else days[0])


def _drifting(
    room: Room, rooms: Sequence[Room], records: dict[int, _Record], today: date
) -> Iterable[AirTrouble]:
    """Give the slow divergence of a room from those of its building, or of the site."""
    if room.outdoors:
        return
    indoors = [one.pk for one in rooms if not one.outdoors and one.pk != room.pk and one.pk in records]
    near = [one.pk for one in rooms if one.building == room.building and one.pk in indoors]
    number = today.toordinal()
    # The weeks that count and those of a year before; what lies between is not looked at.
    weeks = np.arange(number - 7 * WEEKS, number)
    days = np.concatenate([weeks - YEAR_DAYS, weeks])
    others = np.array([_on(days, records[pk]) for pk in (near if len(near) >= 2 else indoors)])
    if len(others) < 2:
        return
    drift = slow_drift(days, _on(days, records[room.pk]), others, number)
    if drift is not None:
        said = _("It has moved %(points)+.0f %% against its neighbours within %(weeks)d weeks.") % {
            "points": 100 * drift.change,
            "weeks": WEEKS,
        }
        standing = room.standing  # type: ignore[attr-defined]
        day = date.fromordinal(drift.since)
        yield AirTrouble(room, DRIFTING, day, said, standing, abs(drift.change))


def _on(days: NDArray[np.int64], record: _Record) -> NDArray[np.float64]:
    """Return a record's humidity on a row of days, NaN where it has none."""
    place = np.minimum(np.searchsorted(record.days, days), len(record.days) - 1)
    return np.where(record.days[place] == days, record.rh[place], np.nan)
