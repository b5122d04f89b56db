"""Taking in readings in bulk: stored once an instant, doubtful ones marked, the days they touch rebuilt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Max, Min
from numpy.typing import NDArray

from fleet import bulk
from fleet.bulk import Series
from fleet.daily import daily_air, local_days
from fleet.day_columns import store_days
from fleet.local_time import EPOCH, HOUR, LocalClock, Micros, day_number, instant_of
from fleet.models import ClimateDay, ClimateReading, Room, Sensor, Site
from fleet.models.air import COLDEST_C, HOTTEST_C
from fleet.quality import JUMP_US, TRUSTED, Floats, doubts
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed

Progress = Callable[[str], None]
EXAMPLES = 20
TELL_EVERY = 100_000  # readings
# The longest local day and an hour: enough around a reading to have the whole of its day.
AROUND_US = 26 * HOUR


@dataclass
class ReadingCounts:
    """What an intake did: readings new, changed and the same, and the first instants that changed."""

    new: int = 0
    changed: int = 0
    same: int = 0
    doubtful: int = 0
    examples: list[tuple[int, int]] = field(default_factory=list)  # (room id, instant [µs])


@dataclass(frozen=True)
class Batch:
    """Readings of one room that came in, in rising order of time."""

    times: Micros
    temp_c: Floats
    rh: Floats
    sources: NDArray[Any]  # texts


@transaction.atomic
def store_readings(
    site: Site,
    room_ids: NDArray[np.int64],
    times: Micros,
    temp_c: Floats,
    rh: Floats,
    source: str | NDArray[Any] = "",
    progress: Progress | None = None,
) -> ReadingCounts:
    """Store readings, mark the doubtful ones, rebuild the days they touch, and return what was new.

    Parameters
    ----------
    site : the site whose rooms they are
    room_ids : (n,) room of each reading
    times : (n,) instants as microseconds from 1970 UTC [µs], in any order
    temp_c : (n,) temperature [°C]
    rh : (n,) relative humidity [fraction]
    source : where they come from, one text or one for each, shape (n,)
    progress : called with a line now and then

    Raises
    ------
    Refused
        Where a value is impossible, a room is of another site, or one instant has two different values.

    Notes
    -----
    A reading of the same room and instant is replaced where it differs and left alone where it does not, so
    that the same readings may come again. Everything happens in one transaction.
    """
    counts = ReadingCounts()
    done = 0
    changed = []
    for room_id, batch in _batches(site, room_ids, times, temp_c, rh, source):
        bulk.hold(room_id)
        touched, fresh = _compare(room_id, batch, counts)
        if touched.any():
            counts.doubtful += _take_in(site, room_id, batch, touched, fresh)
            changed.append(room_id)
        told, done = done // TELL_EVERY, done + len(batch.times)
        if progress and (done // TELL_EVERY > told or done == len(times)):
            progress(f"readings: {done:,} of {len(times):,} stored")
    tell_facts_changed(site.pk, room_ids=changed)
    return counts


def compare_readings(
    site: Site, room_ids: NDArray[np.int64], times: Micros, temp_c: Floats, rh: Floats
) -> ReadingCounts:
    """Return what :func:`store_readings` would find new, changed and the same, and store nothing."""
    counts = ReadingCounts()
    for room_id, batch in _batches(site, room_ids, times, temp_c, rh, ""):
        _compare(room_id, batch, counts)
    return counts


@transaction.atomic
def rebuild_days(room: Room, first: date | None = None, last: date | None = None) -> None:
    """Mark the readings of a room anew and rebuild its days from one date to another, both included."""
    tell_facts_changed(room.site_id, room_ids=[room.pk])
    stored = ClimateDay.objects.filter(room=room, date__gte=first or date.min, date__lte=last or date.max)
    reach = ClimateReading.objects.filter(room=room).aggregate(low=Min("time"), high=Max("time"))
    if reach["low"] is None:
        stored.delete()
        return
    first = max(first or date.min, room.site.local_date(reach["low"]))
    last = min(last or date.max, room.site.local_date(reach["high"]))
    numbers = np.arange(day_number(first), day_number(last) + 1)
    if len(numbers):
        _rebuild(room, numbers)
    stored.exclude(date__gte=first, date__lte=last).delete()


def _rebuild(room: Room, wanted: NDArray[np.int64]) -> None:
    """Mark anew and rebuild so many days in a row, and drop those of them without a reading."""
    clock = LocalClock(room.site.zone, _date(wanted[0]), _date(wanted[-1]))
    low, high = clock.midnight(np.array([wanted[0], wanted[-1] + 1])).tolist()
    marked = _marked(room.pk, low, high)
    assert marked is not None
    series, relabelled = marked
    bulk.set_doubts(room.pk, series.times[relabelled], series.doubt[relabelled])
    clock = _clock_over(room.site, series.times)
    days = local_days(series.times, clock)
    ClimateDay.objects.filter(room=room, date__in=[_date(day) for day in np.setdiff1d(wanted, days)]).delete()
    _store_days(room.pk, series, clock, np.union1d(wanted, days[relabelled]))


def _batches(
    site: Site,
    room_ids: NDArray[np.int64],
    times: Micros,
    temp_c: Floats,
    rh: Floats,
    source: str | NDArray[Any],
) -> list[tuple[int, Batch]]:
    """Check readings and return them room by room in order of time, each instant once."""
    _check_values(site, room_ids, temp_c, rh)
    if not len(times):
        return []
    order = np.lexsort((times, room_ids))
    room_ids, times, temp_c, rh = room_ids[order], times[order], temp_c[order], rh[order]
    again = (np.diff(room_ids) == 0) & (np.diff(times) == 0)
    differs = again & ((np.diff(temp_c) != 0) | (np.diff(rh) != 0))
    if differs.any():
        where = int(np.flatnonzero(differs)[0])
        raise Refused("two different readings of one room and instant", value=instant_of(times[where]))
    keep = np.flatnonzero(np.concatenate([[True], ~again]))
    texts = np.full(len(order), source, object) if isinstance(source, str) else source[order]
    rooms, starts = np.unique(room_ids[keep], return_index=True)
    return [
        (int(room), Batch(times[rows], temp_c[rows], rh[rows], texts[rows]))
        for room, rows in zip(rooms, np.split(keep, starts[1:]), strict=True)
    ]


def _check_values(site: Site, room_ids: NDArray[np.int64], temp_c: Floats, rh: Floats) -> None:
    """Refuse impossible values and rooms of another site."""
    strangers = set(np.unique(room_ids).tolist()) - set(
        Room.objects.of_site(site).values_list("pk", flat=True)
    )
    if strangers:
        raise Refused("a room that is not of this site", value=min(strangers))
    # Written so that NaN, which is neither above nor below, is refused too.
    for name, values, low, high in (("rh", rh, 0, 1), ("temp_c", temp_c, COLDEST_C, HOTTEST_C)):
        bad = np.flatnonzero(~((values >= low) & (values <= high)))
        if len(bad):
            raise Refused(
                "an impossible reading", column=name, value=values[bad[0]], accepted=f"{low} to {high}"
            )


def _compare(room_id: int, batch: Batch, counts: ReadingCounts) -> tuple[NDArray[np.bool_], bool]:
    """Count a batch against what is stored; return which readings are new or changed, and if all are new."""
    stored = bulk.read_series(room_id, int(batch.times[0]), int(batch.times[-1]))
    if not len(stored.times):
        counts.new += len(batch.times)
        return np.ones(len(batch.times), bool), True
    at = np.minimum(np.searchsorted(stored.times, batch.times), len(stored.times) - 1)
    known = stored.times[at] == batch.times
    differs = known & ((stored.temp_c[at] != batch.temp_c) | (stored.rh[at] != batch.rh))
    counts.new += int(np.sum(~known))
    counts.changed += int(np.sum(differs))
    counts.same += int(np.sum(known & ~differs))
    wanted = max(0, EXAMPLES - len(counts.examples))
    counts.examples += [(room_id, int(us)) for us in batch.times[differs][:wanted]]
    touched: NDArray[np.bool_] = ~known | differs
    return touched, not known.any()


def _take_in(site: Site, room_id: int, batch: Batch, touched: NDArray[np.bool_], fresh: bool) -> int:
    """Store the touched readings of a batch with their doubts, rebuild days, return how many are doubtful."""
    new = Series(
        batch.times[touched],
        batch.temp_c[touched],
        batch.rh[touched],
        np.full(int(touched.sum()), -1, np.int8),
    )
    marked = _marked(room_id, int(new.times[0]), int(new.times[-1]), new)
    assert marked is not None
    series, relabelled = marked
    is_new = np.isin(series.times, new.times, assume_unique=True)
    codes = series.doubt[is_new]
    bulk.upsert(room_id, Series(new.times, new.temp_c, new.rh, codes), batch.sources[touched], fresh)
    others = relabelled & ~is_new
    bulk.set_doubts(room_id, series.times[others], series.doubt[others])
    clock = _clock_over(site, series.times)
    days = local_days(series.times, clock)
    _store_days(room_id, series, clock, np.unique(days[is_new | relabelled]))
    return int(np.sum(codes != TRUSTED))


def _marked(
    room_id: int, low: int, high: int, new: Series | None = None
) -> tuple[Series, NDArray[np.bool_]] | None:
    """Return the readings around a stretch, marked anew, and which marks are not those stored.

    Marks change only between the runs of equal readings next to the stretch; beyond them they are kept.
    Enough is read on both sides to see every hour before a mark and every day as a whole.
    """
    since = bulk.unchanged_since(room_id, low - JUMP_US)
    until = bulk.unchanged_until(room_id, high + JUMP_US)
    reach = JUMP_US + AROUND_US
    series = bulk.read_series(
        room_id,
        None if since is None else min(since, low) - reach,
        None if until is None else max(until, high) + reach,
    )
    if new is not None:
        series = _merged(series, new)
    if not len(series.times):
        return None
    codes = doubts(series.times, series.temp_c, series.rh)
    if since is not None:
        codes = np.where(series.times > since, codes, series.doubt)
    if until is not None:
        codes = np.where(series.times < until, codes, series.doubt)
    return Series(series.times, series.temp_c, series.rh, codes.astype(np.int8)), codes != series.doubt


def _merged(old: Series, new: Series) -> Series:
    """Return both series as one, the new reading where both have the instant."""
    kept = ~np.isin(old.times, new.times, assume_unique=True)
    order = np.argsort(np.concatenate([old.times[kept], new.times]), kind="stable")

    def both(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(old, name)[kept], getattr(new, name)])[order]

    return Series(both("times"), both("temp_c"), both("rh"), both("doubt"))


def _clock_over(site: Site, times: Micros) -> LocalClock:
    """Return the site's clock over the days of rising instants."""
    return LocalClock(site.zone, instant_of(times[0]).date(), instant_of(times[-1]).date())


