"""The state of database, queue, beat and letters, in figures without anybody's name."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import Error as DatabaseTrouble
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Count

from config.celery import app
from scheduling import disks
from scheduling.clock_set_back import AHEAD
from scheduling.heartbeats import TICK
from scheduling.models import Heartbeat, Letter

LATE_BEATS = 3
BROKER_SECONDS = 2


@dataclass(frozen=True)
class Health:
    """What the health page says, and whether all is well."""

    well: bool
    document: dict[str, Any]


def check(now: datetime) -> Health:
    """Ask database, queue and heartbeat; letters in trouble are told but make nobody restart a server."""
    queue = queue_state()
    try:
        beat = Heartbeat.objects.filter(name=TICK).values_list("at", flat=True).first()
        letters = letter_counts()
    except DatabaseTrouble:
        beat, letters, database = None, None, "unreachable"
    else:
        database = "ok" if not migrations_to_come() else "behind"
    age = None if beat is None else round((now - beat).total_seconds())
    beat_said = state_of_beat(age)
    room = disks.scarcest()
    well = database == "ok" and queue != "unreachable" and beat_said == "ok" and room.enough
    document = {
        "status": "ok" if well else "trouble",
        "database": database,
        "queue": queue,
        "last_beat": beat.isoformat() if beat else None,
        "last_beat_age_seconds": age,
        "beat": beat_said,
        "disk_free_mb": room.free_mb,
        "disk": "ok" if room.enough else "full",
        "letters": letters,
    }
    return Health(well, document | {"words": words_of(document)})


def state_of_beat(age: int | None) -> str:
    """Return the word for how long ago the clock was last heard [s]; ahead where that lies in the future."""
    if age is None:
        return "never"
    if age < -AHEAD.total_seconds():
        return "ahead"
    return "ok" if age <= LATE_BEATS * settings.TICK_SECONDS else "late"


def migrations_to_come() -> int:
    """Return how many migrations of this code the database has not had."""
    executor = MigrationExecutor(connection)
    return len(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def letter_counts() -> dict[str, int]:
    """Return how many letters wait, are refused, or are in doubt."""
    counts = dict(Letter.objects.order_by().values_list("state").annotate(Count("pk")))
    return {
        "waiting": counts.get(Letter.State.DUE, 0) + counts.get(Letter.State.SENDING, 0),
        "refused": counts.get(Letter.State.REFUSED, 0),
        "unknown": counts.get(Letter.State.UNKNOWN, 0),
    }


def queue_state() -> str:
    """Return whether the broker answers; an embedded one lives and dies with the process."""
    if settings.BROKER_URL.startswith("memory:"):
        return "embedded"
    try:
        with app.connection_for_write(connect_timeout=BROKER_SECONDS) as connection:
            connection.ensure_connection(max_retries=1, interval_start=0, timeout=BROKER_SECONDS)
    except Exception:
        # Each broker library has errors of its own; whichever it is, the queue cannot be reached.
        return "unreachable"
    return "ok"


def tasks_waiting() -> int:
    """Return how many tasks wait in the broker, 0 where it cannot say."""
    try:
        with app.connection_for_write(connect_timeout=BROKER_SECONDS) as connection:
            name = app.amqp.queues[app.conf.task_default_queue].name
            return int(connection.default_channel.queue_declare(name, passive=True).message_count)
    except Exception:
        # As above: each broker library has errors of its own, and some queue may not be there yet.
        return 0


def words_of(document: dict[str, Any]) -> list[str]:
    """Return the document in sentences, without anybody's name."""
    age, letters = document["last_beat_age_seconds"], document["letters"]
    said = [
        f"The database is {document['database']}.",
        f"The queue is {document['queue']}.",
        "Nobody has looked at what is due yet."
        if age is None
        else f"A worker last looked at what is due {age} seconds ago"
        + (", which is too long: none seems to be at work." if document["beat"] == "late" else "."),
    ]
    if document["disk"] != "ok":
        said.append(f"Only {document['disk_free_mb']} MB are free on a disk that is written to.")
    if letters:
        said.append("Letters: " + ", ".join(f"{number} {state}" for state, number in letters.items()) + ".")
    return said
