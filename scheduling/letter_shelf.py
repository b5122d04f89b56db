"""Letters as their page shows them: who may see which, and what each has come to."""

from __future__ import annotations

import re
from typing import Any

from django.conf import settings
from django.db.models import Q
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models import Membership, Person, Role, Site
from fleet.weeks import week_of
from scheduling.letter_choices import HABITS, HOURS
from scheduling.models import Letter

_LINK = re.compile(r"https?://\S+")
# What a state means for who waits for the letter, and the shape of its mark.
STATES = {
    Letter.State.DUE: (_("waiting"), "half"),
    Letter.State.SENDING: (_("being sent"), "half"),
    Letter.State.SENT: (_("sent"), "open"),
    Letter.State.REFUSED: (_("refused"), "full"),
    Letter.State.UNKNOWN: (_("in doubt"), "half"),
}


def shown_to(membership: Membership, user: Any) -> SiteQuerySet[Letter]:
    """Return the letters of a site that a member may read: money only as administrator or as its reader."""
    rows = Letter.objects.of_site(membership.site).select_related("person")
    if membership.role != Role.ADMINISTRATOR:
        rows = rows.filter(~Q(kind=HOURS) | Q(person__user=user))
    return rows.defer("html", "items", "outlook", "calendar").order_by(
        "-iso_year", "-iso_week", "person__name", "kind", "pk"
    )


def people_to_choose_for(membership: Membership, user: Any) -> list[Person]:
    """Return the people whose letters a member may choose: his or her own, an administrator everybody's."""
    people = Person.objects.of_site(membership.site).exclude(email="").select_related("site")
    if membership.role != Role.ADMINISTRATOR:
        people = people.filter(user=user)
    return list(people.order_by("name"))


def in_trouble(site: Site) -> int:
    """Return how many letters of a site were refused or are in doubt."""
    states = (Letter.State.REFUSED, Letter.State.UNKNOWN)
    return Letter.objects.of_site(site).filter(state__in=states).count()


def line(letter: Letter) -> dict[str, Any]:
    """Return a letter as a line of the page."""
    word, shape = STATES[Letter.State(letter.state)]
    monday = letter.monday
    return {
        "letter": letter,
        "title": HABITS[letter.kind].title if letter.kind in HABITS else letter.kind,
        "word": word,
        "shape": shape,
        "week": week_of(monday),
        "monday": monday,
        "again": letter.state in (Letter.State.REFUSED, Letter.State.UNKNOWN),
    }


def words_for(letter: Letter, user: Any) -> str:
    """Return the words of a letter; its links record work and stop letters in its reader's name alone."""
    if letter.person and letter.person.user_id == user.pk:
        return letter.text
    return _LINK.sub(_others_link, letter.text)


def _others_link(found: re.Match[str]) -> str:
    is_home = found[0].rstrip("/") == settings.SITE_ADDRESS.rstrip("/")
    return found[0] if is_home else gettext("(a link for its reader alone)")
