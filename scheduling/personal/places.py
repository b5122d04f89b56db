"""Where a person may be named: every column of text in every table of the sites in question."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from django.apps import apps
from django.conf import settings
from django.db import models as db
from django.db.models import QuerySet

from fleet.models import Person
from scheduling.personal.subject import Subject

# Names of things, measurements and what is computed from them: a room named after somebody stays its name.
NOT_OF_PEOPLE = {
    "fleet.site",
    "fleet.room",
    "fleet.instrument",
    "fleet.instrumentkind",
    "fleet.servicekind",
    "fleet.servicerule",
    "fleet.climatereading",
    "fleet.climateday",
    "scheduling.forecast",
    "scheduling.forecastrun",
    "scheduling.linecosts",
    "scheduling.heartbeat",
}
# The administration's log belongs to no site; it is looked through where the account goes.
OF_NO_SITE = {"admin.logentry"}
# What opens doors is told to nobody and names nobody.
SECRET = {
    "password",
    "secret_hash",
    "lease",
    "token",
    "form_token",
    "stored_as",
    "signature",
    "key",
    "rows",
    "pointed",
}
PIECE = 500


def models_of_sites() -> list[type[db.Model]]:
    """Return the models whose rows belong to a site and may name people."""
    return [
        model
        for app in ("fleet", "scheduling")
        for model in apps.get_app_config(app).get_models()
        if hasattr(model, "site_path") and model._meta.label_lower not in NOT_OF_PEOPLE
    ]


def rows_of(model: type[db.Model], subject: Subject) -> QuerySet[Any]:
    """Return the rows of a model that belong to the sites in question."""
    path = model.site_path  # type: ignore[attr-defined]
    return model._default_manager.filter(**{f"{path}__in": [site.pk for site in subject.sites]})


def columns_of(model: type[db.Model]) -> list[Any]:
    """Return the columns of a model in which anything may be written."""
    kinds = (db.CharField, db.TextField, db.JSONField, db.BinaryField)
    return [
        field
        for field in model._meta.concrete_fields
        if isinstance(field, kinds) and not field.choices and not isinstance(field, db.SlugField)
    ]


def links_of(model: type[db.Model], target: type[db.Model]) -> list[Any]:
    """Return the columns of a model that point at accounts, or at people."""
    return [
        field
        for field in model._meta.concrete_fields
        if field.is_relation and field.related_model is target and not field.primary_key
    ]


def account_model() -> type[db.Model]:
    """Return the model of accounts."""
    return apps.get_model(settings.AUTH_USER_MODEL)


def touching(model: type[db.Model], subject: Subject, named: Callable[[Any], bool]) -> Iterator[db.Model]:
    """Yield the rows of a model that point at the person or name them."""
    columns = [field.attname for field in columns_of(model)]
    users = [field.attname for field in links_of(model, account_model())]
    people = [field.attname for field in links_of(model, Person)]
    mine = {person.pk for person in subject.people}
    for row in rows_of(model, subject).order_by("pk").iterator(chunk_size=PIECE):
        if (
            (subject.user is not None and any(getattr(row, name) == subject.user.pk for name in users))
            or any(getattr(row, name) in mine for name in people)
            or any(named(getattr(row, name)) for name in columns)
        ):
            yield row
