"""The mail of a letter: what its row says, with its calendar and the ways to stop it."""

from __future__ import annotations

from email.mime.text import MIMEText
from email.utils import format_datetime, formataddr

from django.conf import settings
from django.core.mail import EmailMultiAlternatives

from fleet.models import Site
from scheduling import stop_links
from scheduling.models import Letter

CALENDAR_METHOD = "PUBLISH"


def message_of(letter: Letter) -> EmailMultiAlternatives:
    """Return the mail of a letter; every try makes the same one."""
    site = letter.person.site
    message = EmailMultiAlternatives(
        subject=letter.subject,
        body=letter.text,
        from_email=formataddr((site.name, sender_of(site))),
        to=[letter.to],
        headers={
            "Message-ID": letter.message_id,
            "Date": format_datetime(letter.made_at.astimezone(site.zone)),
            "Auto-Submitted": "auto-generated",
            # RFC 2369 and RFC 8058: a mail program shows a button, and posts without asking further.
            "List-Unsubscribe": f"<{stop_links.address(letter.person, letter.kind)}>",
            "List-Unsubscribe-Post": "List-Unsubscribe=One-Click",
        },
    )
    message.attach_alternative(letter.html, "text/html")
    if letter.calendar:
        message.attach(_calendar_part(letter))
    return message


def sender_of(site: Site) -> str:
    """Return the address a site's letters come from."""
    return site.mail_sender or settings.DEFAULT_FROM_EMAIL


def _calendar_part(letter: Letter) -> MIMEText:
    part = MIMEText(letter.calendar, "calendar", "utf-8")
    part.set_param("method", CALENDAR_METHOD)
    name = f"week-{letter.iso_year}-W{letter.iso_week:02d}.ics"
    part.add_header("Content-Disposition", "attachment", filename=name)
    return part
