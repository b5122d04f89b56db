"""Work that people ask for: one worker takes it up, it is found again when that dies, ended when asked."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any, TypeVar

from django.db import DatabaseError
from django.db.models import Q
from django.utils import timezone

from fleet.refusal import Refused
from scheduling.models.asked import AskedWork

log = logging.getLogger(__name__)

WorkT = TypeVar("WorkT", bound=AskedWork)
State = AskedWork.State
OPEN = (State.WAITING, State.RUNNING)
# A worker that has said nothing for so long is taken for dead; solving, it speaks every second or so.
SILENT_AFTER = timedelta(minutes=5)
# Least time between two questions whether a person wants it ended [s].
ASK_EVERY = 1.0


class Cancelled(Exception):
    """A person no longer wants the work."""


class Reporter:
    """Tells the row how far its work is, and asks it whether to go on."""

    def __init__(self, work: AskedWork) -> None:
        self.row = type(work)._default_manager.filter(pk=work.pk, state=State.RUNNING)
        self.asked_at = time.monotonic()
        self.stopped = False
        self.thread = threading.get_ident()

    def say(self, step: str) -> None:
        """Keep what is being done; one short statement outside of any transaction.

        Raises
        ------
        Cancelled
            Where a person has ended the work.
        """
        if not self.row.update(step=step[:120], heard_at=timezone.now()):
            raise Cancelled

    def must_stop(self) -> bool:
        """Return whether a person has ended the work, asked of the database once a second at most.

        The solver asks from within itself, where another thread has no connection and an error no way out:
        what cannot be asked is asked again a second later.
        """
        due = time.monotonic() - self.asked_at >= ASK_EVERY and threading.get_ident() == self.thread
        if not self.stopped and due:
            self.asked_at = time.monotonic()
            try:
                self.stopped = not self.row.update(heard_at=timezone.now())
            except DatabaseError:
                log.exception("whether work is still wanted could not be asked")
        return self.stopped


def unclaimed(model: type[WorkT], now: datetime) -> list[int]:
    """Return the work that waits, or whose worker has fallen silent."""
    return list(model._default_manager.filter(_free(now)).order_by("pk").values_list("pk", flat=True))


def _free(now: datetime) -> Q:
    return Q(state=State.WAITING) | Q(state=State.RUNNING, heard_at__lt=now - SILENT_AFTER)


def carry_out(model: type[WorkT], work_id: int, do: Callable[[WorkT, Reporter], None]) -> WorkT | None:
    """Claim a piece of work, do it and note how it ended; None where somebody else has it or it has ended."""
    now = timezone.now()
    rows = model._default_manager.filter(pk=work_id)
    if not rows.filter(_free(now)).update(state=State.RUNNING, heard_at=now, step=""):
        return None
    work = rows.select_related("site").get()
    try:
        do(work, Reporter(work))
    except Cancelled:
        pass
    except Refused as refused:
        _end(rows, State.REFUSED, str(refused))
    except Exception:
        _end(rows, State.REFUSED, "an error of the almanac itself, kept in its log; asking again may help")
        raise
    else:
        _end(rows, State.DONE)
    work.refresh_from_db()
    return work


def note_done(work: AskedWork, **values: Any) -> None:
    """Note that work is done, in the transaction that stores what came of it.

    Raises
    ------
    Cancelled
        Where a person has ended it, or another worker has done it meanwhile.
    """
    rows = type(work)._default_manager.filter(pk=work.pk, state=State.RUNNING)
    if not rows.update(state=State.DONE, trouble="", ended_at=timezone.now(), **values):
        raise Cancelled


def _end(rows: object, state: str, trouble: str = "") -> None:
    rows.filter(state=State.RUNNING).update(  # type: ignore[attr-defined]
        state=state, trouble=trouble, ended_at=timezone.now()
    )


def cancel(work: AskedWork, at: datetime) -> bool:
    """End work that still waits or runs; return whether there was any."""
    rows = type(work)._default_manager.filter(pk=work.pk, state__in=OPEN)
    return bool(rows.update(state=State.CANCELLED, ended_at=at))
