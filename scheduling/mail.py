"""The mail of a letter: what its row says, with its calendar and the ways to stop it."""

from __future__ import annotations

from datetime import UTC
from email.mime.text import MIMEText
from email.utils import format_datetime, formataddr

from django.conf import settings
from django.core.mail import EmailMultiAlternatives

from fleet.doors.secret_links import PLACE, address_of
from fleet.models import Person, Site
from scheduling import stop_links
from scheduling.models import Letter

CALENDAR_METHOD = "PUBLISH"


def message_of(letter: Letter) -> EmailMultiAlternatives:
    """Return the mail of a letter; every try makes the same one."""
    person = letter.person
    link = address_of(letter.seed) if letter.seed else PLACE
    zone = person.site.zone if person else UTC
    message = EmailMultiAlternatives(
        subject=letter.subject,
        body=letter.text.replace(PLACE, link),
        from_email=formataddr((person.site.name, sender_of(person.site))) if person else letter.sender,
        to=[letter.to],
        headers={
            "Message-ID": letter.message_id,
            "Date": format_datetime(letter.made_at.astimezone(zone)),
            "Auto-Submitted": "auto-generated",
            **(_ways_to_stop(letter.kind, person) if person else {}),
        },
    )
    message.attach_alternative(letter.html.replace(PLACE, link), "text/html")
    if letter.calendar:
        message.attach(_calendar_part(letter))
    return message


def _ways_to_stop(kind: str, person: Person) -> dict[str, str]:
    """Return what makes a mail program show a button and post without a question (RFC 2369, RFC 8058)."""
    return {
        "List-Unsubscribe": f"<{stop_links.address(person, kind)}>",
        "List-Unsubscribe-Post": "List-Unsubscribe=One-Click",
    }


def sender_of(site: Site) -> str:
    """Return the address a site's letters come from."""
    return site.mail_sender or settings.DEFAULT_FROM_EMAIL


def _calendar_part(letter: Letter) -> MIMEText:
    part = MIMEText(letter.calendar, "calendar", "utf-8")
    part.set_param("method", CALENDAR_METHOD)
    name = f"week-{letter.iso_year}-W{letter.iso_week:02d}.ics"
    part.add_header("Content-Disposition", "attachment", filename=name)
    return part
