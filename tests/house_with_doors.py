"""The house whose doors are tried: its people, one of everything in it, and a way to try and take it back."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from http.cookies import SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from django.conf import settings
from django.core import signing
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from fleet import (
    arrival_work,
    arrivals,
    booking_sources,
    instrument_changes,
    saved_filters,
    uploads,
    ways_in,
)
from fleet.arrivals import Brought
from fleet.doors import secret_links
from fleet.models import (
    Arrival,
    FactChange,
    FactHistory,
    Invitation,
    Membership,
    PasswordReset,
    PutAway,
    Role,
    Room,
    Sensor,
)
from fleet.putting_away import put_away
from fleet.record_links import record_path
from fleet.views.player import SENT_SALT
from fleet.weeks import monday_before
from scheduling import feeds, stop_links, visits_together
from scheduling.letter_choices import HABITS
from scheduling.models import DraftOrder, HoldingStudy, Letter, Scenario, SeasonsAhead
from tests import factories as make
from tests.doors import Door
from tests.reports.house import make_house

MORNING = datetime(2026, 11, 25, 8, tzinfo=UTC)
READINGS = b"time,temp C,RH %\n" + b"".join(b"2026-11-%d 12:00,20,4%d\n" % (d, d % 10) for d in range(10, 20))
INSTRUMENTS = b"tag,kind,year,room,use\nZ-1,Upright,1990,Attic,practice\n"
CALENDAR = b"\r\n".join(
    (
        b"BEGIN:VCALENDAR",
        b"VERSION:2.0",
        b"PRODID:-//invented//EN",
        b"BEGIN:VEVENT",
        b"UID:1@example.org",
        b"DTSTART:20261204T180000Z",
        b"DTEND:20261204T200000Z",
        b"SUMMARY:Quartets",
        b"LOCATION:Lark Studio",
        b"END:VEVENT",
        b"END:VCALENDAR",
        b"",
    )
)
CHANGES = re.compile(r"\s*(INSERT|UPDATE|DELETE|REPLACE)\b", re.IGNORECASE)
# A session keeps what is said to its user on the next page; it is nothing of the house.
KEPT_FOR_A_VISITOR = "fleet_signin"


@dataclass
class Walk:
    """The house with its people's cookies, its things by name, those of another site, and its words."""

    cookies: dict[str, str]
    users: dict[str, Any]
    things: dict[str, Any]
    others: dict[str, Any]
    words: tuple[str, ...]
    others_words: tuple[str, ...]
    client: Client = field(default_factory=lambda: Client(raise_request_exception=False))
    asked: Counter[tuple[str, str]] = field(default_factory=Counter)

    @property
    def figures(self) -> str:
        """What was asked so far, in words."""
        methods = Counter[str]()
        for (method, _), number in self.asked.items():
            methods[method] += number
        told = ", ".join(f"{method} × {number:,}" for method, number in sorted(methods.items()))
        people = sorted({who for _, who in self.asked})
        return f"{self.asked.total():,} requests as {len(people)} people ({', '.join(people)}): {told}"


@dataclass
class Answered:
    """What came back, and what was changed in the database on the way."""

    status: int
    text: str
    headers: str
    location: str
    changes: list[str]


def prepare() -> Walk:
    """Build two houses and sign everybody in."""
    house = make_house(make.TODAY, instruments=4, name="Brackwater Conservatory")
    other = make_house(make.TODAY, instruments=2, name="Another School")
    _rename(other)
    users = {
        "technician": house.technician,
        "administrator": house.administrator,
        "reader": make.make_user(house.site, Role.READER),
        "other": other.technician,
        "new": make.make_user(),
        "both": make.make_user(house.site, Role.READER),
    }
    Membership.objects.create(user=users["both"], site=other.site, role=Role.TECHNICIAN)
    cookies = {}
    for name, user in users.items():
        client = Client()
        client.force_login(user)
        cookies[name] = client.cookies["sessionid"].value
    return Walk(cookies, users, things_of(house), things_of(other), _words(house), _words(other))


def _rename(other: Any) -> None:
    """Give everything of the other site a name that the house has not."""
    for number, room in enumerate(other.rooms):
        room.name, room.building = f"Chamber Q{number}", "Quarry Wing"
        room.save()
    for number, instrument in enumerate(other.instruments):
        instrument.tag = f"QX-{number}7"
        instrument.save()
    other.site.people.filter(name="Ida Thorn").update(name="Quill Ashby")
    other.site.people.filter(name="Rufus Pell").update(name="Odo Quent")
    FactHistory.objects.filter(site=other.site).delete()  # it speaks of the names they had


