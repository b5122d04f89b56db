"""Removing things so that they can be brought back: whole, with what hung on them, for thirty days."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from functools import reduce
from typing import Any

from django.apps import apps
from django.db import IntegrityError, transaction
from django.db import models as db
from django.db.models.deletion import Collector, ProtectedError, RestrictedError

from fleet import history, intake
from fleet.acting import acting_now, command_name
from fleet.models import (
    ClimateDay,
    ClimateReading,
    FactChange,
    FactHistory,
    Instrument,
    PublicPost,
    PutAway,
    RecordChange,
    Room,
    Sensor,
    Service,
    WorksheetLine,
)
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed

KEPT_FOR = timedelta(days=30)
MOST_ROWS = 20_000
# Made anew from facts, or counted for a day: nothing of it is worth keeping.
MADE_ANEW = {"scheduling.forecast"} | {one._meta.label_lower for one in (FactChange, ClimateDay, PublicPost)}


class _Everything(Collector):
    """Collects every row that goes with others, also where a database could remove them unseen."""

    def can_fast_delete(self, *args: Any, **options: Any) -> bool:
        """Look at every row."""
        return False


def put_away(rows: Sequence[db.Model], now: datetime, name: str = "") -> PutAway:
    """Remove rows, the first of which names them, with what hangs on them; return what keeps them.

    Raises
    ------
    Refused
        Where something else rests on them, measurements or records would go, or too much hangs on them.
    """
    first = rows[0]
    check(first)
    with transaction.atomic():
        gathered = _gather(rows)
        found = [row for model in gathered.data for row in gathered.data[model]]
        kept = [row for row in found if row._meta.label_lower not in MADE_ANEW]
        by, user = acting_now().who()
        site = site_of(first)
        stored = PutAway.objects.create(
            site_id=site,
            subject=first._meta.label_lower,
            subject_pk=first.pk,
            name=(name or called(first))[:255],
            at=now,
            by=by or command_name()[:150],
            user_id=user,
            way=acting_now().way,
            rows=[[row._meta.label_lower, cells(row)] for row in kept],
            pointed=_pointed(gathered),
            hung=_counted(kept, rows),
        )
        if type(first) not in history.KEPT:
            history.note_of(site, stored.subject, stored.subject_pk, stored.name, history.What.REMOVED, now)
        gathered.delete()
        _tell(site, found)
    return stored


def what_hangs_on(row: db.Model) -> dict[str, int]:
    """Return how many rows of what would go with one, by name.

    Raises
    ------
    Refused
        Where it cannot be put away.
    """
    check(row)
    gathered = _gather([row])
    found = [one for model in gathered.data for one in gathered.data[model]]
    return _counted([one for one in found if one._meta.label_lower not in MADE_ANEW], [row])


def check(row: db.Model) -> None:
    """Refuse what is a measurement or a record: instruments are retired, rooms with a history stay."""
    if isinstance(row, Room) and ClimateReading.objects.filter(room=row).exists():
        raise Refused(
            f"{row} has readings of its air, which stay", accepted="a room entered by mistake, without any"
        )
    if isinstance(row, Instrument) and Service.objects.filter(instrument=row).exists():
        raise Refused(
            f"{row} has service records, which stay",
            accepted="an instrument entered by mistake, without any; others are retired",
        )


def bring_back(kept: PutAway, now: datetime) -> str:
    """Store again what was put away and return what it is called.

    What hung on it and rests on something that is gone meanwhile stays away.

    Raises
    ------
    Refused
        Where it was brought back already, or something else has taken its place.
    """
    with transaction.atomic():
        locked = PutAway.objects.select_for_update().filter(pk=kept.pk).first()
        if locked is None:
            raise Refused("this was brought back already, or is gone for good")
        rows = _restable([(apps.get_model(label), values) for label, values in locked.rows])
        made = [_store(model, values) for model, values in rows]
        for label, pk, column, value in locked.pointed:
            _point_again(apps.get_model(label), pk, column, value)
        history.note_of(
            locked.site_id, locked.subject, locked.subject_pk, locked.name, history.What.RETURNED, now
        )
        _note_record(made, now)
        _tell(locked.site_id, made)
        locked.delete()
    return locked.name


def forget_old(now: datetime) -> int:
    """Let go for good what was put away too long ago; return how many."""
    old = PutAway.objects.filter(at__lt=now - KEPT_FOR)
    with transaction.atomic():
        gone = list(old.select_for_update().defer("rows", "pointed"))
        for kept in gone:
            history.note_of(
                kept.site_id, kept.subject, kept.subject_pk, kept.name, history.What.FORGOTTEN, now
            )
        PutAway.objects.filter(pk__in=[kept.pk for kept in gone]).delete()
    return len(gone)


def site_of(row: db.Model) -> int:
    """Return the number of the site that a row belongs to, along the path that its model states."""
    path = row.site_path  # type: ignore[attr-defined]
    return int(row.pk if path == "pk" else reduce(getattr, path.split("__"), row).pk)


def called(row: db.Model) -> str:
    """Return what a row is called."""
    model = type(row)
    if history.is_kept(model):
        return history.name_of(model, row.pk)
    return str(row)


def _gather(rows: Sequence[db.Model]) -> Collector:
    """Return all that goes with rows.

    Raises
    ------
    Refused
        Where something rests on them that stays, or too much goes with them.
    """
    gathered = _Everything(using="default", origin=rows[0])
    try:
        by_model: dict[type[db.Model], list[db.Model]] = {}
        for row in rows:
            by_model.setdefault(type(row), []).append(row)
        for same in by_model.values():
            gathered.collect(same)
    except (ProtectedError, RestrictedError) as stays:
        rest: Iterable[Any] = getattr(stays, "protected_objects", None) or stays.restricted_objects  # type: ignore[union-attr]
        some = ", ".join(str(one) for one in list(rest)[:3])
        raise Refused(f"something rests on {rows[0]}: {some}", accepted="moving that first") from None
    if sum(len(found) for found in gathered.data.values()) > MOST_ROWS:
        raise Refused(f"too much hangs on {rows[0]}", accepted=f"at most {MOST_ROWS:,} rows")
    return gathered


def _counted(kept: Sequence[db.Model], rows: Sequence[db.Model]) -> dict[str, int]:
    """Return how many rows of what hang on others, by name; links between rows are nobody's concern."""
    counts = Counter(
        str(row._meta.verbose_name_plural) for row in kept if row not in rows and not row._meta.auto_created
    )
    return dict(sorted(counts.items()))


