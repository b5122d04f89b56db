"""Who sees what: every queryset that leaves the database for a person goes through ``for_user``."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from django.db import models, transaction

if TYPE_CHECKING:
    from fleet.models import Site

ModelT = TypeVar("ModelT", bound=models.Model, covariant=True)

# Longer than any number a row can have, and short enough to be read as one.
MOST_DIGITS = 18


def row_number(text: str) -> int:
    """Return the number of a row that a form or an address names; 0, which no row has, where it is none."""
    return int(text) if text.isdecimal() and len(text) <= MOST_DIGITS else 0


class SiteQuerySet(models.QuerySet[ModelT]):
    """Rows that belong to a site, found through the model's ``site_path``."""

    def for_user(self, user: Any) -> SiteQuerySet[ModelT]:
        """Return the rows of the sites in which the user has a membership."""
        if not user.is_authenticated:
            return self.none()
        path = self.model.site_path  # type: ignore[attr-defined]
        prefix = "" if path == "pk" else f"{path}__"
        return self.filter(**{f"{prefix}memberships__user": user})

    def update(self, **values: Any) -> int:
        """Change many rows at once, and note it where the history of facts is kept."""
        from fleet import history

        write = partial(super().update, **values)
        if not history.is_kept(self.model):
            return write()
        with transaction.atomic(using=self.db):
            changed: int = history.noting_update(self, values, write)
        return changed

    update.alters_data = True  # type: ignore[attr-defined]

    def bulk_create(self, objs: Any, *args: Any, **options: Any) -> list[ModelT]:
        """Add many rows at once, and note it where the history of facts is kept."""
        from fleet import history

        if not history.is_kept(self.model):
            return super().bulk_create(objs, *args, **options)
        with transaction.atomic(using=self.db):
            made = super().bulk_create(objs, *args, **options)
            history.note_entered(self.model, [one.pk for one in made])
        return made

    def of_site(self, site: Site) -> SiteQuerySet[ModelT]:
        """Return the rows of one site."""
        return self.filter(**{self.model.site_path: site.pk})  # type: ignore[attr-defined]
