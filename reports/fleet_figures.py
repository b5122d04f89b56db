"""The fleet's figures as data and as tables to take along: the same numbers, in percent."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from reports.figures import Figure, Series
from reports.queries.fleet import Ages, FleetOutlook, Group, by_building, by_use
from reports.tables import Line, Sheet

SHARES: dict[str, Callable[[FleetOutlook], list[Group]]] = {"building": by_building, "use": by_use}
TITLES = {
    "building": gettext_lazy("How much of the fleet will be out, by building?"),
    "use": gettext_lazy("How much of the fleet will be out, by use?"),
}
SHEET_NAMES = {"building": gettext_lazy("out by building"), "use": gettext_lazy("out by use")}
SHEETS = ("building", "use", "age")


@dataclass(frozen=True)
class ShareTable:
    """One question with the groups its figure draws and the same shares [fraction] Monday by Monday."""

    by: str
    title: str
    groups: list[Group]
    lines: list[tuple[date, list[float | None]]]


def share_tables(outlook: FleetOutlook) -> list[ShareTable]:
    """Return the shares by every question."""
    return [ShareTable(by, str(TITLES[by]), *_table(outlook, by)) for by in SHARES]


def _table(outlook: FleetOutlook, by: str) -> tuple[list[Group], list[tuple[date, list[float | None]]]]:
    groups = SHARES[by](outlook)
    shares = [[_known(group.shares[week]) for group in groups] for week in range(len(outlook.mondays))]
    return groups, list(zip(outlook.mondays, shares, strict=True))


def _known(share: float) -> float | None:
    return None if math.isnan(share) else share


def share_figure(outlook: FleetOutlook, by: str, today: date) -> Figure:
    """How much of the fleet will be out? The whole as a firm line, each group as its own."""
    x = [monday.isoformat() for monday in outlook.mondays]
    series = [
        Series("group" if place else "mean", group.name, x, [_percent(share) for share in group.shares])
        for place, group in enumerate(SHARES[by](outlook))
    ]
    first = min(x[0] if x else today.isoformat(), today.isoformat())
    return Figure(
        title=str(TITLES[by]),
        axis=_("share out of tolerance"),
        unit="%",
        digits=1,
        first=first,
        last=x[-1] if x else today.isoformat(),
        today=today.isoformat(),
        series=series,
        from_zero=True,
    )


def _percent(share: float) -> float | None:
    return None if math.isnan(share) else round(100 * share, 2)


def sheets(outlook: FleetOutlook, ages: Ages, first: str) -> list[Sheet]:
    """Return the numbers of every figure as sheets, the one asked for first; shares in percent."""
    made = {by: _share_sheet(outlook, by) for by in SHARES} | {"age": _age_sheet(ages)}
    return [made[name] for name in (first, *(name for name in SHEETS if name != first))]


def _share_sheet(outlook: FleetOutlook, by: str) -> Sheet:
    groups = SHARES[by](outlook)
    head = [f"{group.name} ({group.instruments}), %" for group in groups]
    lines: list[Line] = [["monday", *head]]
    for week, monday in enumerate(outlook.mondays):
        lines.append([monday, *(_cell(group.shares[week]) for group in groups)])
    return Sheet(str(SHEET_NAMES[by]), lines)


def _cell(share: float) -> Decimal | None:
    percent = _percent(share)
    return None if percent is None else Decimal(str(percent))


def _age_sheet(ages: Ages) -> Sheet:
    lines: list[Line] = [["built", *ages.kinds, "all"]]
    lines += [[one.name, *one.numbers, one.total] for one in ages.decades]
    return Sheet(_("built when"), lines)
