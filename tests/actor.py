"""Steps that tests run in processes and on a database of their own: ``python -m tests.actor STEP + STEP``.

``python -m tests.actor nursery`` reads requests line by line and forks a process for each, so that what they
all load is loaded once. It never touches the database itself.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
import traceback
from datetime import timedelta
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from django.core.management import call_command  # noqa: E402
from django.db import transaction  # noqa: E402
from django.db.models import F  # noqa: E402
from django.utils import timezone  # noqa: E402

from fleet import uploads, ways_in  # noqa: E402
from fleet.models import ClimateReading, FactChange, Instrument, Person, ReadingsUpload, Site  # noqa: E402
from fleet.signals import tell_facts_changed  # noqa: E402
from fleet.weeks import monday_before  # noqa: E402
from scheduling import draft_orders, forecasting, letters, outbox  # noqa: E402
from scheduling.models import DraftOrder, Forecast, Heartbeat, Letter, SeasonPlan  # noqa: E402
from scheduling.season_changes import Author  # noqa: E402
from tests import factories  # noqa: E402

DIED = 7


def prepare(people: str) -> None:
    """Migrate, and store a site with so many technicians, each with one visit in the current week."""
    migrate()
    settle(people)


def migrate() -> None:
    """Bring the database to its newest form."""
    call_command("migrate", verbosity=0)


def up_small(port: str) -> None:
    """Start the whole on an invented conservatory small enough, and planned shortly enough, for a test.

    The passwords of its people are printed first.
    """
    # Imported here, since the other steps are run many times and need none of it.
    from fleet.demo.folder import write_fleet
    from fleet.demo.loading import make_users
    from fleet.demo.spec import FleetSpec
    from fleet.imports import import_folder
    from scheduling.management.commands import up
    from scheduling.scenarios import asking

    migrate()
    now = timezone.now()
    spec = FleetSpec(n_instruments=8, n_rooms=4, years=1)
    with tempfile.TemporaryDirectory() as folder:
        write_fleet(Path(folder), spec, now.date())
        import_folder(Path(folder), now=now)
    # A small fleet has short hours, into which its longest visits would not fit.
    Person.objects.update(hours_per_week=5 * F("hours_per_week"))
    made = make_users(Site.objects.get(), now.date())
    print(json.dumps({user.username: user.password for user in made.users}))  # noqa: T201
    up.PLAN_SECONDS, draft_orders.SECONDS, asking.SECONDS = 3, 5.0, 5.0
    call_command("up", port=int(port))


def settle(people: str) -> None:
    """Store a site with so many technicians, each with one visit this week, instead of all others."""
    Instrument.objects.all().delete()
    Site.objects.all().delete()
    site = factories.make_site("Halvermoor Conservatory", mail_sender="care@halvermoor.example")
    instrument = factories.make_instrument(factories.make_room(site, "Room 12"), "U-12")
    monday = monday_before(site.local_date(timezone.now()))
    plan = factories.make_plan(site, start=monday)
    for number in range(int(people)):
        person = factories.make_person(site, email=f"person{number}@example.org")
        kind = f"service {number}"  # one instrument is enough for everybody
        factories.make_visit(plan, instrument, kind=kind, technician=person)


def compose(go: str = "") -> None:
    """Put the week's letters into the outbox, once the file GO is there if one is named."""
    while go and not Path(go).exists():
        time.sleep(0.002)
    site = Site.objects.get()
    today = site.local_date(timezone.now())
    letters.put_in_outbox(site, monday_before(today), today, timezone.now())


def send(die_at: str = "") -> None:
    """Send all letters; end without a word at the stage named, as a power cut would."""

    def watch(stage: str, letter: Letter) -> None:
        if stage == die_at:
            os._exit(DIED)

    outbox.watchers.append(watch)
    ids = list(Letter.objects.values_list("pk", flat=True))
    outbox.send_all(ids, until=timezone.now() + timedelta(seconds=60))


def age() -> None:
    """Let the leases of dead workers run out, and the waits of letters that failed."""
    past = timezone.now() - timedelta(hours=2)
    DraftOrder.objects.filter(state="running").update(heard_at=past)
    ReadingsUpload.objects.filter(lease_until__isnull=False).update(lease_until=past)
    FactChange.objects.update(at=past)
    Heartbeat.objects.exclude(name="tick").update(at=past)
    Letter.objects.filter(state="sending").update(lease_until=past)
    Letter.objects.update(next_try_at=past)


