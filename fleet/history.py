"""The history of facts, noted wherever rows are written through a model, one by one or many at once.

It is noted here and not by each service, so that no way in can forget it: pages, imports, commands and the
tables of the administration all write through the models. Readings and the days made of them are left out,
being measurements that come by the thousand and keep their source; service records and what became of
requests keep a history of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Any

from django.db import models as db
from django.utils import timezone

from fleet import models
from fleet.acting import acting_now, command_name
from fleet.models import FactHistory

What = FactHistory.What
Values = dict[str, Any]  # by name of the field, as stored
BATCH = 500


@dataclass(frozen=True)
class Kept:
    """How facts of one model are kept: what names them, what they are shown on, what is not noted of them."""

    title: tuple[str, ...]
    within: str = ""
    unnoted: frozenset[str] = frozenset()
    entered: bool = True  # whether that it was made is noted, or told elsewhere


KEPT: dict[type[db.Model], Kept] = {
    models.Site: Kept(("name",)),
    models.Membership: Kept(("user", "role"), unnoted=frozenset({"chosen_at", "language"})),
    models.Person: Kept(("name",), unnoted=frozenset({"left_at"})),
    models.Absence: Kept(("person", "first_day"), "person"),
    models.Term: Kept(("name", "first_day")),
    models.DayOff: Kept(("day", "name")),
    models.Room: Kept(("name",)),
    models.Sensor: Kept(("name", "room"), "room"),
    models.InstrumentKind: Kept(("kind",)),
    models.Instrument: Kept(("tag",), unnoted=frozenset({"public_id"})),
    models.Placement: Kept(("instrument", "room", "first_day"), "instrument"),
    models.ServiceKind: Kept(("kind",)),
    models.ServiceRule: Kept(("service_kind", "use_class"), "service_kind"),
    models.HeldVisit: Kept(("kind", "week"), "instrument"),
    models.Booking: Kept(("title", "room", "starts_at"), "room"),
    models.BookingSource: Kept(
        ("name",),
        unnoted=frozenset(
            {"etag", "last_modified", "next_fetch_at", "tried_at", "taken_at", "failures", "trouble"}
        ),
    ),
    models.WayIn: Kept(
        ("name",),
        unnoted=frozenset(
            {"secret_hash", "last_used_at", "readings_taken", "minute_began_at", "minute_requests", "made_by"}
        ),
    ),
    models.NoteRequest: Kept(
        ("symptom", "made_at"),
        "instrument",
        frozenset({"state", "closed_at", "closed_by", "finding", "finding_shown", "form_token"}),
        entered=False,
    ),
}
# What a row is called where another names it.
CALLED = {
    "fleet.instrument": "tag",
    "fleet.servicekind": "kind",
    "fleet.instrumentkind": "kind",
    "auth.user": "username",
}


@cache
def noted_fields(model: type[db.Model]) -> tuple[Any, ...]:
    """Return the fields of a model whose changes are noted."""
    kept = KEPT[model]
    return tuple(
        field
        for field in model._meta.concrete_fields
        if not field.primary_key and field.name != "site" and field.name not in kept.unnoted
    )


def is_kept(model: type[db.Model]) -> bool:
    """Return whether changes of a model's rows are noted."""
    return model in KEPT


def stored(model: type[db.Model], keys: Iterable[int]) -> dict[int, Values]:
    """Return what is stored of rows by their number."""
    names = [field.attname for field in noted_fields(model)]
    keys = list(keys)
    found: dict[int, Values] = {}
    for start in range(0, len(keys), BATCH):
        rows = model._base_manager.filter(pk__in=keys[start : start + BATCH]).values("pk", *names)
        found |= {row.pop("pk"): row for row in rows}
    return found


def note_entered(model: type[db.Model], keys: Iterable[int]) -> None:
    """Note that rows are new."""
    if KEPT[model].entered:
        after = stored(model, keys)
        _note(model, What.ENTERED, [(pk, {}, values) for pk, values in after.items()])


def note_changed(model: type[db.Model], before: dict[int, Values]) -> None:
    """Note what differs from what was stored before."""
    after = stored(model, before)
    told = [(pk, before[pk], after[pk]) for pk in before if pk in after and after[pk] != before[pk]]
    _note(model, What.CHANGED, told)


def note_removed(model: type[db.Model], keys: Iterable[int], what: str = What.REMOVED) -> None:
    """Note that rows are about to go."""
    _note(model, what, [(pk, values, {}) for pk, values in stored(model, keys).items()])


def note_links(instance: db.Model, field: str, before: Sequence[str], after: Sequence[str]) -> None:
    """Note that a fact is linked to others than before."""
    if list(before) != list(after):
        values = stored(type(instance), [instance.pk])[instance.pk]
        told = [", ".join(before), ", ".join(after)]
        _note(type(instance), What.CHANGED, [(instance.pk, values, values)], {field: told})


