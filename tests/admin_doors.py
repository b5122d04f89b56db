"""The doors of the administration's tables, one by one, with a row of the house behind each."""

from __future__ import annotations

from typing import Any

from django.apps import apps
from django.contrib import admin
from django.contrib.auth import get_user_model
from django.contrib.contenttypes.models import ContentType
from django.test import Client

from tests.doors import LOGIN, Door
from tests.house_with_doors import Walk

# The tables are open to whoever looks after the installation, who is no member of any site.
KEEPER = "keeper"
READ: tuple[int | str, ...] = (302, 302, 302, 302, 302, LOGIN)
SENT = READ
LISTED: dict[str, Any] = {"q": "a", "o": "1", "p": "0", "all": "", "e": "1", "_popup": "1", "_to_field": "id"}


def sign_in_a_keeper(walk: Walk) -> None:
    """Let somebody in who may do everything there."""
    user = get_user_model().objects.create(username=KEEPER, is_staff=True, is_superuser=True)
    client = Client()
    client.force_login(user)
    walk.users[KEEPER] = user
    walk.cookies[KEEPER] = client.cookies["sessionid"].value


def admin_doors(site: int) -> dict[str, Door]:
    """The door of every list, form and removal, by the name of its address."""
    doors = {
        "admin:index": Door(READ),
        "admin:jsi18n": Door(READ),
        "admin:autocomplete": Door(
            READ, query={"app_label": "fleet", "model_name": "room", "field_name": "site", "term": "a"}
        ),
        "admin:password_change": Door(READ, SENT, form={"old_password": "x", "new_password1": "y"}),
        "admin:view_on_site": Door(
            READ, args={"content_type_id": _type("fleet.site"), "object_id": str(site)}
        ),
        "admin:auth_user_password_change": Door(
            READ, SENT, args={"id": str(get_user_model().objects.first().pk)}
        ),
    }
    for app in sorted({model._meta.app_label for model in admin.site._registry}):
        doors[f"admin:app_list {app}"] = Door(READ, args={"app_label": app})
    for model in admin.site._registry:
        told = {"object_id": str(_row_of(model, site))}
        name = f"admin:{model._meta.app_label}_{model._meta.model_name}"
        doors |= {
            f"{name}_changelist": Door(READ, SENT, query=LISTED),
            f"{name}_add": Door(READ, SENT),
            f"{name}_change": Door(READ, SENT, args=told),
            f"{name}_delete": Door(READ, SENT, args=told, form={"post": "yes"}),
            f"{name}_history": Door(READ, args=told),
        }
    return doors


def _row_of(model: Any, site: int) -> Any:
    """A row of the house where there is one."""
    path = getattr(model, "site_path", None)
    rows = model._default_manager.filter(**{path: site}) if path else model._default_manager.all()
    return rows.values_list("pk", flat=True).first() or 1


def _type(label: str) -> str:
    return str(ContentType.objects.get_for_model(apps.get_model(label)).pk)
