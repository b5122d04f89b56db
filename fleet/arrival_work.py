"""A worker looks at what was brought or stores it: claimed by one, whole or not at all."""

from __future__ import annotations

import csv
import secrets
import shutil
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from fleet.arrivals import path_of, writes_at
from fleet.imports import import_folder
from fleet.models import Arrival, ArrivalKind, ArrivalState, Membership, Role, Site
from fleet.refusal import Refused
from fleet.sheet_import import take_lines
from fleet.sheets.meaning import samples
from fleet.sheets.reading import Table, read_table
from fleet.sheets.rows import Choices, choices_of, guessed, lines_of, matched, orders_in, unsaid

LEASE = timedelta(minutes=12)  # longer than a task may run
SHOWN_ROWS = 6


def take_up(arrival_id: int) -> Arrival | None:
    """Look at an arrival or store it; None where another worker has it or nothing is to be done."""
    now = timezone.now()
    lease = secrets.token_hex(16)
    free = Q(state=ArrivalState.WAITING) | Q(state=ArrivalState.WORKING, lease_until__lt=now)
    rows = Arrival.objects.filter(free, pk=arrival_id)
    if not rows.update(state=ArrivalState.WORKING, lease=lease, lease_until=now + LEASE, step=""):
        return None
    arrival = Arrival.objects.select_related("site", "made_by").get(pk=arrival_id)
    work = _folder if arrival.kind == ArrivalKind.FOLDER else _table
    try:
        said = work(arrival, now)
    except Refused as refused:
        kept = arrival.kind != ArrivalKind.FOLDER and bool(arrival.head)
        said = {"state": ArrivalState.OPEN if kept else ArrivalState.REFUSED, "trouble": str(refused)}
    except Exception:
        _end(
            arrival,
            {"state": ArrivalState.REFUSED, "trouble": "an error of the almanac itself, kept in its log"},
        )
        raise
    _end(arrival, said)
    arrival.refresh_from_db()
    return arrival


def _end(arrival: Arrival, said: dict[str, Any]) -> None:
    over = said["state"] in (ArrivalState.STORED, ArrivalState.REFUSED)
    ended = {"finished_at": timezone.now()} if over else {}
    Arrival.objects.filter(pk=arrival.pk, lease=arrival.lease).update(
        lease_until=None, store=False, step="", **ended, **said
    )
    if over:
        shutil.rmtree(path_of(arrival), ignore_errors=True)


def _folder(arrival: Arrival, now: datetime) -> dict[str, Any]:
    """Try a folder, or import it and make who brought it administrator of a site that is new."""
    path = path_of(arrival)
    step = Arrival.objects.filter(pk=arrival.pk, lease=arrival.lease)

    def say(line: str) -> None:
        step.update(step=line[:120])

    if not arrival.store:
        site = _site_named(arrival)
        taken = import_folder(path, now=now, dry_run=True, progress=say)
        return {"state": ArrivalState.LOOKED, "result": taken.document(), "site": site, "trouble": ""}
    with transaction.atomic():
        before = _site_named(arrival)
        taken = import_folder(path, now=now)
        site = Site.objects.get(name=taken.site)
        if before is None:
            Membership.objects.create(user=arrival.made_by, site=site, role=Role.ADMINISTRATOR)
    return {"state": ArrivalState.STORED, "result": taken.document(), "site": site, "trouble": ""}


def _site_named(arrival: Arrival) -> Site | None:
    """Return the site that a folder names if there is one, before anything else of the folder is compared.

    Raises
    ------
    Refused
        Where it is a site at which the person does not work; all that is told is that the name is taken.
    """
    name = _name_in(arrival)
    site = Site.objects.filter(name=name).first()
    if site is not None and not writes_at(arrival.made_by, site):
        raise Refused(
            "a site of this name exists, and you do not work there",
            file="site.csv",
            line=2,
            column="name",
            value=name,
            accepted="another name, or the site's administrator making you a member",
        )
    return site


def _name_in(arrival: Arrival) -> str:
    """Return the name in a folder's site.csv, empty where it cannot be read; the import says why."""
    try:
        with open(path_of(arrival) / "site.csv", encoding="utf-8-sig", newline="") as file:
            row = next(csv.DictReader(file), None)
    except (OSError, UnicodeError, csv.Error):
        return ""
    return {(key or "").strip(): value for key, value in (row or {}).items()}.get("name") or ""


def _table(arrival: Arrival, now: datetime) -> dict[str, Any]:
    """Recognise a table, ask what cannot be told, and say or store what it would bring."""
    assert arrival.site is not None
    if not writes_at(arrival.made_by, arrival.site):
        raise Refused("you do not work at this site any more", accepted="a technician or administrator")
    choices = choices_of(arrival.choices) if arrival.choices else None
    table = read_table(path_of(arrival) / "table", choices.sheet if choices else "")
    if choices is None or len(choices.meanings) != len(table.header) or choices.sheet != table.sheet:
        choices = guessed(table, arrival.kind)
    choices = matched(table, arrival.kind, choices)
    arrival.head = _head(table, arrival.kind, choices)
    seen = {"head": arrival.head, "choices": choices.document(), "result": {}, "trouble": ""}
    Arrival.objects.filter(pk=arrival.pk, lease=arrival.lease).update(**seen)
    if arrival.head["unsaid"]:
        return {"state": ArrivalState.OPEN, **seen}
    lines = lines_of(table, arrival.kind, choices)
    taken = take_lines(arrival.site, arrival.kind, lines, arrival.file_name, now, arrival.store)
    state = ArrivalState.STORED if arrival.store else ArrivalState.LOOKED
    return {"state": state, **seen, "result": taken.document()}


def _head(table: Table, kind: str, choices: Choices) -> dict[str, Any]:
    """Return what the page of a table shows of it."""
    return {
        "header": table.header,
        "rows": [[number, cells] for number, cells in table.rows[:SHOWN_ROWS]],
        "samples": [samples(table, place) for place in range(len(table.header))],
        "count": len(table.rows),
        "sheets": table.sheets,
        "sheet": table.sheet,
        "orders": orders_in(table, kind, choices),
        "unsaid": [list(one) for one in unsaid(table, kind, choices)],
    }
