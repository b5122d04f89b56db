"""What holding a room would be worth, as its page and its file say it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from reports.tables import Line, Sheet
from scheduling.holding import CALENDAR, MEASURES, ONCE_OUT, RULES
from scheduling.models import HoldingStudy

TENTH, CENT = Decimal("0.1"), Decimal("0.01")
LONGEST_YEARS = 100  # a payback beyond it is none


@dataclass(frozen=True)
class Saved:
    """A measure without and with the holding, and what that saves with the range of eight futures in ten."""

    words: str
    unit: str
    free: Decimal
    held: Decimal
    saved: Decimal
    low: Decimal
    high: Decimal
    digits: int = 1

    @property
    def size(self) -> Decimal:
        """How much is saved, or costs more, without its sign."""
        return abs(self.saved)


@dataclass(frozen=True)
class LineRow:
    """One instrument and service: days by the calendar, services once out."""

    instrument: int
    tag: str
    kind: str
    days: Saved
    services: Saved


@dataclass(frozen=True)
class Payback:
    """After how many years equipment has paid for itself; None for never, or not within reason."""

    middle: Decimal | None
    early: Decimal | None
    late: Decimal | None


class EquipmentForm(forms.Form):
    """What the equipment costs; nothing of it is stored."""

    price = forms.DecimalField(
        label=gettext_lazy("Price of the equipment, fitted"), min_value=0, max_digits=11, decimal_places=2
    )
    running = forms.DecimalField(
        label=gettext_lazy("Running cost a year"),
        min_value=0,
        max_digits=11,
        decimal_places=2,
        required=False,
    )


@dataclass(frozen=True)
class HoldingPage:
    """A study that is done, in the order in which it is read."""

    study: HoldingStudy
    calendar: list[Saved]
    once_out: list[Saved]
    lines: list[LineRow]
    error_days: Decimal

    @property
    def days(self) -> Saved:
        """Days out of tolerance where visits stay on the calendar."""
        return self.calendar[0]

    @property
    def services(self) -> Saved:
        """Services where work is done as it falls due."""
        return self.once_out[0]

    @property
    def money(self) -> Saved | None:
        """What its hours cost; None where an hour has no price."""
        return next((one for one in self.once_out if one.digits == 2), None)


def holding_page(study: HoldingStudy) -> HoldingPage | None:
    """Return a study's page; None until it is done."""
    if not study.sums:
        return None
    calendar, once_out = study.sums[CALENDAR], study.sums[ONCE_OUT]
    priced = (
        [] if study.hour_cost is None else [_money(once_out["hours"], study.hour_cost, study.site.currency)]
    )
    words = _words()
    lines = [
        LineRow(
            row["instrument"],
            row["tag"],
            row["kind"],
            _saved(row[CALENDAR]["days"], *words["days"]),
            _saved(row[ONCE_OUT]["services"], *words["services"]),
        )
        for row in study.lines
    ]
    return HoldingPage(
        study=study,
        calendar=[_saved(calendar[name], *words[name]) for name in ("days", "weighted", "services", "hours")],
        once_out=[
            _saved(once_out["services"], *words["services"]),
            _saved(once_out["hours"], *words["hours"]),
            *priced,
            *(_saved(once_out[name], *words[name]) for name in ("days", "weighted")),
        ],
        lines=sorted(lines, key=lambda line: (-line.days.saved, line.tag, line.kind)),
        error_days=_tenth(2 * calendar["days"]["error"]),
    )


def payback(page: HoldingPage, form: EquipmentForm) -> Payback | None:
    """Return after how many years the money saved has paid the equipment; None where nothing is asked."""
    if page.money is None or not form.is_valid():
        return None
    price, running = form.cleaned_data["price"], form.cleaned_data["running"] or Decimal(0)
    money = page.money
    return Payback(*(_years(price, a_year - running) for a_year in (money.saved, money.high, money.low)))


def _years(price: Decimal, a_year: Decimal) -> Decimal | None:
    if a_year <= 0:
        return None
    years = price / a_year
    return years.quantize(TENTH, ROUND_HALF_UP) if years <= LONGEST_YEARS else None


def _words() -> Mapping[str, tuple[str, str]]:
    return {
        "days": (_("days out of tolerance"), _("instrument-days")),
        "weighted": (_("the same, weighted by use"), _("weighted days")),
        "services": (_("services"), ""),
        "hours": (_("hours of work"), _("h")),
    }


def _saved(found: Mapping[str, float], words: str, unit: str) -> Saved:
    """Rounded to tenths, so that what is shown as saved is the difference of what is shown."""
    free, held, low, high = (_tenth(found[name]) for name in ("free", "held", "low", "high"))
    return Saved(words, unit, free, held, free - held, low, high)


def _money(hours: Mapping[str, float], rate: Decimal, currency: str) -> Saved:
    """The hours as they are shown, times the cost of one."""
    shown = _saved(hours, "", "")
    free, held, low, high = (
        ((value * rate).quantize(CENT, ROUND_HALF_UP))
        for value in (shown.free, shown.held, shown.low, shown.high)
    )
    return Saved(_("money"), currency, free, held, free - held, low, high, 2)


def _tenth(value: float) -> Decimal:
    found = Decimal(repr(value)).quantize(TENTH, ROUND_HALF_UP)
    return found or abs(found)  # no minus before nothing


def what_if_query(study: HoldingStudy) -> str:
    """Return what fills the form of what-if in with the same room, band and day."""
    return urlencode(
        {
            "held_room": study.room.name,
            "held_low": f"{round(100 * study.low_rh, 4):g}",
            "held_high": f"{round(100 * study.high_rh, 4):g}",
            "held_from": study.first_day.isoformat(),
        }
    )


def holding_sheet(study: HoldingStudy) -> Sheet:
    """Return every figure of a study as lines: all together first, then each instrument and service."""
    head = ("instrument", "service", "rule", "measure", "unit", "without", "with", "saved", "low", "high")
    rows: list[Line] = [head]
    page = holding_page(study)
    if page is not None:
        for rule, found in ((CALENDAR, page.calendar), (ONCE_OUT, page.once_out)):
            rows += [("", "", rule, *_cells(one)) for one in found]
        rows += _line_cells(study.lines)
    return Sheet(_("holding"), rows)


def _line_cells(lines: list[dict[str, Any]]) -> Iterator[Line]:
    words = _words()
    for row in lines:
        for rule in RULES:
            for name in MEASURES:
                yield (row["tag"], row["kind"], rule, *_cells(_saved(row[rule][name], *words[name])))


def _cells(one: Saved) -> Line:
    return (one.words, one.unit, one.free, one.held, one.saved, one.low, one.high)
