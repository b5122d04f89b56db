"""Letters that did not arrive: sent again when a person asks, and returned ones taken in."""

from __future__ import annotations

import email
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.policy import default
from functools import partial

from django.db import transaction
from django.utils.translation import gettext as _

from fleet.refusal import Refused
from scheduling import tasks
from scheduling.models import Letter

AGAIN = (Letter.State.REFUSED, Letter.State.UNKNOWN, Letter.State.DUE)
LARGEST_BOUNCE = 5_000_000  # bytes


def send_again(letter: Letter, now: datetime, by: str) -> None:
    """Let a letter go out once more, now, to the address its person has by now, under its own Message-ID.

    Raises
    ------
    fleet.refusal.Refused
        Where it was sent, or is being sent at this moment.
    """
    with transaction.atomic():
        changed = Letter.objects.filter(pk=letter.pk, state__in=AGAIN).update(
            state=Letter.State.DUE,
            next_try_at=now,
            to=letter.person.email if letter.person else letter.to,
            trouble=f"sent again at the wish of {by}",
        )
        if not changed:
            letter.refresh_from_db()
            raise Refused(
                _("this letter is %(get_state_display)s") % {"get_state_display": letter.get_state_display()},
                accepted=_("letters that are refused, in doubt or waiting"),
            )
        transaction.on_commit(partial(tasks.send_letter.delay, letter.pk), robust=True)


@dataclass(frozen=True)
class Bounce:
    """What a report of the mail system says of one letter (RFC 3464)."""

    message_id: str
    failed: bool
    words: str


def read_bounce(raw: bytes) -> Bounce:
    """Return what a returned mail says.

    Raises
    ------
    fleet.refusal.Refused
        Where it is too large, no report of a delivery, or does not name the letter.
    """
    if len(raw) > LARGEST_BOUNCE:
        raise Refused(
            _("the mail is too large"),
            accepted=_("at most %(largest_bounce)s bytes") % {"largest_bounce": f"{LARGEST_BOUNCE:,}"},
        )
    message = email.message_from_bytes(raw, policy=default)
    report = next((part for part in message.walk() if _is(part, "message/delivery-status")), None)
    if report is None:
        raise Refused(
            _("not a report of a delivery"),
            value=message.get_content_type(),
            accepted=_("RFC 3464, multipart/report"),
        )
    told = _original_id(message)
    if not told:
        raise Refused(
            _("the report does not name the letter"), accepted=_("the returned letter or its headers")
        )
    # One group of fields for the report, then one for each recipient.
    groups = [part for part in report.walk() if part is not report]
    actions = [str(group["Action"]).strip().lower() for group in groups if group["Action"]]
    words = [
        " ".join(filter(None, (str(group["Status"] or ""), str(group["Diagnostic-Code"] or ""))))
        for group in groups
        if group["Action"]
    ]
    return Bounce(told, "failed" in actions, "; ".join(filter(None, words)) or "no reason given")


def _is(part: EmailMessage, kind: str) -> bool:
    return part.get_content_type() == kind


def _original_id(message: EmailMessage) -> str:
    for part in message.walk():
        if _is(part, "message/rfc822"):
            return str(part.get_payload(0)["Message-ID"] or "").strip()  # type: ignore[index]
        if _is(part, "text/rfc822-headers"):
            headers = email.message_from_string(part.get_content(), policy=default)
            return str(headers["Message-ID"] or "").strip()
    return ""


def take_bounce(raw: bytes) -> Letter:
    """Note on its letter what a returned mail says: a failed one is refused, a delayed one stays sent.

    Raises
    ------
    fleet.refusal.Refused
        Where the mail cannot be read or names no letter of ours.
    """
    bounce = read_bounce(raw)
    letter = Letter.objects.filter(message_id=bounce.message_id).first()
    if letter is None:
        raise Refused(_("no letter of ours"), column="Message-ID", value=bounce.message_id)
    if bounce.failed:
        changes = {"state": Letter.State.REFUSED, "trouble": f"came back: {bounce.words}"}
    else:
        changes = {"trouble": f"on its way: {bounce.words}"}
    # A letter that is being sent at this moment is another try, of which the report says nothing.
    Letter.objects.filter(pk=letter.pk).exclude(state=Letter.State.SENDING).update(**changes)
    letter.refresh_from_db()
    return letter
