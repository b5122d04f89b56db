"""The fleet in figures: how much of it will be out, by building and by use, and how old it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median
from typing import Any

import numpy as np
from django.db.models import Func, JSONField
from django.utils.translation import gettext as _
from numpy.typing import NDArray

from fleet.models import Instrument, Site, UseClass
from fleet.weeks import monday_before
from scheduling.models import Forecast

MOST_GROUPS = 6  # lines that can still be told apart by dash and mark
REACHED = 0.9  # share of the forecasts that have to speak of a week for it to be shown
OLDEST_DECADES = 120  # years before this decade from which on instruments are counted together


@dataclass(frozen=True)
class FleetOutlook:
    """What the stored forecasts of one service say: probability of being out [fraction], (n, weeks).

    NaN where a forecast does not speak of a week; building and use are those of each of the n instruments.
    """

    mondays: list[date]
    out: NDArray[np.float64]
    buildings: list[str]
    uses: list[str]


@dataclass(frozen=True)
class Group:
    """Instruments that belong together, and the expected share of them out of tolerance week by week."""

    name: str
    instruments: int
    shares: list[float]


def fleet_outlook(site: Site, kind: str, today: date) -> FleetOutlook:
    """Read the forecasts of a service from this week on, in one query.

    Weeks that fewer than nine in ten of them reach are left out, lest a line move because few speak.
    """
    rows = list(
        Forecast.objects.of_site(site)
        .filter(kind=kind, instrument__retired_on__isnull=True)
        .order_by("instrument__tag")
        .values_list(
            *("run__today", Chances("weekly")), "instrument__room__building", "instrument__use_class"
        )
    )
    this_week = monday_before(today)
    out = _laid_out([(made, chances) for made, chances, *_place in rows], this_week)
    reached = np.count_nonzero(~np.isnan(out), axis=0) >= max(REACHED * len(rows), 1)
    return FleetOutlook(
        [this_week + timedelta(weeks=week) for week in np.flatnonzero(reached).tolist()],
        out[:, reached],
        [building or _("no building named") for *_told, building, _use in rows],
        [use for *_told, use in rows],
    )


class Chances(Func):
    """The chances of being out alone, so that no page fetches and reads a whole fleet's means and spreads."""

    output_field = JSONField()

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        """Take the second of each row."""
        path = "jsonb_path_query_array(%(expressions)s, '$[*][1]')"
        return self.as_sql(compiler, connection, template=path, **context)

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        """Take the second of each row."""
        rows = "(SELECT json_group_array(json_extract(value, '$[1]')) FROM json_each(%(expressions)s))"
        return self.as_sql(compiler, connection, template=rows, **context)


def _laid_out(told: Sequence[tuple[date, list[float]]], first: date) -> NDArray[np.float64]:
    """Put chances, each told from the first Monday since it was made, in columns of weeks from a first one.

    Of shape (n, weeks), NaN where none is told.
    """
    starts = [(monday_before(made + timedelta(days=6)) - first).days // 7 for made, _chances in told]
    ends = [start + len(chances) for start, (_made, chances) in zip(starts, told, strict=True)]
    table = np.full((len(told), max([0, *ends])), np.nan)
    for row, start, (_made, chances) in zip(table, starts, told, strict=True):
        known = chances[max(-start, 0) :]
        row[max(start, 0) :][: len(known)] = known
    return table


def by_building(outlook: FleetOutlook) -> list[Group]:
    """Return the whole fleet and each building in the order of names, small ones together where many."""
    names = _gathered(outlook.buildings, _("other buildings"))
    return _groups(outlook, names, sorted(set(names)))


def by_use(outlook: FleetOutlook) -> list[Group]:
    """Return the whole fleet and each use, the weightiest first."""
    words = {str(value): str(label) for value, label in UseClass.choices}
    return _groups(outlook, [words[use] for use in outlook.uses], list(words.values()))


def _groups(outlook: FleetOutlook, names: Sequence[str], order: Iterable[str]) -> list[Group]:
    if not outlook.mondays:
        return []
    belongs = np.array(names)
    whole = _group(_("the whole fleet"), outlook.out)
    return [whole, *(_group(name, outlook.out[belongs == name]) for name in order if name in names)]


def _group(name: str, out: NDArray[np.float64]) -> Group:
    """Return the mean over those that speak; nobody speaking leaves NaN."""
    speaking = np.count_nonzero(~np.isnan(out), axis=0)
    total = np.nansum(out, axis=0)
    shares = np.divide(total, speaking, out=np.full(len(total), np.nan), where=speaking > 0)
    return Group(name, len(out), shares.tolist())


def _gathered(names: Sequence[str], others: str) -> list[str]:
    """Put all but the commonest names under one where there are too many to tell apart."""
    counted = Counter(names)
    if len(counted) <= MOST_GROUPS:
        return list(names)
    ranked = sorted(counted, key=lambda name: (-counted[name], name))
    kept = set(ranked[: MOST_GROUPS - 1])
    return [name if name in kept else others for name in names]


@dataclass(frozen=True)
class Decade:
    """Instruments built in ten years, by kind in the order of the table."""

    name: str
    numbers: list[int]

    @property
    def total(self) -> int:
        """How many in all."""
        return sum(self.numbers)


@dataclass(frozen=True)
class Ages:
    """How many instruments of which kind come from which decade, the youngest first."""

    kinds: list[str]
    decades: list[Decade]
    middle: float | None

    @property
    def most(self) -> int:
        """The largest number in the table, to which its bars are drawn."""
        return max((number for one in self.decades for number in one.numbers), default=0)

    @property
    def totals(self) -> list[int]:
        """How many of each kind."""
        return [sum(column) for column in zip(*(one.numbers for one in self.decades), strict=True)]

    @property
    def total(self) -> int:
        """How many in all."""
        return sum(self.totals)


def fleet_ages(site: Site, today: date) -> Ages:
    """Count the instruments in service by decade of building and kind, in one query.

    Decades without any stand between the others, so that a gap shows; the oldest are counted together.
    """
    rows = list(
        Instrument.objects.of_site(site)
        .filter(retired_on__isnull=True)
        .order_by("tag")
        .values_list("year_built", "kind")
    )
    if not rows:
        return Ages([], [], None)
    first = today.year // 10 * 10 - OLDEST_DECADES
    names = _gathered([kind for _year, kind in rows], _("other kinds"))
    built = [max(year // 10 * 10, first - 10) for year, _kind in rows]
    common = Counter(names)
    kinds = sorted(common, key=lambda name: (-common[name], name))
    counted = Counter(zip(built, names, strict=True))
    decades = [
        Decade(_decade_words(start, first), [counted[start, kind] for kind in kinds])
        for start in range(max(built), min(built) - 10, -10)
    ]
    return Ages(kinds, decades, median(today.year - year for year, _kind in rows))


def _decade_words(start: int, first: int) -> str:
    if start < first:
        return _("before %(year)d") % {"year": first}
    return f"{start}\N{EN DASH}{start + 9}"
