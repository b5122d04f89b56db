"""Who sees what: every queryset that leaves the database for a person goes through ``for_user``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from django.db import models

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

    def of_site(self, site: Site) -> SiteQuerySet[ModelT]:
        """Return the rows of one site."""
        return self.filter(**{self.model.site_path: site.pk})  # type: ignore[attr-defined]
