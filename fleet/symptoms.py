"""What can trouble a note, in the words of those who play, and the service that usually deals with it."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

LONGEST = 80


@dataclass(frozen=True)
class Symptom:
    """A trouble by a word for forms, as players say it, and the kinds of instrument on which it is asked for.

    `service` is the kind of service that usually deals with it, common practice, no source; empty where any
    visit does.
    """

    word: str
    says: str | Promise
    service: str = ""
    kinds: tuple[str, ...] = ()


SOMETHING_ELSE = "else"
SYMPTOMS = (
    Symptom("tune", _("out of tune"), "tuning"),
    Symptom("beats", _("beats or wavers by itself"), "tuning"),
    Symptom("silent", _("does not sound"), "regulation"),
    Symptom("sticks", _("sticks or comes back slowly"), "regulation"),
    Symptom("repeats", _("does not repeat fast enough"), "regulation"),
    Symptom("rings", _("rings on when the key is let go"), "regulation"),
    Symptom("deep", _("goes too deep or not deep enough"), "regulation"),
    Symptom("weak", _("too weak or dull"), "voicing"),
    Symptom("bright", _("too bright or hard"), "voicing"),
    Symptom("buzzes", _("buzzes or rattles")),
    Symptom("knocks", _("knocks from below"), "bedding", ("grand",)),
    Symptom("string", _("a string is broken"), "tuning", ("grand", "upright", "fortepiano", "harpsichord")),
    Symptom(SOMETHING_ELSE, _("something else, in my own words")),
)

# Words by which a symptom that came in a folder is recognised; the first that fits counts.
_HINTS = (
    ("knock", "bedding"),
    ("tun", "tuning"),
    ("beat", "tuning"),
    ("waver", "tuning"),
    ("flat", "tuning"),
    ("string", "tuning"),
    ("weak", "voicing"),
    ("dull", "voicing"),
    ("bright", "voicing"),
    ("hard", "voicing"),
    ("uneven", "voicing"),
    ("stick", "regulation"),
    ("slow", "regulation"),
    ("repeat", "regulation"),
    ("speak", "regulation"),
    ("sound", "regulation"),
    ("ring", "regulation"),
    ("damp", "regulation"),
    ("deep", "regulation"),
)


def symptoms_for(kind: str) -> tuple[Symptom, ...]:
    """Return the troubles that are asked for on a kind of instrument."""
    return tuple(one for one in SYMPTOMS if not one.kinds or kind in one.kinds)


def service_for(words: str) -> str:
    """Return the kind of service that usually deals with a symptom, empty where any visit does."""
    for one in SYMPTOMS:
        if words == str(one.says):
            return one.service
    said = words.lower()
    return next((service for hint, service in _HINTS if hint in said), "")
