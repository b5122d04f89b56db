"""What people bring to begin with: taken in, answered about, asked to be stored, given up."""

from __future__ import annotations

import secrets
import shutil
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any, Protocol

from django.conf import settings
from django.db import transaction
from django.db.models import Q, QuerySet

from fleet.models import Arrival, ArrivalKind, ArrivalState, Role, Site
from fleet.refusal import Refused
from fleet.uploads import shown_name

LARGEST_FOLDER = 300_000_000  # bytes as it is sent
LARGEST_UNPACKED = 1_000_000_000  # bytes
MOST_FILES = 200
SMALL = 300_000  # bytes; so much is looked at while the person waits
MOST_OPEN = 10  # arrivals of a person that wait
KEPT_FOR = timedelta(days=1)
TAKEN = (".csv", ".ics")
AT_REST = (ArrivalState.OPEN, ArrivalState.LOOKED)
MAKERS = (Role.ADMINISTRATOR,)


class SentFile(Protocol):
    """A file as a form sends it."""

    @property
    def name(self) -> str | None:
        """Its name on the sender's machine."""

    def chunks(self) -> Iterable[bytes]:
        """Its bytes, piece by piece."""


@dataclass(frozen=True)
class Brought:
    """What a form brings: the kind, the files, and the site; none for a folder that makes its own."""

    kind: str
    files: Sequence[SentFile]
    site: Site | None


def may_make_sites(user: Any) -> bool:
    """Return whether somebody may make a site: who has none yet, staff, and administrators of another."""
    return bool(
        user.is_staff or not user.memberships.exists() or user.memberships.filter(role__in=MAKERS).exists()
    )


def writes_at(user: Any, site: Site) -> bool:
    """Return whether somebody works at a site, as its technician or administrator."""
    return bool(user.memberships.filter(site=site, role__in=(Role.TECHNICIAN, Role.ADMINISTRATOR)).exists())


def of_user(user: Any) -> QuerySet[Arrival]:
    """Return what a person has brought themselves; nobody else has to do with it before it is stored."""
    return Arrival.objects.filter(made_by=user).select_related("site", "made_by")


def path_of(arrival: Arrival) -> Path:
    """Return the folder in which an arrival's files lie."""
    return Path(settings.UPLOADS_DIR) / f"arrival-{arrival.stored_as}"


def begin(brought: Brought, by: Any, now: datetime) -> Arrival:
    """Take files in; the worker looks at them, or the caller where they are small.

    Raises
    ------
    Refused
        Where nothing, too much, or something else was sent; nothing is kept then.
    """
    forget_old(now)
    if of_user(by).filter(state__in=AT_REST).count() >= MOST_OPEN:
        raise Refused("too many files wait already", accepted=f"at most {MOST_OPEN}: store some or give up")
    if not brought.files:
        raise Refused("no file was chosen", accepted="a file")
    arrival = Arrival(
        kind=brought.kind,
        site=brought.site,
        made_by=by,
        made_at=now,
        stored_as=secrets.token_hex(16),
        file_name=shown_name(brought.files[0].name or "", "table"),
    )
    folder = path_of(arrival)
    folder.mkdir(parents=True)
    try:
        if brought.kind == ArrivalKind.FOLDER:
            arrival.size = _take_folder(folder, brought.files)
        else:
            arrival.size = _write(folder / "table", brought.files[0].chunks(), LARGEST_FOLDER)
        arrival.save()
    except BaseException as error:
        shutil.rmtree(folder, ignore_errors=True)
        if isinstance(error, Refused) and error.file is None:
            error.file = arrival.file_name
        raise
    return arrival


def _write(path: Path, pieces: Iterable[bytes], most: int) -> int:
    size = 0
    with open(path, "xb") as file:
        for piece in pieces:
            size += len(piece)
            if size > most:
                raise Refused("the files are too large", accepted=f"at most {most:,} bytes")
            file.write(piece)
    return size