def name_of(model: type[db.Model], pk: int) -> str:
    """Return what a row is called in the history."""
    values = stored(model, [pk])[pk]
    return _title(model, values, _names(model, [(pk, values, values)]))


def note_of(site_id: int, subject: str, pk: int, name: str, what: str, at: datetime | None = None) -> None:
    """Note what became of anything that is named from outside."""
    by, user = acting_now().who()
    FactHistory.objects.create(
        site_id=site_id,
        subject=subject,
        subject_pk=pk,
        name=name[:255],
        what=what,
        at=at or timezone.now(),
        by=by or command_name()[:150],
        user_id=user,
        way=acting_now().way,
    )


def _note(
    model: type[db.Model],
    what: str,
    rows: Sequence[tuple[int, Values, Values]],
    more: dict[str, list[str]] | None = None,
) -> None:
    """Add the rows of the history for rows of a model: number, values before, values after."""
    if not rows:
        return
    now, acts = timezone.now(), acting_now()
    by, user = acts.who()
    called = _names(model, rows)
    sites = _sites(model, [pk for pk, _, _ in rows])
    within = _within(model)
    FactHistory.objects.bulk_create(
        [
            FactHistory(
                site_id=sites[pk],
                subject=model._meta.label_lower,
                subject_pk=pk,
                within=within[0] if within else "",
                within_pk=(after or before).get(within[1]) if within else None,
                name=_title(model, after or before, called)[:255],
                what=what,
                values=_differences(model, before, after, called) | (more or {}),
                at=now,
                by=by or command_name()[:150],
                user_id=user,
                way=acts.way,
            )
            for pk, before, after in rows
            if pk in sites
        ],
        batch_size=BATCH,
    )


def _within(model: type[db.Model]) -> tuple[str, str] | None:
    name = KEPT[model].within
    if not name:
        return None
    field = model._meta.get_field(name)
    return field.related_model._meta.label_lower, f"{name}_id"  # type: ignore[union-attr]


def _sites(model: type[db.Model], keys: list[int]) -> dict[int, int]:
    """Return the site of each row."""
    path = model.site_path  # type: ignore[attr-defined]
    if path == "pk":
        return {pk: pk for pk in keys}
    found: dict[int, int] = {}
    for start in range(0, len(keys), BATCH):
        rows = model._base_manager.filter(pk__in=keys[start : start + BATCH])
        found |= dict(rows.values_list("pk", f"{path}_id"))
    return found


def _names(model: type[db.Model], rows: Sequence[tuple[int, Values, Values]]) -> dict[str, dict[Any, str]]:
    """Return, by column, what the rows that a change names are called."""
    called = {}
    title = set(KEPT[model].title)
    for field in noted_fields(model):
        if not field.is_relation:
            continue
        keys: set[Any] = set()
        for _, before, after in rows:
            was, is_now = before.get(field.attname), after.get(field.attname)
            if was != is_now or field.name in title:
                keys |= {was, is_now} - {None}
        if keys:
            named = CALLED.get(field.related_model._meta.label_lower, "name")
            found = field.related_model._base_manager.filter(pk__in=keys).values_list("pk", named)
            called[field.attname] = {pk: str(name) for pk, name in found}
    return called


def _differences(
    model: type[db.Model], before: Values, after: Values, called: dict[str, dict[Any, str]]
) -> dict[str, list[Any]]:
    told = {}
    for field in noted_fields(model):
        was, is_now = before.get(field.attname), after.get(field.attname)
        if was != is_now and not (was in (None, "", []) and is_now in (None, "", [])):
            names = called.get(field.attname)
            told[field.name] = [plain(was, names), plain(is_now, names)]
    return told


def _title(model: type[db.Model], values: Values, called: dict[str, dict[Any, str]]) -> str:
    parts = []
    for name in KEPT[model].title:
        field: Any = model._meta.get_field(name)
        value = plain(values.get(field.attname), called.get(field.attname))
        if isinstance(values.get(field.attname), datetime):
            value = str(value)[:16].replace("T", " ")
        if value not in (None, ""):
            parts.append(str(value))
    return ", ".join(parts) or str(model._meta.verbose_name)


def plain(value: Any, names: dict[Any, str] | None = None) -> Any:
    """Return a value as the history keeps it: names for numbers of rows, texts for days and money."""
    if names is not None and value is not None:
        return names.get(value, f"no. {value}")
    if isinstance(value, Decimal):
        return str(value)
    return value.isoformat() if isinstance(value, date | datetime) or hasattr(value, "isoformat") else value


Write = Callable[[], Any]


def noting_update(queryset: db.QuerySet[Any], names: Iterable[str], write: Write) -> Any:
    """Carry out an update of many rows and note what it changed."""
    model: type[db.Model] = queryset.model
    touched = {field.name for field in noted_fields(model)} | {field.attname for field in noted_fields(model)}
    if touched.isdisjoint(names):
        return write()
    before = stored(model, queryset.order_by().values_list("pk", flat=True))
    result = write()
    note_changed(model, before)
    return result