def _store_days(room_id: int, series: Series, clock: LocalClock, wanted: NDArray[np.int64]) -> None:
    """Rebuild the wanted local days of a room from a series that has them whole."""
    days = local_days(series.times, clock)
    rows = np.isin(days, wanted)
    slope, offset = sensor_corrections(room_id, days[rows])
    air = daily_air(
        series.times[rows],
        series.temp_c[rows],
        np.clip(slope * series.rh[rows] + offset, 0, 1),
        series.doubt[rows] == TRUSTED,
        clock,
    )
    store_days(room_id, air)


def sensor_corrections(room_id: int, days: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return slope [-] and offset [fraction] of the humidity read on each local day, two of shape (n,).

    A reading names no sensor, so the one that came last into the room counts.
    """
    slope, offset = np.ones(len(days)), np.zeros(len(days))
    for first, last, times, plus in (
        Sensor.objects.filter(room=room_id)
        .order_by("first_day", "pk")
        .values_list("first_day", "last_day", "humidity_slope", "humidity_offset")
    ):
        stood = (days >= day_number(first)) & (days <= (day_number(last) if last else np.inf))
        slope[stood], offset[stood] = times, plus
    return slope, offset


def _date(day: np.int64 | int) -> date:
    """Return the date that lies so many days after 1970-01-01."""
    return EPOCH.date() + timedelta(days=int(day))