def _words(house: Any) -> tuple[str, ...]:
    """What nobody may read who does not belong to the house."""
    people = house.site.people.values_list("name", flat=True)
    rooms = (room.name for room in house.rooms)
    return (house.site.name, *people, *rooms, *(instrument.tag for instrument in house.instruments))


def things_of(house: Any) -> dict[str, Any]:
    """One of everything there is an address for."""
    now, site, user = timezone.now(), house.site, house.technician
    instrument, room = house.instruments[0], house.rooms[0]
    person = site.people.get(user=user)
    visits = house.plan.visits.order_by("pk")
    source = booking_sources.add_source(site, "concert hall", "", now)
    way_in, _ = ways_in.make_way_in(site, "hygrometer", room, user, now)
    feed, feed_secret = feeds.renew(site, person, user, now)
    asked = {"site": site, "start": house.plan.start, "weeks": 6, "asked_at": now}
    request = instrument.requests.first()
    monday = monday_before(make.TODAY)
    Room.objects.filter(pk=room.pk).update(name=(hall := f"Hall of {site.name.split()[0]}"))
    room.name = hall
    return {
        "site": site.pk,
        "instrument": instrument.pk,
        "tag": instrument.tag,
        "public_id": instrument.public_id,
        "room": room.pk,
        "room_name": room.name,
        "other_room": house.rooms[1].pk,
        "bare_room": house.rooms[-1].pk,
        "person": person.pk,
        "person_name": person.name,
        "sensor": Sensor.objects.filter(site=site).first().pk,
        "service": instrument.services.get(date=make.TODAY - timedelta(days=40), kind="tuning").pk,
        "request": request.pk,
        "seen_use": _seen_use(site, instrument),
        "seen_visit": _seen_visit(house.plan, instrument),
        "filter": saved_filters.keep(user, site, "instruments", "Grands", "kind=grand", False).pk,
        "sent_mark": signing.dumps([request.pk, False], salt=SENT_SALT),
        "upload": uploads.begin(site, "log.csv", [READINGS], room, user, now).pk,
        "way_in": way_in.pk,
        "source": source.pk,
        "reading": booking_sources.show(source, CALENDAR, now, user.get_username()).pk,
        "plan": house.plan.pk,
        "visit": visits.filter(held=False, kind="tuning")[1].pk,
        "held_visit": visits.filter(held=True).first().pk if visits.filter(held=True) else None,
        "draft": DraftOrder.objects.create(**asked).pk,
        "scenario": Scenario.objects.create(**asked, name=f"As it is at {site.name}").pk,
        "holding": HoldingStudy.objects.create(
            site=site, room=room, low_rh=0.4, high_rh=0.55, first_day=make.TODAY, asked_at=now
        ).pk,
        "arrival": _arrival(site, user, now).pk,
        "ahead": _ahead(site, now).pk,
        "letter": _letter(person, now).pk,
        "put_away": _put_away(room, now).pk,
        "feed": feed.pk,
        "feed_secret": feed_secret,
        "user": user.pk,
        "service_kind": site.service_kinds.get(kind="tuning").pk,
        "absence": make.make_absence(person, make.TODAY, make.TODAY).pk,
        "term": make.make_term(site, make.TODAY, make.TODAY, name="Exams").pk,
        "membership": site.memberships.get(user=user).pk,
        **_invited(site, user, now),
        "stop_link": stop_links.token(person, next(iter(HABITS))),
        "record_link": unquote(record_path(person.pk, instrument.pk, "tuning", monday)).split("/")[2],
    }


def _invited(site: Any, user: Any, now: datetime) -> dict[str, Any]:
    """An invitation to the site and a link for a new password, with their secrets."""
    seeds = {door: secret_links.new_seed(door) for door in (secret_links.JOIN, secret_links.RESET)}
    ends = {"made_at": now, "expires_at": now + timedelta(hours=1)}
    invitation = Invitation.objects.create(
        site=site,
        email=f"guest{site.pk}@example.org",
        role=Role.READER,
        secret_hash=secret_links.kept(seeds[secret_links.JOIN]),
        made_by="the head of the house",
        **ends,
    )
    PasswordReset.objects.create(
        user=user, sender="", secret_hash=secret_links.kept(seeds[secret_links.RESET]), **ends
    )
    return {
        "invitation": invitation.pk,
        "join_secret": secret_links.secret_of(seeds[secret_links.JOIN]),
        "reset_secret": secret_links.secret_of(seeds[secret_links.RESET]),
    }


