"""Whom personal data are about: an account, the rows of a person, the sites in question, and their names."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.contrib.auth import get_user_model

from fleet.models import Membership, Person, Role, Site
from fleet.refusal import Refused

SHORTEST_WORD = 3


@dataclass(frozen=True)
class Subject:
    """One person at some sites; ``whole`` where the account goes too, being of no other site."""

    user: Any | None
    people: list[Person]
    sites: list[Site]
    whole: bool
    words: list[str] = field(default_factory=list)

    @property
    def names(self) -> list[str]:
        """Everything the person is called by, the longest first."""
        said = [person.name for person in self.people] + [person.email for person in self.people]
        if self.user is not None:
            said += [self.user.get_full_name(), self.user.get_username(), self.user.email]
        found = {word.strip() for word in [*said, *self.words] if word and word.strip()}
        return sorted(found, key=len, reverse=True)

    @property
    def called(self) -> str:
        """The name to ask for and to show."""
        if self.people:
            return self.people[0].name
        return self.user.get_full_name() or self.user.get_username() if self.user else ""

    def pattern(self) -> re.Pattern[str]:
        """Return what finds any of the names as whole words, in plain text and in HTML."""
        names = {form for name in self.names for form in (name, html.escape(name))}
        some = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
        return re.compile(rf"(?<!\w)(?:{some})(?!\w)", re.IGNORECASE)


def of_person(person: Person) -> Subject:
    """Return the person at one site; the account too where it is of no other site."""
    user = person.user
    elsewhere = (
        user is not None and Membership.objects.filter(user=user).exclude(site=person.site_id).exists()
    )
    return Subject(user, [person], [person.site], whole=not elsewhere)


def of_user(user: Any) -> Subject:
    """Return an account with all it is at all sites."""
    people = list(Person.objects.filter(user=user).select_related("site"))
    sites = set(Site.objects.filter(memberships__user=user)) | {person.site for person in people}
    return Subject(user, people, sorted(sites, key=lambda site: site.name), whole=True)


def with_words(subject: Subject, words: Iterable[str]) -> Subject:
    """Return the same with further spellings to look for in free text.

    Raises
    ------
    Refused
        Where one is so short that it would be found everywhere.
    """
    wanted = [word.strip() for word in words if word.strip()]
    short = next((word for word in wanted if len(word) < SHORTEST_WORD), None)
    if short is not None:
        raise Refused(
            "too short to look for", value=short, accepted=f"words of {SHORTEST_WORD} letters or more"
        )
    return Subject(subject.user, subject.people, subject.sites, subject.whole, wanted)


def check_removable(subject: Subject) -> None:
    """Refuse to leave a site without anybody who administers it.

    Raises
    ------
    Refused
        Naming the site.
    """
    if subject.user is None:
        return
    for site in subject.sites:
        here = Membership.objects.filter(site=site, role=Role.ADMINISTRATOR)
        if here.filter(user=subject.user).exists() and not here.exclude(user=subject.user).exists():
            raise Refused(
                f"{site} would have no administrator", accepted="making somebody else one of them first"
            )


def user_named(name: str) -> Any:
    """Return the account of a name.

    Raises
    ------
    Refused
        Where there is none.
    """
    user = get_user_model().objects.filter(username=name).first()
    if user is None:
        raise Refused("there is no such account", column="--user", value=name)
    return user
