"""What a person or a logger is told when a page cannot be made, and what became of what they sent."""

from __future__ import annotations

import errno
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from django.db import Error as DatabaseTrouble
from django.db import InterfaceError, OperationalError, connection
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string
from django.utils.translation import gettext as _
from django.views.decorators.csrf import requires_csrf_token

RETRY_SECONDS = 30
FULL, AWAY, BUSY, OURS = "full", "away", "busy", "ours"
# Class 53 of SQLSTATE is "insufficient resources", of which 53100 is the disk.
DISK_FULL_STATE = "53100"
# SQLite's words; and PostgreSQL's, of a new connection, which starts by writing a small file of its own.
FULL_WORDS = ("disk is full", "No space left on device", "could not write init file")
# What SQLite says where it finds no room for the small files beside its own.
FILE_WORDS = ("disk I/O error", "unable to open database file")
ROOM_FOR_THEM = 2**20  # bytes


@dataclass(frozen=True)
class Trouble:
    """One kind of trouble in words; the status says whether trying again will help."""

    status: int
    heading: str
    said: str


@requires_csrf_token
def failed(request: HttpRequest) -> HttpResponse:
    """Answer for an error that nobody caught, without asking the database for anything."""
    trouble = words_of(kind_of(sys.exc_info()[1]))
    answer = _in_json(trouble) if request.path.startswith("/api/") else _as_page(trouble, request.method)
    if trouble.status == 503:
        answer["Retry-After"] = str(RETRY_SECONDS)
    return answer


def kind_of(error: BaseException | None) -> str:
    """Tell a full disk and a database that is away or busy from an error of the almanac's own."""
    while error is not None:
        if _is_full(error):
            return FULL
        if isinstance(error, OperationalError) and "locked" in str(error):
            return BUSY
        if isinstance(error, (OperationalError, InterfaceError)):
            return AWAY
        error = error.__cause__
    return OURS


def _is_full(error: BaseException) -> bool:
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
        return True
    if not isinstance(error, DatabaseTrouble):
        return False
    return (
        any(words in str(error) for words in FULL_WORDS)
        or getattr(error.__cause__, "sqlstate", None) == DISK_FULL_STATE
        or (any(words in str(error) for words in FILE_WORDS) and not _is_room_beside_the_file())
    )


def _is_room_beside_the_file() -> bool:
    """Return whether the disk of SQLite's file has room for the files beside it."""
    folder = Path(str(connection.settings_dict["NAME"])).parent
    try:
        return shutil.disk_usage(folder).free >= ROOM_FOR_THEM
    except OSError:
        return True


def words_of(kind: str) -> Trouble:
    """Return what is said of a kind of trouble."""
    heading, said = {
        FULL: (_("The disk is full"), _("There is no room left to store anything. What was stored is safe.")),
        AWAY: (
            _("The database does not answer"),
            _("What was stored is safe; pages come back by themselves."),
        ),
        BUSY: (_("Too much is being stored at once"), _("Somebody else's work took too long to be stored.")),
        OURS: (
            _("This page could not be made"),
            _("An error of the almanac itself, kept in its log. Telling whoever runs it what you did helps."),
        ),
    }[kind]
    return Trouble(500 if kind == OURS else 503, heading, said)


def _in_json(trouble: Trouble) -> HttpResponse:
    said = " ".join([trouble.said, _("Nothing of this was stored.")])
    return JsonResponse({"error": said}, status=trouble.status)


def _as_page(trouble: Trouble, method: str | None) -> HttpResponse:
    text = render_to_string("trouble.html", {"trouble": trouble, "sent": method == "POST"})
    return HttpResponse(text, status=trouble.status)
