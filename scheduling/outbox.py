"""The outbox: letters are claimed, sent outside any transaction, and the claim's holder notes the outcome."""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.mail import get_connection
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from scheduling import mail
from scheduling.models import Letter
from scheduling.post import InDoubt, NotSent, PostError, RefusedForGood, said

log = logging.getLogger(__name__)

Clock = Callable[[], datetime]

FIRST_WAIT = timedelta(seconds=5)
LONGEST_WAIT = timedelta(hours=1)
# A sender that dies leaves so many claimed, to be taken up when their lease has run out.
CLAIMED_TOGETHER = 5

# Called with the name of the stage a letter has reached ("after_claim", "before_data", "after_250",
# "after_commit") and the letter: for a log, a count, or a test that stops the process there.
watchers: list[Callable[[str, Letter], None]] = []


class LeaseSpent(NotSent):
    """Too little of the lease is left to send a letter within it."""


def due(now: datetime) -> QuerySet[Letter]:
    """Return the letters to be sent now: due ones, and those of which nobody knows whether they went out."""
    return Letter.objects.filter(_claimable(now)).order_by("next_try_at")


def _claimable(now: datetime) -> Q:
    return Q(state__in=(Letter.State.DUE, Letter.State.UNKNOWN), next_try_at__lte=now)


def lease_time() -> timedelta:
    """Return how long a claim holds."""
    return timedelta(seconds=float(settings.LETTER_LEASE_SECONDS))


def wait_after(attempts: int) -> timedelta:
    """Return the wait before the next try: doubled with every try, an hour at most."""
    return min(FIRST_WAIT * (1 << min(attempts - 1, 20)), LONGEST_WAIT)


def claim(letter_ids: Sequence[int], now: datetime) -> list[Letter]:
    """Take letters for this process alone, committed before anybody speaks to a mail server.

    Returns
    -------
    Those that are to be sent now and that nobody else has, in the order asked for, with a lease of their own.
    """
    lease = secrets.token_urlsafe(24)
    # One statement: of two who try at once the second waits for the first and then finds nothing to claim.
    claimed = Letter.objects.filter(_claimable(now), pk__in=letter_ids).update(
        state=Letter.State.SENDING,
        attempts=F("attempts") + 1,
        lease=lease,
        lease_until=now + lease_time(),
    )
    if not claimed:
        return []
    rows = Letter.objects.filter(pk__in=letter_ids, lease=lease).select_related("person__site")
    by_id = {letter.pk: letter for letter in rows.defer("items", "outlook")}
    return [by_id[letter_id] for letter_id in dict.fromkeys(letter_ids) if letter_id in by_id]


def release_expired(now: datetime) -> int:
    """Turn letters whose sender never came back into unknown ones, to be sent again; return how many."""
    # The lease stays written, so that a sender that was only slow can still note what it did.
    return Letter.objects.filter(state=Letter.State.SENDING, lease_until__lt=now).update(
        state=Letter.State.UNKNOWN,
        lease_until=None,
        next_try_at=now,
        trouble="the sender stopped before it could say whether the letter went out",
    )


def send(letter_id: int, clock: Clock = timezone.now) -> Letter | None:
    """Send one letter and return it as it stands afterwards; None where it is not to be sent now."""
    return next(iter(send_each([letter_id], 0.0, clock)), None)


def send_each(letter_ids: Sequence[int], seconds: float, clock: Clock = timezone.now) -> list[Letter]:
    """Send letters one after the other over one connection; return those that were this sender's turn.

    A few are claimed at a time, and after so many seconds no more of them: what is left is found again by
    whoever looks for due letters next.
    """
    post, until, sent = get_connection(), time.monotonic() + seconds, []
    try:
        for start in range(0, len(letter_ids), CLAIMED_TOGETHER):
            if start and time.monotonic() >= until:
                break
            for letter in claim(letter_ids[start : start + CLAIMED_TOGETHER], clock()):
                _send(letter, post, clock)
                sent.append(letter)
    finally:
        post.close()
    return sent


def _send(letter: Letter, post: Any, clock: Clock) -> None:
    """Send a letter that was claimed; after trouble the next one gets a new connection."""
    _reached("after_claim", letter)
    post.before_data = lambda: _before_data(letter, clock)
    error: PostError | None = NotSent("the sender was interrupted")
    try:
        error = _deliver(letter, post)
        _note(letter, clock, error)
    finally:
        if error:
            post.close()


def _deliver(letter: Letter, post: object) -> PostError | None:
    """Hand the letter over and return what went wrong, if anything."""
    try:
        post.open()  # type: ignore[attr-defined]
        post.send_messages([mail.message_of(letter)])  # type: ignore[attr-defined]
    except PostError as error:
        return error
    except Exception as error:
        # A way out that does not speak SMTP leaves no doubt; its failure must not keep the claim.
        log.exception("letter %s", letter.pk)
        return NotSent(said(error))
    _reached("after_250", letter)
    return None


def _before_data(letter: Letter, clock: Clock) -> None:
    """Stop while the letter surely is not sent, where the rest might outlast the lease."""
    _reached("before_data", letter)
    if letter.lease_until is None or clock() > letter.lease_until - lease_time() / 2:
        raise LeaseSpent("the mail server was too slow, the letter is tried again")


def _note(letter: Letter, clock: Clock, error: PostError | None) -> None:
    """Write the outcome down, conditional on this process's own lease."""
    now = clock()
    changes: Mapping[str, object] = {
        "lease_until": None,
        "next_try_at": now + wait_after(letter.attempts),
        "trouble": str(error) if error else "",
        "state": Letter.State.DUE,
    }
    match error:
        case None:
            changes = {**changes, "state": Letter.State.SENT, "sent_at": now}
        case RefusedForGood():
            changes = {**changes, "state": Letter.State.REFUSED}
        case InDoubt():
            changes = {**changes, "state": Letter.State.UNKNOWN}
    held = Letter.objects.filter(
        pk=letter.pk, lease=letter.lease, state__in=(Letter.State.SENDING, Letter.State.UNKNOWN)
    )
    if held.update(**changes) == 1:
        for name, value in changes.items():
            setattr(letter, name, value)
        _reached("after_commit", letter)
    else:
        letter.refresh_from_db()
        log.warning("letter %s: the lease ran out before the outcome could be noted", letter.pk)
    if error:
        log.warning("letter %s, try %s: %s", letter.pk, letter.attempts, error)


def send_all(letter_ids: Iterable[int], until: datetime, clock: Clock = timezone.now) -> None:
    """Send letters in this process until each is sent, refused or unknown, or the time is up."""
    waiting = set(letter_ids)
    while waiting:
        release_expired(clock())
        for letter_id in sorted(waiting):
            letter = send(letter_id, clock) or Letter.objects.get(pk=letter_id)
            if letter.state not in (Letter.State.DUE, Letter.State.SENDING):
                waiting.discard(letter_id)
        if not waiting or clock() >= until:
            return
        time.sleep(_pause(waiting, clock()))


def _pause(waiting: set[int], now: datetime) -> float:
    """Return the seconds to the next moment at which one of the letters can change, 0.2 to 5."""
    times = Letter.objects.filter(pk__in=waiting).values_list("state", "next_try_at", "lease_until")
    moments = [until if state == Letter.State.SENDING else next_try for state, next_try, until in times]
    seconds = min(((moment - now).total_seconds() for moment in moments if moment), default=0.2)
    return min(max(seconds, 0.2), 5.0)


def _reached(stage: str, letter: Letter) -> None:
    for watcher in watchers:
        watcher(stage, letter)
