"""Choosing notes so that none is mistaken: each is asked for twice, and only what was confirmed last is kept.

What has been chosen travels with the pages, sealed with the secret of the installation, so that nothing is
stored for people who never send, a page read again or gone back to means what it shows, and no address that
somebody makes up confirms a note.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace
from datetime import timedelta

from django.core import signing
from django.utils.translation import gettext as _

from fleet.keyboard import Compass
from fleet.refusal import Refused

SALT = "fleet.picking"
# What was chosen longer ago than this is asked for again.
KEPT_FOR = timedelta(hours=12)
MOST_NOTES = 12


@dataclass(frozen=True)
class Picked:
    """What one visitor has chosen on one instrument so far.

    `notes` are the keys that were confirmed, by number, in that order; `asked` is the one that is being asked
    about. `token` tells this visit from all others, so that sending twice stores once.
    """

    instrument: int
    token: str
    notes: tuple[int, ...] = ()
    asked: int | None = None

    def ask(self, number: int, compass: Compass) -> Picked:
        """Ask about a key.

        Raises
        ------
        Refused
            Where the instrument has no such key.
        """
        if number not in compass:
            raise Refused(
                _("this instrument has no such key"),
                value=number,
                accepted=_("%(shown)s to %(shown_2)s")
                % {"shown": compass.keys[0].shown, "shown_2": compass.keys[-1].shown},
            )
        return replace(self, asked=number)

    def confirm(self, number: int) -> Picked:
        """Keep the key that is being asked about.

        Raises
        ------
        Refused
            Where another key, or none, is being asked about, or there are as many as one request takes.
        """
        if number != self.asked:
            raise Refused(_("that is not the key you were asked about"), accepted=_("the key shown last"))
        if number not in self.notes and len(self.notes) >= MOST_NOTES:
            raise Refused(
                _("one report takes %(most_notes)s notes") % {"most_notes": MOST_NOTES},
                accepted=_("another report for the others, or words such as: the whole top octave"),
            )
        notes = self.notes if number in self.notes else (*self.notes, number)
        return replace(self, notes=notes, asked=None)

    def drop(self, number: int) -> Picked:
        """Take a confirmed key off the list."""
        return replace(self, notes=tuple(one for one in self.notes if one != number), asked=None)

    def sealed(self) -> str:
        """Return all this as a text that only this installation can have written."""
        return signing.dumps([self.instrument, self.token, self.notes, self.asked], salt=SALT)


def begin(instrument: int) -> Picked:
    """Return an empty choice on an instrument."""
    return Picked(instrument, secrets.token_urlsafe(16))


def unsealed(text: str, instrument: int) -> Picked:
    """Return what was sealed.

    Raises
    ------
    Refused
        Where the text was changed, is of another instrument or was written too long ago.
    """
    try:
        of, token, notes, asked = signing.loads(text, salt=SALT, max_age=KEPT_FOR)
    except signing.BadSignature:
        of, token, notes, asked = None, "", (), None
    if of != instrument:
        raise Refused(
            _("what was chosen before is no longer known"),
            accepted=_("the notes once more; a page is good for twelve hours"),
        )
    return Picked(instrument, token, tuple(notes), asked)