def _take_folder(folder: Path, files: Sequence[SentFile]) -> int:
    """Put the files of a folder into one, from a zip archive or as they were chosen."""
    if len(files) == 1 and (files[0].name or "").lower().endswith(".zip"):
        packed = folder / "sent.zip"
        _write(packed, files[0].chunks(), LARGEST_FOLDER)
        size = _unpack(packed, folder)
        packed.unlink()
        return size
    size = 0
    for file in files:
        name = shown_name(file.name or "", "table")
        if name.lower().endswith(TAKEN) and not (folder / name).exists():
            size += _write(folder / name, file.chunks(), LARGEST_FOLDER - size)
    if not size:
        raise Refused(
            "none of the files is CSV or iCalendar", accepted="the CSV files of a folder, or its zip"
        )
    return size


def _unpack(packed: Path, folder: Path) -> int:
    """Unpack the CSV and calendar files of an archive side by side, whatever folder they lie in.

    Raises
    ------
    Refused
        Where it is damaged, locked, too large, or has two files of one name.
    """
    size = 0
    try:
        with zipfile.ZipFile(packed) as archive:
            entries = [one for one in archive.infolist() if not one.is_dir()]
            if len(entries) > MOST_FILES or sum(one.file_size for one in entries) > LARGEST_UNPACKED:
                accepted = f"at most {MOST_FILES} files of {LARGEST_UNPACKED:,} bytes together"
                raise Refused("the archive is too large", accepted=accepted)
            for entry in entries:
                name = PurePosixPath(entry.filename.replace("\\", "/")).name
                if not name.lower().endswith(TAKEN) or name.startswith("."):
                    continue
                if (folder / name).exists():
                    raise Refused("two files of one name", value=name, accepted="one folder in an archive")
                with archive.open(entry) as file:
                    pieces = iter(partial(file.read, 1 << 20), b"")
                    size += _write(folder / name, pieces, LARGEST_UNPACKED - size)
    except Refused:
        raise
    except Exception as error:  # a damaged archive fails anywhere within its reader
        raise Refused(
            "the archive cannot be read", value=str(error), accepted="a zip without password"
        ) from error
    if not size:
        raise Refused("no CSV file in the archive", accepted="the CSV files of a folder")
    return size


@transaction.atomic
def answer(arrival: Arrival, said: Mapping[str, Any], store: bool) -> Arrival:
    """Keep what was said of a table and have it looked at again, or stored.

    Raises
    ------
    Refused
        Where it waits for no answers any more.
    """
    row = Arrival.objects.select_for_update().get(pk=arrival.pk)
    if row.state not in AT_REST or not path_of(row).exists():
        raise Refused(
            "the file waits for no answers any more",
            value=row.get_state_display(),
            accepted="the file brought again",
        )
    if said:
        row.choices = {**row.choices, **said}
    row.state, row.store, row.trouble, row.step = ArrivalState.WAITING, store, "", ""
    row.save()
    return row


def wake(arrival: Arrival) -> None:
    """Let a worker take it up once the transaction is through; the next tick finds it where none does."""
    from fleet.tasks import take_arrival  # the task calls the services of this module's neighbour

    transaction.on_commit(partial(take_arrival.delay, arrival.pk), robust=True)


def cancel(arrival: Arrival, now: datetime) -> bool:
    """Give something up; return whether that was still possible."""
    rows = Arrival.objects.filter(pk=arrival.pk, state__in=(*AT_REST, ArrivalState.WAITING))
    if not rows.update(state=ArrivalState.CANCELLED, finished_at=now):
        return False
    shutil.rmtree(path_of(arrival), ignore_errors=True)
    return True


def due(now: datetime) -> list[int]:
    """Return what waits for a worker, or whose worker has died."""
    waiting = Q(state=ArrivalState.WAITING) | Q(state=ArrivalState.WORKING, lease_until__lt=now)
    return list(Arrival.objects.filter(waiting).order_by("pk").values_list("pk", flat=True))


def forget_old(now: datetime) -> int:
    """Lay aside what nobody came back to, and return how many."""
    old = list(Arrival.objects.filter(state__in=AT_REST, made_at__lt=now - KEPT_FOR))
    Arrival.objects.filter(pk__in=[one.pk for one in old], state__in=AT_REST).update(
        state=ArrivalState.FORGOTTEN, finished_at=now
    )
    for one in old:
        shutil.rmtree(path_of(one), ignore_errors=True)
    return len(old)
