"""Loading the invented conservatory through the door that every folder takes, and making its two users."""

from __future__ import annotations

import secrets
from dataclasses import asdict, dataclass
from datetime import date, datetime, time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth import get_user_model
from django.db import transaction

from fleet.demo.folder import Progress, silent, write_demo_folder
from fleet.demo.house import TIME_ZONE
from fleet.demo.people import ADMINISTRATOR, LEAD, Colleague
from fleet.demo.spec import DEMO
from fleet.imports import import_folder
from fleet.models import Membership, Person, Role, Site
from fleet.refusal import Refused

USERS = {"technician": LEAD, "administrator": ADMINISTRATOR}
PASSWORD_BYTES = 12


@dataclass(frozen=True)
class DemoUser:
    """Somebody who can log in; the password is told once, when the user is made."""

    username: str
    person: str
    role: str
    password: str | None


@dataclass(frozen=True)
class DemoLogin:
    """The site that was loaded and who can log in to it."""

    site: str
    today: date
    users: tuple[DemoUser, ...]

    def document(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return asdict(self)

    def __str__(self) -> str:
        lines = [f"{self.site}, as it is on {self.today}. Log in as:"]
        for user in self.users:
            password = f"password {user.password} (told only now)" if user.password else "password as before"
            lines.append(f"  {user.username:15}{password}: {user.person}, {user.role}")
        return "\n".join(lines)


def load(today: date, progress: Progress = silent) -> DemoLogin:
    """Import the invented conservatory as it is on a day; the same again does nothing.

    Raises
    ------
    Refused
        Where a site of that name holds other facts, such as the demo of another day, or where a user of
        somebody else's has one of the names.
    """
    refuse_foreign_users()
    with TemporaryDirectory(prefix="demo-") as place:
        folder = Path(place)
        write_demo_folder(folder, today, progress)
        noon = datetime.combine(today, time(12), ZoneInfo(TIME_ZONE))
        if Site.objects.filter(name=DEMO.name).exists():
            refuse_other_facts(folder, noon, today, progress)
        else:
            import_folder(folder, now=noon, today=today, progress=progress)
    return make_users(Site.objects.get(name=DEMO.name), today)


def refuse_foreign_users() -> None:
    """Refuse where one of the names belongs to a user who is not of the demo."""
    taken = get_user_model().objects.filter(username__in=USERS)
    foreign = taken.exclude(memberships__site__name=DEMO.name).values_list("username", flat=True)
    if foreign:
        raise Refused(
            "the demo needs the names of its users",
            value=", ".join(sorted(foreign)),
            accepted="a database without users of that name",
        )


def refuse_other_facts(folder: Path, noon: datetime, today: date, progress: Progress) -> None:
    """Refuse where the site is there already and differs from the folder."""
    found = import_folder(folder, now=noon, today=today, dry_run=True, progress=progress)
    differing = {
        name: f"{counts.new:,} new and {counts.changed:,} changed in {name}"
        for name, counts in found.files.items()
        if counts.new or counts.changed
    }
    if differing:
        raise Refused(
            f"the site {DEMO.name} is there already with other facts ({'; '.join(differing.values())})",
            accepted="an empty database, or --today with the day it was loaded for",
        )


@transaction.atomic
def make_users(site: Site, today: date) -> DemoLogin:
    """Give the demo's technician and administrator users; existing ones are kept as they are."""
    users = tuple(make_user(site, username, person) for username, person in USERS.items())
    return DemoLogin(site.name, today, users)


def make_user(site: Site, username: str, colleague: Colleague) -> DemoUser:
    """Return a user with a membership of the site, made with a password of its own where there was none."""
    user, made = get_user_model().objects.get_or_create(
        username=username, defaults={"email": colleague.email}
    )
    password = secrets.token_urlsafe(PASSWORD_BYTES) if made else None
    if password:
        user.set_password(password)
        user.save(update_fields=["password"])
        Membership.objects.create(user=user, site=site, role=Role(colleague.role))
        Person.objects.filter(site=site, name=colleague.name).update(user=user)
    return DemoUser(username, colleague.name, colleague.role, password)
