"""What a file of readings would store, before anything is stored: by room and day, gaps and doubts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from fleet import intake
from fleet.daily import DailyAir, daily_air
from fleet.intake import ReadingCounts
from fleet.local_time import HOUR, LocalClock, Micros, instant_of, micros
from fleet.models import ReadingsUpload, Room
from fleet.oddcsv.choices import ROOM, choices_of
from fleet.oddcsv.reading import Batch, OddReader
from fleet.quality import JUMP, STUCK, TRUSTED, doubts
from fleet.refusal import Refused
from fleet.uploads import path_of, rooms_of, unsaid

#: A page is to open within seconds, so that a longer file is tried by its first lines only, and says so.
MOST_TRIED = 200_000  # lines
GAP_HOURS = 6.0  # prior: wood notices less than that only a little
GAP_STEPS = 3.5  # [-] of the usual time between two readings
MOST_GAPS = 5
AHEAD = timedelta(days=1)  # a logger's clock may be a little fast


@dataclass(frozen=True)
class Gap:
    """A stretch without readings."""

    start: datetime
    end: datetime

    @property
    def hours(self) -> float:
        """Its length [h]."""
        return (self.end - self.start) / timedelta(hours=1)


@dataclass(frozen=True)
class RoomTrial:
    """What one room would get.

    Attributes
    ----------
    counts : what would be new, changed and the same beside what is stored
    stuck, jumps : readings that would be kept as doubtful
    gaps : the longest stretches without readings, `all_gaps` their number
    days : what the days would come to, of these readings alone
    """

    room: Room
    first: datetime
    last: datetime
    step_minutes: float
    counts: ReadingCounts
    stuck: int
    jumps: int
    gaps: list[Gap]
    all_gaps: int
    days: DailyAir


@dataclass(frozen=True)
class Trial:
    """What a file would store: room by room, what is refused, and how much of the file was looked at."""

    rooms: list[RoomTrial]
    refusal: Refused | None
    lines_tried: int
    left_out: int
    whole: bool


def trial_of(upload: ReadingsUpload, now: datetime) -> Trial | None:
    """Return what a file would store; None where something has still to be said."""
    if unsaid(upload):
        return None
    reader = reader_of(upload, now)
    batches: list[Batch] = []
    whole = True
    try:
        for batch in reader.batches():
            batches.append(batch)
            if reader.lines_read >= MOST_TRIED:
                whole = False
                break
        reader.finish()
        rooms = _rooms(upload, reader, batches)
    except Refused as refusal:
        return Trial([], refusal, reader.lines_read, reader.left_out, whole=False)
    return Trial(rooms, None, reader.lines_read, reader.left_out, whole)


def reader_of(upload: ReadingsUpload, now: datetime) -> OddReader:
    """Return what reads the file of an upload."""
    choices = choices_of(upload.choices)
    rooms = rooms_of(upload.site) if choices.column(ROOM) is not None else None
    return OddReader(path_of(upload), choices, upload.site.zone, micros(now + AHEAD), rooms)


def _rooms(upload: ReadingsUpload, reader: OddReader, batches: list[Batch]) -> list[RoomTrial]:
    """Return the trial room by room."""
    if not batches:
        return []
    line, room, time, temp_c, rh = (
        np.concatenate([getattr(batch, name) for batch in batches])
        for name in ("line", "room", "time", "temp_c", "rh")
    )
    if upload.room_id is not None and choices_of(upload.choices).column(ROOM) is None:
        room[:] = upload.room_id
    known = Room.objects.of_site(upload.site).in_bulk(np.unique(room).tolist())
    found = []
    for pk in np.unique(room).tolist():
        batch = Batch(line, room, time, temp_c, rh).picked(room == pk)
        found.append(_room(known[pk], one_an_instant(batch, reader.instants(batch.line, batch.time))))
    return sorted(found, key=lambda one: (one.room.building, one.room.name))


def one_an_instant(batch: Batch, instants: Micros) -> Batch:
    """Return the readings of one room by instant, each once.

    Raises
    ------
    Refused
        Where two lines give one instant different values.
    """
    batch = replace(batch, time=instants).picked(np.lexsort((batch.line, instants)))
    line, time, temp_c, rh = batch.line, batch.time, batch.temp_c, batch.rh
    again = np.flatnonzero(np.diff(time) == 0) + 1
    differ = again[(temp_c[again] != temp_c[again - 1]) | (rh[again] != rh[again - 1])]
    if len(differ):
        row = int(differ[np.argmin(line[differ])])
        raise Refused(
            f"another reading of this room and time stands in line {line[row - 1]}",
            line=int(line[row]),
            value=instant_of(int(time[row])).isoformat(),
            accepted="one reading a room and time",
        )
    return batch.picked(np.setdiff1d(np.arange(len(time)), again))


def _room(room: Room, batch: Batch) -> RoomTrial:
    codes = doubts(batch.time, batch.temp_c, batch.rh)
    clock = LocalClock(
        room.site.zone, instant_of(int(batch.time[0])).date(), instant_of(int(batch.time[-1])).date()
    )
    steps = np.diff(batch.time)
    usual = float(np.median(steps)) if len(steps) else 0.0
    places = np.flatnonzero(steps > max(GAP_HOURS * HOUR, GAP_STEPS * usual))
    longest = sorted(places.tolist(), key=lambda place: -steps[place])[:MOST_GAPS]
    return RoomTrial(
        room=room,
        first=instant_of(int(batch.time[0])),
        last=instant_of(int(batch.time[-1])),
        step_minutes=usual / HOUR * 60,
        counts=intake.compare_readings(room.site, batch.room, batch.time, batch.temp_c, batch.rh),
        stuck=int(np.sum(codes == STUCK)),
        jumps=int(np.sum(codes == JUMP)),
        gaps=[
            Gap(instant_of(int(batch.time[place])), instant_of(int(batch.time[place + 1])))
            for place in sorted(longest)
        ],
        all_gaps=len(places),
        days=daily_air(batch.time, batch.temp_c, batch.rh, codes == TRUSTED, clock),
    )
