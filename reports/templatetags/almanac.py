"""Filters that every template may use: weeks and figures as people write them."""

from __future__ import annotations

from datetime import date

from django import template

from fleet.weeks import week_of

register = template.Library()


@register.filter
def iso_week(day: date) -> str:
    """Write the ISO week in which a day lies, such as 2026-W53."""
    return week_of(day)


@register.filter
def percent(fraction: float | None, digits: int = 0) -> str:
    """Write a fraction as a percentage with its sign."""
    return "" if fraction is None else f"{100 * fraction:.{digits}f} %"
