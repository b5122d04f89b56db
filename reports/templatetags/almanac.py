"""What every template may use: weeks, amounts and days as people write them, marks of state, due windows."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any

from django import template
from django.template import defaultfilters
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.utils.translation import get_language, gettext, gettext_noop

from fleet.weeks import week_of
from reports import words
from reports.axis import DueBar, TimeAxis
from reports.queries.rooms import RoomAirNow
from reports.queries.score import Share
from scheduling.models import Forecast, ForecastState, PlannedVisit, SeasonPlan

register = template.Library()

# The styles in which pages and letters write days, which other languages order otherwise.
STYLES = (
    gettext_noop("D"),
    gettext_noop("D j M Y"),
    gettext_noop("D H:i"),
    gettext_noop("D j M, H:i"),
    gettext_noop("F Y"),
    gettext_noop("M Y"),
    gettext_noop("j F"),
    gettext_noop("j F Y"),
    gettext_noop("j F Y, H:i"),
    gettext_noop("j F, H:i"),
    gettext_noop("j M"),
    gettext_noop("j M Y"),
    gettext_noop("j M Y, H:i"),
    gettext_noop("j M, H:i"),
    gettext_noop("l"),
    gettext_noop("l j F"),
    gettext_noop("l j F Y"),
    gettext_noop("l j F Y, H:i"),
    gettext_noop("l j F, H:i"),
)
MIDWEEK = timedelta(days=3)
MINUS = "\N{MINUS SIGN}"
SHAPE_OF_STATE = {
    ForecastState.IN_TOLERANCE: "open",
    ForecastState.LEAVING_SOON: "half",
    ForecastState.OUT: "full",
}


@register.filter
def iso_week(day: date) -> str:
    """Write the ISO week in which a day lies, such as 2026-W53."""
    return week_of(day)


@register.filter
def named(word: object) -> str:
    """Return a kind, use, unit or trouble, which are stored in English, in the reader's language."""
    return gettext(str(word)) if word else ""


@register.filter(expects_localtime=True)
def written(when: date | None, style: str) -> str:
    """Write a day or an instant in a style that each language has its own of."""
    if not when:
        return ""
    if isinstance(when, datetime):
        return defaultfilters.date(when, gettext(style))
    return _written_day(when, style, get_language())


# Tables write the same days again and again.
@lru_cache(maxsize=4096)
def _written_day(day: date, style: str, language: str | None) -> str:
    return defaultfilters.date(day, gettext(style))


@register.filter
def percent(fraction: float | None, digits: int = 0) -> str:
    """Write a fraction as a percentage with its sign."""
    if fraction is None:
        return ""
    return words.pointed(f"{100 * fraction:.{digits}f}\N{NO-BREAK SPACE}%").replace("-", MINUS)


@register.filter
def points(fraction: float) -> str:
    """Write a fraction in percent without its sign, with no more decimals than it needs."""
    return words.pointed(f"{round(100 * fraction, 4):g}")


@register.filter
def percent_range(low: float, high: float) -> str:
    """Write two fractions as a range of percentages with one sign."""
    return f"{100 * low:.0f} – {100 * high:.0f}\N{NO-BREAK SPACE}%"


@register.filter
def hours(value: float | None) -> str:
    """Write hours with their unit and no more decimals than they need."""
    return "" if value is None else words.pointed(f"{round(float(value), 2):g}\N{NO-BREAK SPACE}h")


@register.filter
def amount(value: float | None, unit: str) -> str:
    """Write a deviation or tolerance with its unit."""
    return words.amount(value, unit)


@register.filter
def signed(value: float | None, digits: int | None = None) -> str:
    """Write a number with a minus sign instead of a hyphen, a dash where there is none."""
    if value is None:
        return "–"
    text = f"{value:g}" if digits is None else f"{value:.{digits}f}"
    return words.pointed(text).replace("-", MINUS)


@register.simple_tag
def number_cells(digits: str, *values: float | None) -> str:
    """Write numbers into cells of a table, each with as many decimals as its digit says."""
    pairs = zip(digits, values, strict=True)
    return _cells("–" if value is None else f"{value:.{digit}f}" for digit, value in pairs)