def show() -> None:
    """Print what the letters have come to and when the tick last came."""
    rows = Letter.objects.order_by("pk").values("state", "attempts", "message_id", "trouble")
    beat = Heartbeat.objects.filter(name="tick").first()
    print(json.dumps({"letters": list(rows), "beat": beat.at.isoformat() if beat else None}))  # noqa: T201


def refresh() -> None:
    """Make today's forecasts."""
    site = Site.objects.get()
    forecasting.refresh(site, site.local_date(timezone.now()))


def record() -> None:
    """Store a tuning of today and say so in the same transaction, as whoever enters facts does."""
    site = Site.objects.get()
    with transaction.atomic():
        one = site.instruments.get()
        factories.make_service(one, site.local_date(timezone.now()), left=0.0)
        tell_facts_changed(site.pk, [one.pk])


def forecasts() -> None:
    """Print how many changes wait, and of how many forecasts how many know a service."""
    known = Forecast.objects.filter(last_service__isnull=False).count()
    told = {"waiting": FactChange.objects.count(), "made": Forecast.objects.count(), "known": known}
    print(json.dumps(told))  # noqa: T201


def furnish(instruments: str = "12") -> None:
    """Migrate, and store a school with readings, records, a login and a way in; print both secrets."""
    migrate()
    site = factories.make_site("Halvermoor Conservatory", mail_sender="care@halvermoor.example")
    today = site.local_date(timezone.now())
    rooms = [factories.make_room(site, f"Room {number}") for number in range(3)]
    for room in rooms:
        factories.make_climate(room, today - timedelta(days=90), 89)
    for number in range(int(instruments)):
        one = factories.make_instrument(rooms[number % 3], f"U-{number}")
        factories.make_service(one, today - timedelta(days=40 + number), left=0.2)
    factories.make_person(site, name="Ilka Brandau", hours_per_week=12)
    user = factories.make_user(site)
    user.set_password("as-it-was")
    user.save()
    _, secret = ways_in.make_way_in(site, "logger", rooms[0], user, timezone.now())
    print(json.dumps({"username": user.username, "password": "as-it-was", "secret": secret}))  # noqa: T201


def ask_for_much(lines: str) -> None:
    """Ask for a draft of a season, bring a file of so many readings and ask to store it."""
    site, now = Site.objects.get(), timezone.now()
    start = monday_before(site.local_date(now)) + timedelta(weeks=1)
    draft_orders.order(site, start, 12, None, Author(None, "the actor"), now)
    first = now - timedelta(days=1, minutes=5 * int(lines))
    rows = (
        f"{(first + timedelta(minutes=5 * n)).strftime('%Y-%m-%dT%H:%MZ')},{20 + n % 7 / 10},{40 + n % 11}\n"
        for n in range(int(lines))
    )
    pieces = (piece.encode() for piece in ("time,temp °C,RH %\n", *rows))
    uploads.ask_to_store(uploads.begin(site, "logger.csv", pieces, site.rooms.first(), None, now))
    with transaction.atomic():
        tell_facts_changed(site.pk)


def much() -> None:
    """Print how far what was asked for has come."""
    told = {
        "draft": DraftOrder.objects.get().state,
        "drafts": SeasonPlan.objects.count(),
        "upload": ReadingsUpload.objects.get().state,
        "readings": ClimateReading.objects.count(),
        "waiting": FactChange.objects.count(),
        "forecasts": Forecast.objects.count(),
    }
    print(json.dumps(told))  # noqa: T201


def nursery() -> None:
    """Fork a process for each request and answer with its number; tell how a process ended when asked."""
    for line in iter(sys.stdin.readline, ""):
        asked = json.loads(line)
        if "steps" in asked:
            child = os.fork()
            if not child:
                _live(asked["steps"], asked["log"])
            answer = child
        else:
            ended, status = os.waitpid(asked["process"], 0 if asked["wait"] else os.WNOHANG)
            answer = os.waitstatus_to_exitcode(status) if ended else None
        print(json.dumps(answer), flush=True)  # noqa: T201


def _live(steps: str, log: str) -> None:
    """Be the process that runs these steps, and end with it."""
    output = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for stream in (1, 2):
        os.dup2(output, stream)
    code = 1
    try:
        main(steps.split())
        code = 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def main(words: list[str]) -> None:
    """Run the steps, which are separated by a plus."""
    writing = (prepare, migrate, settle, compose, send, age, refresh, record, furnish, ask_for_much)
    known = (*writing, show, forecasts, much, nursery, up_small)
    steps = {step.__name__: step for step in known}
    for line in " ".join(words).split(" + "):
        name, *arguments = line.split()
        steps[name](*arguments)


if __name__ == "__main__":
    main(sys.argv[1:])
