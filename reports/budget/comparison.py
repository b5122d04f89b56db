"""Ways to spend a season set side by side: the plan in hand and what-if scenarios, exact to the cent."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.models import Site
from reports.budget.ledger import hundredths, planned_sums
from reports.budget.report import Report
from reports.queries.plans import plan_for
from reports.queries.scenarios import in_order, picked
from reports.tables import Cell, Sheet
from scheduling.models import Scenario, SeasonPlan

TENTH = Decimal("0.1")
ZERO = Decimal("0.00")
# Fewer weighted days spared are no ground for a price of one.
LEAST_SPARED = Decimal("0.5")


@dataclass(frozen=True)
class Option:
    """One way to spend a season: hours [h], money, weighted and plain days out of tolerance, services.

    `money` is None where no hour has a price, `days_out` where it was not computed; `computed` is the day
    whose facts were known.
    """

    name: str
    start: date
    weeks: int
    computed: date | None
    offered: Decimal
    used: Decimal
    money: Decimal | None
    unpriced: Decimal
    weighted: Decimal
    days_out: Decimal | None
    services: int
    put_off: int
    scenario: int = 0


@dataclass(frozen=True)
class Measure:
    """A row of the comparison; `better` is -1 where fewer are better, 0 where neither is."""

    key: str
    words: Any
    unit: Any = ""
    digits: int = 0
    better: int = 0


@dataclass(frozen=True)
class Figure:
    """One figure, its difference from the first option, and whether that is for the better."""

    value: Decimal | None
    difference: Decimal | None
    better: bool | None


MEASURES = (
    Measure("offered", gettext_lazy("Hours offered"), "h", 2),
    Measure("used", gettext_lazy("Hours used"), "h", 2),
    Measure("money", gettext_lazy("Money for the hours used"), "", 2),
    Measure("weighted", gettext_lazy("Weighted days out of tolerance"), gettext_lazy("days"), 1, -1),
    Measure("days_out", gettext_lazy("Days out of tolerance"), gettext_lazy("days"), 1, -1),
    Measure("services", gettext_lazy("Services planned"), "", 0),
    Measure("put_off", gettext_lazy("Services put off"), "", 0, -1),
)


@dataclass(frozen=True)
class Comparison:
    """Options of one season, differences against the first of them."""

    site: Site
    options: tuple[Option, ...]
    plan_elsewhere: bool = False

    @property
    def rows(self) -> list[tuple[Measure, list[Figure]]]:
        """Every measure with its figures in the order of the options."""
        return [(measure, self.figures(measure)) for measure in MEASURES]

    def figures(self, measure: Measure) -> list[Figure]:
        """The figures of one measure; differences are those of the figures as they are shown."""
        values = [_value(option, measure.key) for option in self.options]
        first = values[0]
        found = [Figure(first, None, None)]
        for value in values[1:]:
            apart = None if value is None or first is None else value - first
            better = apart * measure.better > 0 if apart and measure.better else None
            found.append(Figure(value, apart, better))
        return found

    @property
    def differing_days(self) -> bool:
        """Whether some were computed from what was known on another day."""
        return len({option.computed for option in self.options}) > 1

    @property
    def chosen(self) -> set[int]:
        """The scenarios among the options."""
        return {option.scenario for option in self.options} - {0}

    def sentences(self) -> list[str]:
        """What each option spares against the first, and at what price."""
        first = self.options[0]
        return [_sentence(option, first, self.site.currency) for option in self.options[1:]]


def compare_in_budget(
    site: Site, chosen: Sequence[str], today: date
) -> tuple[Comparison | None, list[Scenario]]:
    """Set the plan in hand and computed scenarios side by side; return them, and all that can be chosen.

    Where the plan in hand covers other weeks than the scenarios, the season as it is stands first.
    """
    done = [
        one for one in Scenario.objects.of_site(site).order_by("-asked_at", "-pk") if one.cost is not None
    ]
    scenarios = picked(done, chosen)
    same = [one for one in scenarios if (one.start, one.weeks) == (scenarios[0].start, scenarios[0].weeks)]
    options = [_of_scenario(one) for one in in_order(same)]
    plan = plan_for(site, today)
    elsewhere = plan is not None and bool(same) and (plan.start, plan.weeks) != (same[0].start, same[0].weeks)
    if plan is not None and not elsewhere:
        options.insert(0, _of_plan(plan))
    return (Comparison(site, tuple(options), elsewhere) if options else None), done


def _of_plan(plan: SeasonPlan) -> Option:
    entries = planned_sums(plan)
    priced = [entry.cost for entry in entries if entry.cost is not None]
    unpriced = sum((entry.hours for entry in entries if entry.cost is None), ZERO)
    return Option(
        name=_("The plan in hand"),
        start=plan.start,
        weeks=plan.weeks,
        computed=plan.run.today if plan.run else None,
        offered=_sum(plan.hours_offered),
        used=sum((entry.hours for entry in entries), ZERO),
        money=sum(priced, ZERO) if priced or not unpriced and plan.site.hour_cost is not None else None,
        unpriced=unpriced,
        weighted=_tenth(plan.cost),
        days_out=None,
        services=sum(entry.services for entry in entries),
        put_off=plan.put_off.count(),
    )


def _of_scenario(one: Scenario) -> Option:
    assert one.cost is not None
    return Option(
        name=one.name,
        start=one.start,
        weeks=one.weeks,
        computed=one.today,
        offered=_sum(one.hours_offered),
        used=_sum(one.hours_used),
        money=one.money,
        unpriced=hundredths(one.hours_without_price),
        weighted=_tenth(one.cost),
        days_out=None if one.days_out is None else _tenth(one.days_out),
        services=one.visits or 0,
        put_off=len(one.put_off),
        scenario=one.pk,
    )


def _sum(hours: Iterable[float]) -> Decimal:
    return sum((hundredths(value) for value in hours), ZERO)


def _tenth(days: float) -> Decimal:
    return Decimal(repr(float(days))).quantize(TENTH, ROUND_HALF_UP)


def _value(option: Option, key: str) -> Decimal | None:
    value = getattr(option, key)
    return Decimal(value) if isinstance(value, int) else value


def _sentence(option: Option, first: Option, currency: str) -> str:
    spared = first.weighted - option.weighted
    said = {"name": option.name, "days": f"{abs(spared):,}", "first": first.name}
    words = _("%(name)s spares %(days)s weighted days out of tolerance against “%(first)s”")
    if spared < 0:
        words = _("%(name)s costs %(days)s weighted days out of tolerance more than “%(first)s”")
    text = words % said
    price = None if option.money is None or first.money is None else option.money - first.money
    if price is None:
        return f"{text}."
    more = _("for %(currency)s %(money)s more") if price >= 0 else _("for %(currency)s %(money)s less")
    text += " " + more % {"currency": currency, "money": f"{abs(price):,.2f}"}
    if price > 0 and spared >= LEAST_SPARED:
        each = (price / spared).quantize(Decimal("0.01"), ROUND_HALF_UP)
        text += _(": %(currency)s %(money)s for each") % {"currency": currency, "money": f"{each:,.2f}"}
    return f"{text}."


def comparison_report(compared: Comparison) -> Report:
    """Return a comparison as a report to take along."""
    site, first = compared.site, compared.options[0]
    lead = _("%(weeks)d weeks from %(day)s; differences are from “%(name)s”.") % {
        "weeks": first.weeks,
        "day": date_format(first.start, "j F Y"),
        "name": first.name,
    }
    return Report(
        name=f"scenarios-{first.start.isoformat()}",
        title=_("Scenarios of %(site)s in the budget") % {"site": site.name},
        lead=lead,
        sheets=[Sheet(_("scenarios"), _lines(compared))],
        notes=[*compared.sentences(), *comparison_notes(compared)],
        document=_document(compared),
    )


def comparison_notes(compared: Comparison) -> list[str]:
    """Say what the figures rest on."""
    notes = [_("A weighted day is one instrument out for one day, times the weight of its use.")]
    if compared.differing_days:
        notes.append(_("These were computed on different days, each from what was known then."))
    if compared.plan_elsewhere:
        notes.append(_("The plan in hand covers other weeks, so that it is not compared here."))
    unpriced = [option for option in compared.options if option.unpriced]
    if unpriced:
        names = ", ".join(f"{option.name}: {option.unpriced} h" for option in unpriced)
        notes.append(_("Hours without a price count in hours, not in money (%(names)s).") % {"names": names})
    return notes


def unit_of(measure: Measure, site: Site) -> str:
    """Return the unit of a measure, the currency for money."""
    return site.currency if measure.key == "money" else str(measure.unit)


def _lines(compared: Comparison) -> list[list[Cell]]:
    names = [option.name for option in compared.options]
    apart = [_("%(name)s, difference") % {"name": name} for name in names[1:]]
    head: list[Cell] = [_("figure"), _("unit"), *names, *apart]
    lines = [head]
    for measure, figures in compared.rows:
        cells: list[Cell] = [str(measure.words), unit_of(measure, compared.site)]
        cells += [figure.value for figure in figures]
        lines.append([*cells, *(figure.difference for figure in figures[1:])])
    return lines


def _document(compared: Comparison) -> dict[str, Any]:
    def option(place: int) -> dict[str, Any]:
        one = compared.options[place]
        figures = {measure.key: found[place] for measure, found in compared.rows}
        apart = {key: _text(figure.difference) for key, figure in figures.items()}
        return {
            "name": one.name,
            "computed": one.computed.isoformat() if one.computed else None,
            "hours_without_price": str(one.unpriced),
            **{key: _text(figure.value) for key, figure in figures.items()},
            "difference": apart if place else None,
        }

    first = compared.options[0]
    return {
        "site": compared.site.name,
        "start": first.start.isoformat(),
        "weeks": first.weeks,
        "currency": compared.site.currency,
        "options": [option(place) for place in range(len(compared.options))],
    }


def _text(value: Decimal | None) -> str | None:
    return None if value is None else str(value)
