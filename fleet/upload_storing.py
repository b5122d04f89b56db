"""A worker stores a file of readings: claimed by one, checked whole, then stored whole or not at all."""

from __future__ import annotations

import secrets
import shutil
import tempfile
from collections.abc import Iterator
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
from django.db import DatabaseError, transaction
from django.db.models import Q
from django.utils import timezone

from fleet import intake
from fleet.local_time import DAY
from fleet.models import LoggerFormat, ReadingsUpload, UploadState
from fleet.oddcsv.choices import ROOM, choices_of
from fleet.oddcsv.reading import Batch, OddReader
from fleet.refusal import Refused
from fleet.upload_trial import one_an_instant, reader_of
from fleet.uploads import AT_WORK, path_of, stop_sign

LEASE = timedelta(minutes=12)  # longer than a task may run
TELL_EVERY = 20_000  # lines
SPOOLED = np.dtype([("line", np.int64), ("time", np.int64), ("temp_c", np.float64), ("rh", np.float64)])
STRETCH = 122 * DAY
FAR_BACK = 300


class Stopped(Exception):
    """The file was given up by its person, or another worker has it now."""


def store(upload_id: int) -> UploadState | None:
    """Store the file of an upload; return what it has come to, None where it is not this worker's to do.

    Notes
    -----
    The file is read once from end to end before anything is stored, a room and a third of a year at a time
    into files beside it, so that memory does not grow with the file. What is stored is stored in one
    transaction together with the row's new state: a worker that dies leaves nothing behind but a claim that
    runs out.
    """
    upload = _claimed(upload_id, timezone.now())
    if upload is None:
        return None
    if not upload.cancel_asked:
        stop_sign(upload).unlink(missing_ok=True)  # of a worker that died
    folder = Path(tempfile.mkdtemp(prefix="spool-", dir=path_of(upload).parent))
    try:
        _check_and_store(upload, folder)
    except Stopped:
        _given_up(upload)
    except (Refused, DatabaseError, OSError) as error:
        _finish(upload, state=UploadState.REFUSED, trouble=str(error))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        stop_sign(upload).unlink(missing_ok=True)
    upload.refresh_from_db()
    return UploadState(upload.state)


def _claimed(upload_id: int, now: datetime) -> ReadingsUpload | None:
    """Take an upload that waits, or whose worker has died; None where another has it."""
    lease = secrets.token_hex(16)
    free = Q(state=UploadState.WAITING) | Q(state__in=AT_WORK, lease_until__lt=now)
    taken = ReadingsUpload.objects.filter(free, pk=upload_id).update(
        state=UploadState.CHECKING, lease=lease, lease_until=now + LEASE, lines_read=0
    )
    if not taken:
        return None
    return ReadingsUpload.objects.select_related("site", "room").get(pk=upload_id, lease=lease)


def _mine(upload: ReadingsUpload, **said: object) -> None:
    """Change the row of an upload while it is this worker's and nobody gave it up.

    Raises
    ------
    Stopped
        Where it is not, or somebody did.
    """
    _go_on_or_stop(upload)
    rows = ReadingsUpload.objects.filter(pk=upload.pk, lease=upload.lease, cancel_asked=False)
    if not rows.update(**said):
        raise Stopped


def _go_on_or_stop(upload: ReadingsUpload) -> None:
    if stop_sign(upload).exists():
        raise Stopped


def _given_up(upload: ReadingsUpload) -> None:
    asked = Q() if stop_sign(upload).exists() else Q(cancel_asked=True)
    rows = ReadingsUpload.objects.filter(asked, pk=upload.pk, lease=upload.lease)
    given_up = {"state": UploadState.CANCELLED, "cancel_asked": True}
    if rows.update(**given_up, finished_at=timezone.now(), lease_until=None):
        path_of(upload).unlink(missing_ok=True)


def _finish(upload: ReadingsUpload, **said: object) -> None:
    ReadingsUpload.objects.filter(pk=upload.pk, lease=upload.lease).update(
        finished_at=timezone.now(), lease_until=None, **said
    )


def _check_and_store(upload: ReadingsUpload, folder: Path) -> None:
    reader = reader_of(upload, timezone.now())
    told = 0
    for batch in reader.batches():
        _spool(upload, batch, folder)
        if reader.lines_read - told >= TELL_EVERY:
            told = reader.lines_read
            _mine(upload, lines_read=told, lease_until=timezone.now() + LEASE)
    reader.finish()
    for room, batch in _spooled(folder, reader):
        one_an_instant(batch, batch.time)
        assert room
    _mine(
        upload,
        state=UploadState.STORING,
        lines_read=reader.lines_read,
        left_out=reader.left_out,
        lease_until=timezone.now() + LEASE,
    )
    with transaction.atomic():
        _store(upload, reader, folder)


def _spool(upload: ReadingsUpload, batch: Batch, folder: Path) -> None:
    """Put the readings of a batch aside by room and stretch of days, in which one instant is looked for."""
    room = batch.room
    if choices_of(upload.choices).column(ROOM) is None:
        assert upload.room_id is not None
        room = np.full(len(batch.line), upload.room_id)
    # Stretches are counted from before any time that is taken, so that none is negative.
    stretch = batch.time // STRETCH + FAR_BACK
    for key in np.unique(np.column_stack([room, stretch]), axis=0):
        rows = (room == key[0]) & (stretch == key[1])
        part = np.zeros(int(rows.sum()), SPOOLED)
        for name in SPOOLED.names or ():
            part[name] = getattr(batch, name)[rows]
        with open(folder / f"{key[0]}-{key[1]:04}", "ab") as file:
            part.tofile(file)


def _spooled(folder: Path, reader: OddReader) -> Iterator[tuple[int, Batch]]:
    """Give what was put aside, a room and stretch at a time, with its instants."""
    for path in sorted(folder.iterdir(), key=lambda one: tuple(map(int, one.name.split("-")))):
        part = np.fromfile(path, SPOOLED)
        room = int(path.name.split("-")[0])
        instants = reader.instants(part["line"], part["time"])
        yield (
            room,
            Batch(part["line"], np.full(len(part), room), instants, part["temp_c"], part["rh"]),
        )


def _store(upload: ReadingsUpload, reader: OddReader, folder: Path) -> None:
    """Store everything within the caller's transaction, and say so in the row."""
    counts = intake.ReadingCounts()
    for _, batch in _spooled(folder, reader):
        _go_on_or_stop(upload)
        batch = one_an_instant(batch, batch.time)
        some = intake.store_readings(
            upload.site, batch.room, batch.time, batch.temp_c, batch.rh, upload.file_name[-40:]
        )
        for name in ("new", "changed", "same", "doubtful"):
            setattr(counts, name, getattr(counts, name) + getattr(some, name))
    now = timezone.now()
    LoggerFormat.objects.update_or_create(
        site=upload.site,
        room=upload.room if choices_of(upload.choices).column(ROOM) is None else None,
        signature=upload.signature,
        defaults={"choices": upload.choices, "used_at": now},
    )
    _mine(
        upload,
        state=UploadState.STORED,
        finished_at=now,
        lease_until=None,
        new=counts.new,
        changed=counts.changed,
        same=counts.same,
        doubtful=counts.doubtful,
    )
    transaction.on_commit(partial(path_of(upload).unlink, missing_ok=True))
