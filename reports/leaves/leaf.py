"""What every leaf of the fleet in figures can do: be drawn, be read as a table, be taken along."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any, Protocol

from django.http import QueryDict
from django.utils.functional import Promise

from fleet.models import Site
from reports.tables import Sheet


class Leaf(Protocol):
    """One question about the fleet, answered for a site on a day."""

    def figure(self) -> dict[str, Any] | None:
        """Return what the figure draws as plain data, None where nothing can be drawn."""

    def sheet(self) -> Sheet:
        """Return the same numbers as a table."""


@dataclass(frozen=True)
class LeafKind:
    """A leaf by its name: the question in words, the template, and how it is made.

    ``build`` takes the site, what was asked in the address and the day; one not ``drawn`` is a table alone.
    """

    name: str
    title: str | Promise
    build: Callable[[Site, QueryDict, date], Leaf]
    drawn: bool = True

    @property
    def template(self) -> str:
        """The page of this leaf."""
        return f"reports/leaves/{self.name}.html"


def service_asked(site: Site, asked: QueryDict) -> tuple[list[str], str]:
    """Return the services of a site and the one asked for, the first where none of them is named."""
    kinds = list(site.service_kinds.values_list("kind", flat=True))
    wanted = asked.get("service", "")
    return kinds, wanted if wanted in kinds else (kinds[0] if kinds else "")