@register.filter
def percent_cells(fractions: Iterable[float | None], digits: int) -> str:
    """Write fractions into cells of a table as percentages with their sign."""
    return _cells(
        "–" if value is None else f"{100 * value:.{digits}f}\N{NO-BREAK SPACE}%" for value in fractions
    )


def _cells(numbers: Iterable[str]) -> str:
    # All at once: to ask for the reader's decimal point anew for each number would take most of the time.
    written = words.pointed("</td><td>".join(numbers))
    return mark_safe(f"<td>{written.replace('-', MINUS)}</td>")


@register.filter
def grouped(value: float | Decimal, digits: int) -> str:
    """Write a number with its thousands apart."""
    return words.pointed(f"{value:,.{digits}f}").replace("-", MINUS)


@register.filter
def grouped_signed(value: float | Decimal, digits: int) -> str:
    """Write a difference with its sign, thousands apart."""
    return words.pointed(f"{value:+,.{digits}f}").replace("-", MINUS)


@register.filter
def size(value: float) -> float:
    """Return a number without its sign, where words say which way it goes."""
    return abs(value)


@register.filter
def short_day(day: date | None) -> str:
    """Write a day as people do, with its year only where it could be mistaken."""
    return "" if day is None else words.short_day(day, timezone.localdate())


@register.filter
def due_window(forecast: Forecast) -> str:
    """Write the due window of a forecast in a few words."""
    return words.due_window(forecast, timezone.localdate())


@register.filter
def due_sentence(forecast: Forecast) -> str:
    """Write in one sentence when an instrument leaves its tolerance."""
    return words.due_sentence(forecast, timezone.localdate())


@register.filter
def outcome_sentence(plan: SeasonPlan) -> str:
    """Say how good a plan is and how that is known."""
    return words.outcome_sentence(plan)


@register.filter
def look_up(table: dict[str, Any], key: str) -> Any:
    """Return what a table holds under a key."""
    return table.get(key, "")


@register.simple_tag
def state(forecast: Forecast) -> str:
    """Write the state of a forecast: a word with a mark of its own shape."""
    state = ForecastState(forecast.state)
    return _marked(SHAPE_OF_STATE[state], str(state.label))


@register.simple_tag
def marked(shape: str, word: object) -> str:
    """Write a word with one of the three marks: open, half or full."""
    return _marked(shape, str(word))


# Lists say the same few words in every line.
@lru_cache(maxsize=256)
def _marked(shape: str, word: str) -> str:
    return render_to_string("reports/state.html", {"shape": shape, "word": word})


@register.inclusion_tag("reports/due.html")
def due(bar: DueBar | None, axis: TimeAxis, visit: PlannedVisit | None = None) -> dict[str, Any]:
    """Draw a due window and the next visit on a shared axis; the words beside it say the same."""
    planned = axis.place(visit.week + MIDWEEK) if visit else None
    return {"bar": bar, "months": _month_lines(axis), "planned": planned}


@lru_cache(maxsize=8)
def _month_lines(axis: TimeAxis) -> str:
    """Draw the beginnings of the months, which every window of a page stands on."""
    return render_to_string("reports/due_months.html", {"months": axis.months()})


@register.inclusion_tag("reports/range.html")
def humidity_range(air: RoomAirNow) -> dict[str, Any]:
    """Draw the thirty days' humidity of a room from 0 to 100 percent, the notch at the mean."""
    low, mean, high = air.rh_low, air.rh_mean, air.rh_high
    if low is None or mean is None or high is None:
        return {"left": None}
    left, right = 100 * low, 100 * high
    return {
        "left": round(left, 1),
        "width": round(max(right - left, 0.8), 1),
        "notch": round(100 * mean, 1),
    }


@register.inclusion_tag("reports/range.html")
def share_range(share: Share, goal: float) -> dict[str, Any]:
    """Draw a share with the range it may truly lie in, from 0 to 100 percent, and a stroke at the goal."""
    return {
        "left": round(100 * share.low, 1),
        "width": round(max(100 * (share.high - share.low), 0.8), 1),
        "notch": round(100 * share.value, 1),
        "goal": round(100 * goal, 1),
    }