def _pointed(gathered: Collector) -> list[list[Any]]:
    """Return the rows that stay and pointed at what goes."""
    found = []
    for (field, value), groups in gathered.field_updates.items():
        if value is not None:
            continue
        for row in (one for group in groups for one in _each(group)):
            found.append([row._meta.label_lower, row.pk, field.attname, getattr(row, field.attname)])
    return found


def _each(group: Any) -> Iterable[db.Model]:
    """Return the rows of a group, which is one row or many."""
    return [group] if isinstance(group, db.Model) else list(group)


def _tell(site_id: int, rows: Sequence[db.Model]) -> None:
    """Tell what the rows that went or came reach: rooms, single instruments, or anything of the site."""
    rooms = {row.room_id for row in rows if isinstance(row, Sensor)}
    for room in Room.objects.filter(pk__in=rooms).select_related("site"):
        intake.rebuild_days(room)  # which tells of the room
    others = [row for row in rows if not isinstance(row, Sensor)]
    if all(isinstance(row, (Service, WorksheetLine)) for row in others):
        tell_facts_changed(site_id, {row.instrument_id for row in others})  # type: ignore[attr-defined]
    else:
        tell_facts_changed(site_id)


def cells(row: db.Model) -> dict[str, Any]:
    """Return the columns of a row as plain JSON."""
    found = {}
    for field in row._meta.concrete_fields:
        value = field.value_from_object(row)
        plain = isinstance(field, db.JSONField) or value is None or isinstance(value, bool | int | float)
        found[field.attname] = value if plain else field.value_to_string(row)
    return found


def _restable(rows: list[tuple[Any, dict[str, Any]]]) -> list[tuple[Any, dict[str, Any]]]:
    """Return the rows whose ground is still there, pointing at nothing where that may be."""
    coming = {(model._meta.label_lower, values[model._meta.pk.attname]) for model, values in rows}
    known: dict[tuple[str, Any], bool] = {}

    def is_there(model: Any, pk: Any) -> bool:
        key = (model._meta.label_lower, pk)
        if key not in known:
            known[key] = model._base_manager.filter(pk=pk).exists()
        return known[key]

    while True:
        stays = []
        for model, values in rows:
            firm = True
            for field in model._meta.concrete_fields:
                target = values.get(field.attname)
                if not field.is_relation or target is None:
                    continue
                label = field.related_model._meta.label_lower
                if (label, target) in coming or is_there(field.related_model, target):
                    continue
                if field.null:
                    values[field.attname] = None
                else:
                    firm = False
            if firm:
                stays.append((model, values))
        if len(stays) == len(rows):
            return stays
        rows = stays
        coming = {(model._meta.label_lower, values[model._meta.pk.attname]) for model, values in rows}


def _store(model: Any, values: dict[str, Any]) -> db.Model:
    """Store a row as it was.

    Raises
    ------
    Refused
        Where another row has its name or place now.
    """
    row = model(
        **{
            field.attname: _value(field, values[field.attname])
            for field in model._meta.concrete_fields
            if field.attname in values
        }
    )
    try:
        with transaction.atomic():
            row.save_base(raw=True, force_insert=True)
    except IntegrityError:
        raise Refused(
            f"another {model._meta.verbose_name} has taken the place of {row}",
            accepted="renaming or moving that one first",
        ) from None
    return row  # type: ignore[no-any-return]


def _value(field: Any, value: Any) -> Any:
    while isinstance(field, db.ForeignKey):
        field = field.target_field
    return value if value is None or isinstance(field, db.JSONField) else field.to_python(value)


def _point_again(model: Any, pk: Any, column: str, value: Any) -> None:
    rows = model._default_manager.filter(**{"pk": pk, column: None})
    rows.update(**{column.removesuffix("_id"): value})


def _note_record(made: Sequence[db.Model], now: datetime) -> None:
    """Let a service record that is back say so in its own history."""
    by, user = acting_now().who()
    for row in made:
        if isinstance(row, Service):
            RecordChange.objects.create(
                instrument_id=row.instrument_id,
                service=row,
                kind=row.kind,
                what=RecordChange.What.RETURNED,
                at=now,
                by=by or str(FactHistory.Way(acting_now().way).label),
                user_id=user,
                values={},
            )