def _seen_use(site: Any, instrument: Any) -> str:
    """The mark of what a change of use would do, as the page that shows it sends it on."""
    those = instrument_changes.with_places(site, [instrument.pk])
    return instrument_changes.digest_of(
        instrument_changes.rows_of(instrument_changes.UseChange("store"), those, make.TODAY)
    )


def _seen_visit(plan: Any, instrument: Any) -> str:
    """The same of a tuning asked for in a week."""
    wanted = visits_together.Wanted("tuning", date(2026, 12, 14), new=True)
    those = visits_together.chosen_of(plan, [instrument.pk])
    return visits_together.digest_of(plan, visits_together.rows_of(plan, wanted, those, make.TODAY))


def _put_away(room: Room, now: datetime) -> PutAway:
    """A sensor entered by mistake."""
    sensor = Sensor.objects.create(site=room.site, name="mistaken", room=room, first_day=make.TODAY)
    kept = put_away([sensor], now)
    FactChange.objects.all().delete()  # the house's forecasts have taken it in
    return kept


def _arrival(site: Any, user: Any, now: datetime) -> Arrival:
    """A table of instruments that was looked at."""
    brought = Brought("instruments", [SimpleUploadedFile("list.csv", INSTRUMENTS)], site)
    arrival = arrivals.begin(brought, user, now)
    arrival_work.take_up(arrival.pk)
    return arrival


def _ahead(site: Any, now: datetime) -> SeasonsAhead:
    """A year ahead that was computed."""
    stretch = {
        "first": "2026-11-25",
        "last": "2027-02-21",
        "offered": "260.00",
        "low": "90.00",
        "high": "120.00",
    }
    return SeasonsAhead.objects.create(
        site=site,
        years=1,
        asked_at=now,
        state="done",
        today=make.TODAY,
        stretches=[{**stretch, "offered": ""}, *[stretch] * 4],
        needs=[[place, "tuning", "70.00", "105.00"] for place in range(5)],
        years_range=[["480.00", "560.00"]],
    )


def _letter(person: Any, now: datetime) -> Letter:
    """A letter that the mail server refused, so that it may be sent again."""
    return Letter.objects.create(
        person=person,
        iso_year=2026,
        iso_week=48,
        to=person.email,
        subject="The week",
        text=f"Dear {person.name}",
        html="",
        message_id=f"<{person.pk}@example.org>",
        state="refused",
        trouble="550 no such mailbox",
        made_at=now,
        next_try_at=now,
    )


def filled(values: dict[str, Any], things: dict[str, Any]) -> dict[str, Any]:
    """Put things where the table names them."""
    files = {"@readings": ("log.csv", READINGS), "@calendar": ("hall.ics", CALENDAR)}
    files["@table"] = ("list.csv", INSTRUMENTS)
    put: dict[str, Any] = {}
    for written, value in values.items():
        name = written.format(**things)
        if value in files:
            put[name] = SimpleUploadedFile(*files[value])
        else:
            put[name] = things[value[1:]] if value.startswith("@") else value
    return put


def path_of(name: str, door: Door, things: dict[str, Any]) -> str:
    """The address of a door."""
    return reverse(name.split()[0], kwargs=filled(door.args, things))


def ask(walk: Walk, who: str, method: str, path: str, data: Any = None, **extra: Any) -> Answered:
    """Try an address as somebody, note what it changes, and take that back."""
    client = walk.client
    walk.asked[method.upper(), who] += 1
    client.cookies = SimpleCookie({"sessionid": walk.cookies[who]} if who in walk.cookies else {})
    with kept_as_it_was(), CaptureQueriesContext(connection) as queries:
        answer = getattr(client, method.lower())(path, data, **extra)
    changes = [one["sql"] for one in queries if CHANGES.match(one["sql"] or "")]
    return Answered(
        answer.status_code,
        answer.content.decode("utf-8", "replace"),
        str(answer.headers),
        answer.headers.get("Location", ""),
        [sql for sql in changes if KEPT_FOR_A_VISITOR not in sql],
    )


@contextmanager
def kept_as_it_was() -> Iterator[None]:
    """Take back what is stored inside, in the database and in the folder of uploads."""
    folder = Path(settings.UPLOADS_DIR)
    before = {file: file.read_bytes() for file in folder.rglob("*") if file.is_file()}
    with transaction.atomic():
        yield
        transaction.set_rollback(True)
    for file in sorted(folder.rglob("*"), reverse=True):
        if file.is_dir():
            if not any(file.iterdir()):
                file.rmdir()
        elif file not in before:
            file.unlink()
    for file, content in before.items():
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(content)
