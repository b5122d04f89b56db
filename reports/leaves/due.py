"""Which instruments leave their tolerance first: the due windows of one service over the season."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from django.db.models import F
from django.http import QueryDict
from django.utils.translation import gettext as _

from fleet.models import Site, UseClass
from reports.leaves.leaf import service_asked
from reports.queries.plans import plan_for
from reports.tables import Line, Sheet
from scheduling.models import Forecast, ForecastState

SHOWN = 40  # bars that can still be told apart; the file has all
WITHOUT_PLAN = timedelta(weeks=18)


@dataclass(frozen=True)
class DueRow:
    """One instrument: first days out of tolerance at 10, 50 and 90 %, None beyond the forecast."""

    pk: int
    tag: str
    room: str
    building: str
    use: str
    state: str
    out_now: float
    early: date | None
    middle: date | None
    late: date | None


@dataclass(frozen=True)
class DueLeaf:
    """The due windows of one service, the first to leave first, within the weeks of the season."""

    kinds: list[str]
    asked: str
    first: date
    last: date
    rows: list[DueRow]

    @property
    def within(self) -> list[DueRow]:
        """Those that may leave within the season."""
        return [row for row in self.rows if row.early is not None and row.early <= self.last]

    @property
    def shown(self) -> list[DueRow]:
        """Those that are drawn."""
        return self.within[:SHOWN]

    @property
    def likely(self) -> int:
        """How many leave within the season more likely than not."""
        return sum(row.middle is not None and row.middle <= self.last for row in self.rows)

    @property
    def out(self) -> int:
        """How many are out already more likely than not."""
        return sum(row.state == ForecastState.OUT for row in self.rows)

    def figure(self) -> dict[str, Any] | None:
        """Return bars from early to late with the middle, for those shown."""
        if not self.shown:
            return None
        return {
            "form": "windows",
            "title": _("Which instruments leave their tolerance first?"),
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
            "today": self.first.isoformat(),
            "rows": [f"{row.tag} · {row.room}" for row in self.shown],
            "early": [_iso(row.early) for row in self.shown],
            "middle": [_iso(row.middle) for row in self.shown],
            "late": [_iso(row.late) for row in self.shown],
            "out": [row.state == ForecastState.OUT for row in self.shown],
            "words": {
                "window": _("early to late, 80 %"),
                "middle": _("middle"),
                "later": _("may be later still"),
                "out": _("probably out already"),
            },
        }

    def sheet(self) -> Sheet:
        """Return every instrument, also those that stay in tolerance."""
        head: Line = [
            *("tag", "room", "building", "use", "state", "out_now"),
            *("due_early", "due_middle", "due_late"),
        ]
        lines: list[Line] = [
            [
                *(row.tag, row.room, row.building),
                *(str(UseClass(row.use).label), str(ForecastState(row.state).label)),
                Decimal(row.out_now).quantize(Decimal("0.001")),
                *(row.early, row.middle, row.late),
            ]
            for row in self.rows
        ]
        return Sheet(_("due windows"), [head, *lines])


def due_leaf(site: Site, asked: QueryDict, today: date) -> DueLeaf:
    """Read the due windows of a service, in one query beside those for the services and the plan."""
    kinds, kind = service_asked(site, asked)
    plan = plan_for(site, today)
    end = plan.start + timedelta(weeks=plan.weeks) if plan else today + WITHOUT_PLAN
    found = (
        Forecast.objects.of_site(site)
        .filter(kind=kind, instrument__retired_on__isnull=True)
        .order_by(
            F("due_middle").asc(nulls_last=True),
            F("due_early").asc(nulls_last=True),
            "-out_now",
            "instrument__tag",
        )
        .values_list(
            *("instrument_id", "instrument__tag", "instrument__room__name", "instrument__room__building"),
            *("instrument__use_class", "state", "out_now", "due_early", "due_middle", "due_late"),
        )
    )
    return DueLeaf(kinds, kind, today, max(end, today + timedelta(weeks=4)), [DueRow(*row) for row in found])


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
