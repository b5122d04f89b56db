"""Where writing through a model meets the history: before and after a row is saved, removed or linked."""

from __future__ import annotations

from typing import Any

from django.db import models as db
from django.db.models.signals import m2m_changed, post_save, pre_delete, pre_save

from fleet import history
from fleet.models import Booking

BEFORE = "_stored_before"


def listen() -> None:
    """Note changes of every kept model from now on."""
    for model in history.KEPT:
        label = model._meta.label_lower
        pre_save.connect(_look, sender=model, dispatch_uid=f"history before {label}")
        post_save.connect(_saved, sender=model, dispatch_uid=f"history after {label}")
        pre_delete.connect(_removed, sender=model, dispatch_uid=f"history end {label}")
    m2m_changed.connect(_linked, sender=Booking.instruments.through, dispatch_uid="history of bookings")


def _look(sender: type[db.Model], instance: Any, raw: bool, update_fields: Any = None, **_: Any) -> None:
    """Keep what is stored of a row that is about to be saved again."""
    vars(instance).pop(BEFORE, None)
    if raw or instance._state.adding or instance.pk is None:
        return
    noted = {field.name for field in history.noted_fields(sender)}
    if update_fields is None or not noted.isdisjoint(update_fields):
        vars(instance)[BEFORE] = history.stored(sender, [instance.pk])


def _saved(sender: type[db.Model], instance: Any, created: bool, raw: bool, **_: Any) -> None:
    before = vars(instance).pop(BEFORE, None)
    if raw:
        return
    if created:
        history.note_entered(sender, [instance.pk])
    elif before:
        history.note_changed(sender, before)


def _removed(sender: type[db.Model], instance: Any, **_: Any) -> None:
    history.note_removed(sender, [instance.pk])


def _linked(sender: Any, instance: Any, action: str, reverse: bool, **_: Any) -> None:
    """Note which instruments a booking uses; asked from an instrument, it is not noted on the booking."""
    if reverse or not isinstance(instance, Booking):
        return
    tags = list(instance.instruments.order_by("tag").values_list("tag", flat=True))
    if action.startswith("pre_"):
        vars(instance).setdefault(BEFORE, tags)
    elif action.startswith("post_"):
        history.note_links(instance, "instruments", vars(instance).pop(BEFORE, tags), tags)
