"""A budget set out: entries summed by one question, such as the month or the building."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import reduce
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.models import UseClass
from fleet.weeks import week_of
from reports.budget.ledger import Entry, Ledger, Stand, month_of

ZERO = Decimal("0.00")


@dataclass(frozen=True)
class Sum:
    """Hours [h], the money of those that have a price, and the hours that have none."""

    services: int = 0
    hours: Decimal = ZERO
    cost: Decimal = ZERO
    unpriced: Decimal = ZERO

    def plus(self, entry: Entry) -> Sum:
        """Return the sum with one more entry."""
        return Sum(
            self.services + entry.services,
            self.hours + entry.hours,
            self.cost + (entry.cost or ZERO),
            self.unpriced + (entry.hours if entry.cost is None else ZERO),
        )


@dataclass(frozen=True)
class Row:
    """One line of a statement: what it is about, its sums, and for weeks and months the hours offered [h]."""

    key: Any
    name: str
    planned: Sum
    done: Sum
    put_off: Sum
    offered: Decimal | None = None


@dataclass(frozen=True)
class Statement:
    """The lines of a budget by one question, and their total."""

    by: str
    rows: tuple[Row, ...]
    total: Row


@dataclass(frozen=True)
class Question:
    """What a budget can be summed by: the key of an entry and how it is written."""

    words: Any
    key: Callable[[Entry], Any]
    name: Callable[[Any], str]
    order: Callable[[Any], Any] = str
    of_week: Callable[[date], Any] | None = None


def _plain(empty: Any) -> Callable[[Any], str]:
    return lambda key: str(key) or str(empty)


def _dated(write: Callable[[date], str]) -> Callable[[date | None], str]:
    return lambda key: _("put off, in no week") if key is None else write(key)


QUESTIONS = {
    "week": Question(gettext_lazy("week"), lambda e: e.week, _dated(week_of), of_week=lambda week: week),
    "month": Question(
        gettext_lazy("month"),
        lambda e: e.month,
        _dated(lambda month: date_format(month, _("F Y"))),
        of_week=month_of,
    ),
    "term": Question(
        gettext_lazy("term"),
        lambda e: e.term if e.week else None,
        lambda key: _("put off, in no week") if key is None else key or _("outside every term"),
    ),
    "building": Question(
        gettext_lazy("building"), lambda e: e.building, _plain(gettext_lazy("no building named"))
    ),
    "use": Question(
        gettext_lazy("kind of use"),
        lambda e: e.use_class,
        lambda key: str(UseClass(key).label),
        UseClass.values.index,
    ),
    "service": Question(gettext_lazy("service"), lambda e: e.service, str),
    "person": Question(gettext_lazy("person"), lambda e: e.person, _plain(gettext_lazy("nobody named"))),
}


def set_out(ledger: Ledger, by: str) -> Statement:
    """Sum a ledger by one of the questions; the rows add up to the total to the cent."""
    question = QUESTIONS[by]
    groups: dict[Any, list[Entry]] = defaultdict(list)
    offered: dict[Any, Decimal] = defaultdict(Decimal)
    for week, hours in ledger.offered.items():
        if question.of_week:
            offered[question.of_week(week)] += hours
            groups[question.of_week(week)] = []
    for entry in ledger.entries:
        groups[question.key(entry)].append(entry)
    rows = [
        _row(key, question.name(key), groups[key], offered.get(key))
        for key in sorted(groups, key=lambda key: (key is None, "" if key is None else question.order(key)))
    ]
    all_offered = sum(ledger.offered.values(), ZERO) if ledger.offered else None
    return Statement(by, tuple(rows), _row(None, _("together"), ledger.entries, all_offered))


def _row(key: Any, name: str, entries: Iterable[Entry], offered: Decimal | None) -> Row:
    by_stand: dict[Stand, list[Entry]] = {stand: [] for stand in Stand}
    for entry in entries:
        by_stand[entry.stand].append(entry)
    sums = {stand: reduce(Sum.plus, found, Sum()) for stand, found in by_stand.items()}
    return Row(key, name, sums[Stand.PLANNED], sums[Stand.DONE], sums[Stand.PUT_OFF], offered)
