"""Files of readings brought to a page: taken in, looked at, chosen about, asked to be stored, given up."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from fleet.models import LoggerFormat, ReadingsUpload, Room, Site, UploadState
from fleet.oddcsv.choices import ROOM, Choices, choices_of, missing_in
from fleet.oddcsv.meaning import Recognised, recognise
from fleet.oddcsv.text import Shape
from fleet.refusal import Refused

LARGEST_FILE = 300_000_000  # bytes
MOST_OPEN = 20  # files of a site that wait for somebody
KEPT_FOR = timedelta(days=1)
SHOWN_ROWS = 6
HEAD_CELLS = 400  # characters of a cell kept to be shown
AT_REST = (UploadState.OPEN, UploadState.REFUSED)
AT_WORK = (UploadState.CHECKING, UploadState.STORING)


def begin(
    site: Site, name: str, pieces: Iterable[bytes], room: Room | None, by: Any, now: datetime
) -> ReadingsUpload:
    """Take a file in, recognise what it says and wait for the person's choices.

    Raises
    ------
    Refused
        Where it is too large or no table; it is not kept then.
    """
    forget_old(now)
    if ReadingsUpload.objects.filter(site=site, state__in=AT_REST).count() >= MOST_OPEN:
        raise Refused(
            _("too many files wait already"),
            accepted=_("at most %(most_open)s: store some or give up") % {"most_open": MOST_OPEN},
        )
    upload = ReadingsUpload(
        site=site,
        made_by=by,
        made_at=now,
        file_name=shown_name(name, "readings.csv"),
        stored_as=secrets.token_hex(16),
        room=room,
    )
    path = path_of(upload)
    try:
        upload.size, upload.lines_total = _write(path, pieces)
        _look(upload, recognise(path))
        upload.save()
    except BaseException as error:
        path.unlink(missing_ok=True)
        if isinstance(error, Refused) and error.file is None:
            error.file = upload.file_name
        raise
    return upload


def path_of(upload: ReadingsUpload) -> Path:
    """Return where the file of an upload lies while it waits."""
    return Path(settings.UPLOADS_DIR) / upload.stored_as


def stop_sign(upload: ReadingsUpload) -> Path:
    """Return the file whose being there tells the worker to stop.

    While a worker stores on SQLite nobody else can write to the database, so the word has to go another way.
    """
    return Path(settings.UPLOADS_DIR) / f"{upload.stored_as}.stop"


def shown_name(name: str, otherwise: str) -> str:
    """Return a file's name on its sender's machine, fit to be shown; `otherwise` where it had none."""
    plain = "".join(one for one in name.replace("\\", "/").rsplit("/", 1)[-1] if one.isprintable())
    return plain[-200:] or otherwise


def _write(path: Path, pieces: Iterable[bytes]) -> tuple[int, int]:
    """Write a file and return its size [bytes] and the number of its lines."""
    path.parent.mkdir(parents=True, exist_ok=True)
    size = lines = 0
    with open(path, "xb") as file:
        for piece in pieces:
            size += len(piece)
            if size > LARGEST_FILE:
                raise Refused(
                    _("the file is too large"),
                    accepted=_("at most %(largest_file)s bytes; split it")
                    % {"largest_file": f"{LARGEST_FILE:,}"},
                )
            lines += piece.count(b"\n") or piece.count(b"\r")
            file.write(piece)
    return size, lines + 1


def _look(upload: ReadingsUpload, seen: Recognised) -> None:
    """Put what was recognised into the row, and what was said of such files before over it."""
    upload.signature = seen.signature
    upload.head = {
        "header": [name[:HEAD_CELLS] for name in seen.header],
        "rows": [
            [line, [cell[:HEAD_CELLS] for cell in cells[: len(seen.header)]]]
            for line, cells in seen.rows[:SHOWN_ROWS]
        ],
        "orders": list(seen.orders),
        "example": seen.example_date,
    }
    known = remembered(upload)
    upload.remembered = known is not None
    choices = seen.choices
    if known is not None:
        # The shape is that of the file at hand, and so is an order that its own dates tell.
        told = seen.choices.order or (known.order if known.order in seen.orders else "")
        choices = known.changed(
            encoding=choices.encoding,
            delimiter=choices.delimiter,
            header_line=choices.header_line,
            order=told,
        )
    upload.choices = choices.document()


def remembered(upload: ReadingsUpload) -> Choices | None:
    """Return what was last said of files with this header: from this room, else from the only other one."""
    rows = list(LoggerFormat.objects.filter(site=upload.site, signature=upload.signature)[:50])
    mine = next((row for row in rows if upload.room_id and row.room_id == upload.room_id), None)
    row = mine or next(iter(rows), None)
    if row is None:
        return None
    if upload.room is None and len(rows) == 1:
        upload.room = row.room
    try:
        return choices_of(row.choices)
    except Refused:  # said to an earlier version
        return None


def rooms_of(site: Site) -> dict[str, int]:
    """Return the rooms of a site by name."""
    return dict(Room.objects.of_site(site).order_by("name").values_list("name", "pk"))


def unsaid(upload: ReadingsUpload) -> list[tuple[str, str]]:
    """Return what has still to be said before the file can be stored: names of choices, and why."""
    choices = choices_of(upload.choices)
    found = missing_in(choices)
    if upload.room_id is None and choices.column(ROOM) is None:
        found.append(("room", "In which room did the logger stand?"))
    return found


@transaction.atomic
def choose(upload: ReadingsUpload, said: Mapping[str, Any], room: Room | None) -> ReadingsUpload:
    """Keep what the person chose; another encoding, delimiter or header line is looked at anew.

    Raises
    ------
    Refused
        Where there is no such choice, the shape makes no table, or the file is at work or done.
    """
    row = _at_rest(upload)
    before = choices_of(row.choices)
    row.room = room
    after = choices_of({**before.document(), **said})
    if after.shape != before.shape:
        _look(row, recognise(path_of(row), Shape(*_shape(after))))
    else:
        row.choices = after.document()
        row.remembered = False
    row.state, row.trouble = UploadState.OPEN, ""
    row.save()
    return row


def _shape(choices: Choices) -> tuple[str, str, int]:
    return choices.encoding, choices.delimiter, choices.header_line


def _at_rest(upload: ReadingsUpload) -> ReadingsUpload:
    row = ReadingsUpload.objects.select_for_update().select_related("site").get(pk=upload.pk)
    if row.state not in AT_REST or not path_of(row).exists():
        raise Refused(
            _("the file waits for no choices any more"),
            value=row.get_state_display(),
            accepted=_("the file brought again"),
        )
    return row


@transaction.atomic
def ask_to_store(upload: ReadingsUpload) -> None:
    """Let a worker store the file once the transaction is through.

    Raises
    ------
    Refused
        Where something has still to be said.
    """
    from fleet.tasks import store_upload  # the task calls the services of this module's neighbour

    row = _at_rest(upload)
    questions = unsaid(row)
    if questions:
        raise Refused(questions[0][1], column=questions[0][0], accepted=_("an answer to this question"))
    row.state, row.cancel_asked, row.trouble, row.lines_read = UploadState.WAITING, False, "", 0
    row.save()
    # Without its broker the row waits for the next tick, which asks the database.
    transaction.on_commit(partial(store_upload.delay, row.pk), robust=True)


def cancel(upload: ReadingsUpload, now: datetime) -> bool:
    """Give a file up; return whether that was still possible. One at work is stopped by its worker."""
    rows = ReadingsUpload.objects.filter(pk=upload.pk)
    at_work = upload.state in AT_WORK or rows.filter(state__in=AT_WORK).exists()
    if at_work:
        # Before anything is written: on SQLite that waits until the worker has seen the sign and let go.
        stop_sign(upload).touch()
    at_rest = rows.filter(state__in=(*AT_REST, UploadState.WAITING))
    if at_rest.update(state=UploadState.CANCELLED, finished_at=now):
        path_of(upload).unlink(missing_ok=True)
        return True
    asked = rows.filter(state__in=AT_WORK).update(cancel_asked=True)
    return bool(asked) or (at_work and rows.filter(state=UploadState.CANCELLED).exists())


def due(now: datetime) -> list[int]:
    """Return the uploads that wait for a worker, or whose worker has died."""
    waiting = Q(state=UploadState.WAITING) | Q(state__in=AT_WORK, lease_until__lt=now)
    return list(ReadingsUpload.objects.filter(waiting).order_by("pk").values_list("pk", flat=True))


def forget_old(now: datetime) -> int:
    """Lay aside files that nobody came back to, and return how many; their rows stay, without the file."""
    old = ReadingsUpload.objects.filter(state__in=AT_REST, made_at__lt=now - KEPT_FOR)
    paths = [path_of(upload) for upload in old]
    count = old.update(state=UploadState.FORGOTTEN, finished_at=now)
    for path in paths:
        path.unlink(missing_ok=True)
    _sweep(now)
    return count


def _sweep(now: datetime) -> None:
    """Delete what has lain in the folder for long and belongs to no file that waits."""
    folder = Path(settings.UPLOADS_DIR)
    if not folder.is_dir():
        return
    before = (now - 2 * KEPT_FOR).timestamp()
    old = [path for path in folder.iterdir() if path.stat().st_mtime < before]
    if old:
        live = ReadingsUpload.objects.filter(state__in=(*AT_REST, UploadState.WAITING, *AT_WORK))
        kept = set(live.values_list("stored_as", flat=True))
        for path in old:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            elif path.name.removesuffix(".stop") not in kept:
                path.unlink(missing_ok=True)
