"""Forecasts and plans said in plain words."""

from __future__ import annotations

from datetime import date

from django.utils.formats import date_format, get_format
from django.utils.translation import gettext as _

from scheduling.models import Forecast, ForecastState, SeasonPlan

# Beyond so many days a day and month alone could be taken for this year's.
YEAR_NEEDED_DAYS = 300


def pointed(number: str) -> str:
    """Write a number with a decimal point, and commas between thousands, as the reader's language does."""
    point = str(get_format("DECIMAL_SEPARATOR"))
    if point == ".":
        return number
    return number.translate({ord(","): str(get_format("THOUSAND_SEPARATOR")), ord("."): point})


def short_day(day: date, today: date) -> str:
    """Write a day as people do, with its year only where it could be mistaken."""
    return date_format(day, _("j M") if abs((day - today).days) < YEAR_NEEDED_DAYS else _("j M Y"))


def amount(value: float | None, unit: str) -> str:
    """Write a deviation or tolerance with its unit."""
    if value is None:
        return ""
    if unit == "mark":
        return _("mark %(value)s") % {"value": pointed(f"{value:g}")}
    number = pointed(f"{value:.2f}" if unit == "mm" else f"{value:g}")
    return f"{number}\N{NO-BREAK SPACE}{_(unit)}"


def due_window(forecast: Forecast, today: date) -> str:
    """Write the due window in a few words for a list."""
    early, late = forecast.due_early, forecast.due_late
    if forecast.state == ForecastState.OUT:
        return _("now")
    if early is None:
        return _("not within a year")
    if late is None:
        return _("%(early)s or long after") % {"early": short_day(early, today)}
    if late == early:
        return short_day(early, today)
    return _("%(early)s – %(late)s") % {"early": short_day(early, today), "late": short_day(late, today)}


def due_sentence(forecast: Forecast, today: date) -> str:
    """Write in one sentence when an instrument leaves its tolerance and how sure that is."""
    tolerance = amount(forecast.tolerance, forecast.unit)
    sure = _("%(percent).0f %%") % {"percent": 100 * forecast.out_now}
    if forecast.state == ForecastState.OUT:
        return _("Further out than %(tolerance)s today with a probability of %(sure)s.") % {
            "tolerance": tolerance,
            "sure": sure,
        }
    if forecast.due_early is None:
        return _("Stays within %(tolerance)s for the year to come, with a probability above 90 %%.") % {
            "tolerance": tolerance
        }
    early = short_day(forecast.due_early, today)
    if forecast.due_middle is None:
        return _(
            "May leave %(tolerance)s from %(early)s on, but more likely than not stays within it for a year."
        ) % {"tolerance": tolerance, "early": early}
    middle = short_day(forecast.due_middle, today)
    if forecast.due_late is None:
        return _(
            "Leaves %(tolerance)s about %(middle)s; it may be as early as %(early)s or more than a year away."
        ) % {"tolerance": tolerance, "middle": middle, "early": early}
    return _(
        "Leaves %(tolerance)s about %(middle)s; with 80 %% certainty between %(early)s and %(late)s."
    ) % {
        "tolerance": tolerance,
        "middle": middle,
        "early": early,
        "late": short_day(forecast.due_late, today),
    }


def outcome_sentence(plan: SeasonPlan) -> str:
    """Say how good a plan is and how that is known."""
    gap = pointed(f"{100 * plan.gap:.2g} %")
    if plan.outcome == "optimal":
        return _("No plan within these hours does better: that is proven.")
    if plan.outcome == "stopped":
        return _(
            "The search ended at its time limit. The plan is usable, and proven to be at most %(gap)s "
            "above the best there can be."
        ) % {"gap": gap}
    return _("Proven to be at most %(gap)s above the best there can be.") % {"gap": gap}
