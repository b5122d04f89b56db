"""Several seasons ahead: the hours and money that keeping tolerance will take, with a range."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.models import Site, Term
from reports.budget.report import Report
from reports.tables import Cell, Sheet
from scheduling.models import SeasonsAhead
from scheduling.seasons_ahead import STRETCHES_A_YEAR

CENT = Decimal("0.01")
ZERO = Decimal("0.00")


@dataclass(frozen=True)
class Need:
    """One line: services and hours needed in the mean, the range of the hours, hours offered, and money.

    `low`, `high`, `offered` and the money are None where they are not told: a range does not add up over
    services, and nothing is offered for a single kind.
    """

    name: str
    services: Decimal
    hours: Decimal
    low: Decimal | None
    high: Decimal | None
    offered: Decimal | None
    money: Decimal | None
    money_low: Decimal | None
    money_high: Decimal | None
    terms: str = ""

    @property
    def lacking(self) -> Decimal | None:
        """Hours needed beyond those offered, below zero where some are left."""
        return None if self.offered is None else self.hours - self.offered


@dataclass(frozen=True)
class Ahead:
    """The years ahead by stretch, by year and by kind of service; every table adds up to the total."""

    site: Site
    work: SeasonsAhead
    rate: Decimal | None
    stretches: tuple[Need, ...]
    years: tuple[Need, ...]
    services: tuple[Need, ...]
    total: Need
    last: date
    terms_until: date | None

    @property
    def a_week(self) -> Decimal:
        """Hours needed a week in the last year, when what is out today has long been dealt with."""
        return (self.years[-1].hours / 52).quantize(Decimal("0.1"), ROUND_HALF_UP)

    @property
    def longest(self) -> Decimal:
        """The longest bar [h]."""
        return max((max(one.high or ZERO, one.offered or ZERO) for one in self.stretches), default=ZERO)


def newest_ahead(site: Site) -> tuple[SeasonsAhead | None, SeasonsAhead | None]:
    """Return what is being computed or failed last, and the newest that is done."""
    rows = list(SeasonsAhead.objects.of_site(site).order_by("-asked_at", "-pk")[:20])
    done = next((row for row in rows if row.state == SeasonsAhead.State.DONE), None)
    return (rows[0] if rows and rows[0] is not done else None), done


def look_ahead(work: SeasonsAhead, rate: Decimal | None) -> Ahead:
    """Set out what was computed, at a price for each hour."""
    site = work.site
    terms = list(site.terms.all())
    cells = [(place, service, Decimal(n), Decimal(h)) for place, service, n, h in work.needs]
    stretches = tuple(_stretch(place, row, cells, rate, terms) for place, row in enumerate(work.stretches))
    by_service: dict[str, list[Any]] = defaultdict(list)
    for cell in cells:
        by_service[cell[1]].append(cell)
    services = tuple(_plain(name, mine, rate) for name, mine in by_service.items())
    years = tuple(_year(n, stretches, low, high, rate) for n, (low, high) in enumerate(work.years_range))
    return Ahead(
        site=site,
        work=work,
        rate=rate,
        stretches=stretches,
        years=years,
        services=services,
        total=_together(stretches),
        last=date.fromisoformat(work.stretches[-1]["last"]),
        terms_until=max((term.last_day for term in terms), default=None),
    )


def _priced(hours: Decimal | None, rate: Decimal | None) -> Decimal | None:
    return None if hours is None or rate is None else (hours * rate).quantize(CENT, ROUND_HALF_UP)


def _plain(name: str, cells: Sequence[Any], rate: Decimal | None) -> Need:
    """A sum of cells without a range; money is added up cell by cell, so that every table agrees."""
    money = [_priced(hours, rate) for *_rest, hours in cells]
    return Need(
        name=name,
        services=sum((n for _place, _service, n, _hours in cells), ZERO),
        hours=sum((hours for *_rest, hours in cells), ZERO),
        low=None,
        high=None,
        offered=None,
        money=None if rate is None else sum((one for one in money if one is not None), ZERO),
        money_low=None,
        money_high=None,
    )


def _stretch(
    place: int, row: dict[str, str], cells: Sequence[Any], rate: Decimal | None, terms: Sequence[Term]
) -> Need:
    first, last = date.fromisoformat(row["first"]), date.fromisoformat(row["last"])
    name = (
        _("%(first)s to %(last)s") % {"first": _day(first), "last": _day(last)} if place else _("out today")
    )
    named = (
        [term.name for term in terms if term.first_day <= last and term.last_day >= first] if place else []
    )
    plain = _plain(name, [cell for cell in cells if cell[0] == place], rate)
    offered = Decimal(row["offered"]) if row["offered"] else None
    return _ranged(plain, Decimal(row["low"]), Decimal(row["high"]), offered, rate, ", ".join(named))


def _year(n: int, stretches: Sequence[Need], low: str, high: str, rate: Decimal | None) -> Need:
    first = 1 + STRETCHES_A_YEAR * n
    mine = stretches[0 if n == 0 else first : first + STRETCHES_A_YEAR]
    together = _together(mine, _("year %(number)d") % {"number": n + 1})
    return _ranged(together, Decimal(low), Decimal(high), together.offered, rate)


def _ranged(
    need: Need, low: Decimal, high: Decimal, offered: Decimal | None, rate: Decimal | None, terms: str = ""
) -> Need:
    return Need(
        *(need.name, need.services, need.hours, low, high, offered, need.money),
        *(_priced(low, rate), _priced(high, rate), terms),
    )


def _together(needs: Sequence[Need], name: str = "") -> Need:
    money = [one.money for one in needs if one.money is not None]
    offered = [one.offered for one in needs if one.offered is not None]
    return Need(
        name=name or _("together"),
        services=sum((one.services for one in needs), ZERO),
        hours=sum((one.hours for one in needs), ZERO),
        low=None,
        high=None,
        offered=sum(offered, ZERO) if offered else None,
        money=sum(money, ZERO) if money else None,
        money_low=None,
        money_high=None,
    )


def _day(day: date) -> str:
    return str(date_format(day, "j M Y"))


def assumptions(ahead: Ahead) -> list[str]:
    """Say plainly what the figures assume and what they leave out."""
    words = [
        _(
            "Assumed: every service is done on the day on which the instrument would leave its tolerance. "
            "Nobody sees that day beforehand, so these hours are the least that keep everything in "
            "tolerance; rounds on fixed days, travel, broken strings and players' reports come on top."
        ),
        _(
            "The range holds the middle 80 % of the simulated futures. It comes from the weather to come and "
            "from what is not known about each instrument; ranges of several lines do not add up."
        ),
        _(
            "Instruments, rooms, use and tolerances are taken as they stand today; humidity follows the "
            "seasons that each room has shown. Hours offered are those of today's people less known absences."
        ),
    ]
    if ahead.terms_until is None or ahead.terms_until < ahead.last:
        words.append(_("Where no term is entered, playing is taken as usual: holidays would lessen it."))
    if ahead.rate is None:
        words.append(_("No money is told, since nobody has said what an hour costs."))
    else:
        price = {"currency": ahead.site.currency, "rate": f"{ahead.rate:,.2f}"}
        words.append(_("Money is hours at today's price of %(currency)s %(rate)s an hour.") % price)
    return words


def ahead_report(ahead: Ahead) -> Report:
    """Return the years ahead as a report to take along."""
    sheets = [
        Sheet(_("by stretch"), _lines(ahead, ahead.stretches)),
        Sheet(_("by year"), _lines(ahead, ahead.years)),
        Sheet(_("by service"), _lines(ahead, ahead.services)),
    ]
    assert ahead.work.today is not None
    said = {"day": _day(ahead.work.today), "last": _day(ahead.last)}
    return Report(
        name=f"years-ahead-{ahead.work.today.isoformat()}",
        title=_("%(site)s: what the years ahead need") % {"site": ahead.site.name},
        lead=_("Until %(last)s, by what was known on %(day)s.") % said,
        sheets=sheets,
        notes=assumptions(ahead),
        document=_document(ahead),
    )


def _lines(ahead: Ahead, needs: Sequence[Need]) -> list[list[Cell]]:
    money = ahead.site.currency
    head: list[Cell] = [_("when") if needs is not ahead.services else _("service"), _("services"), _("hours")]
    head += [_("low, h"), _("high, h"), _("offered, h"), money, _("low, %s") % money, _("high, %s") % money]
    return [head, *(_line(one) for one in [*needs, ahead.total])]


def _line(one: Need) -> list[Cell]:
    cells: list[Cell] = [one.name, one.services, one.hours, one.low, one.high, one.offered]
    return [*cells, one.money, one.money_low, one.money_high]


def _document(ahead: Ahead) -> dict[str, Any]:
    tables = {"stretches": ahead.stretches, "years": ahead.years, "services": ahead.services}
    return {
        "site": ahead.site.name,
        "today": str(ahead.work.today),
        "until": ahead.last.isoformat(),
        "currency": ahead.site.currency,
        "hour_cost": None if ahead.rate is None else str(ahead.rate),
        **{name: [_said(one) for one in needs] for name, needs in tables.items()},
        "total": _said(ahead.total),
    }


def _said(one: Need) -> dict[str, Any]:
    names = ("services", "hours", "low", "high", "offered", "money", "money_low", "money_high")
    values = {name: getattr(one, name) for name in names}
    return {"name": one.name, **{name: None if v is None else str(v) for name, v in values.items()}}
