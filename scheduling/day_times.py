"""When in the week each planned visit stands, as far as the week has been laid out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from fleet.models import Site
from scheduling.models import PlannedVisit


@dataclass(frozen=True)
class Sitting:
    """A stretch of work on one visit; aware instants."""

    starts_at: datetime
    ends_at: datetime


def planned_times(
    site: Site, monday: date, visits: Sequence[PlannedVisit]
) -> dict[int, list[Sitting]] | None:
    """Return the sittings of each visit by its number, None where nobody has laid out the week."""
    return None
