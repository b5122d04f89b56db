from collections.abc import Iterator
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from fleet.models import Site
from scheduling import letters
from scheduling.models import Letter
from tests import factories, mail_server

NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)


class Clock:
    """A clock that a test moves on."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def post(settings) -> Iterator[mail_server.Manners]:
    """A mail server to which the settings point."""
    manners = mail_server.Manners()
    with mail_server.running(manners) as port:
        settings.EMAIL_BACKEND = "scheduling.post.ServerPost"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", port
        settings.EMAIL_HOST_USER = settings.EMAIL_HOST_PASSWORD = ""
        settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
        yield manners


@pytest.fixture
def school(db) -> SimpleNamespace:
    """A site with two technicians, each with one visit in the week of 30 November 2026."""
    site = factories.make_site("Halvermoor Conservatory", mail_sender="care@halvermoor.example")
    room = factories.make_room(site, "Room 12")
    plan = factories.make_plan(site)
    people = [factories.make_person(site, name) for name in ("Ilse Brandgruber", "Otto Wendling")]
    instruments = [factories.make_instrument(room, tag) for tag in ("U-12", "U-13")]
    visits = [
        factories.make_visit(plan, instrument, technician=person)
        for instrument, person in zip(instruments, people, strict=True)
    ]
    return SimpleNamespace(
        site=site, room=room, plan=plan, people=people, instruments=instruments, visits=visits
    )


@pytest.fixture
def outbox_rows(school) -> list[Letter]:
    return put_in(school.site)


def put_in(site: Site) -> list[Letter]:
    return letters.put_in_outbox(site, factories.MONDAY, factories.TODAY, NOW)
