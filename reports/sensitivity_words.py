"""What the records have taught of an instrument, said in words: damp, warmth, playing, newness."""

from __future__ import annotations

from django.utils.translation import gettext as _

from reports.figures import EIGHTY_PERCENT
from reports.words import pointed
from scheduling.models import Forecast

PITCH = "tuning"


def sensitivity_sentences(forecast: Forecast) -> list[str]:
    """Return a sentence for each way in which an instrument goes out, learned and usual side by side."""
    return [
        _sentence(forecast, name, numbers)
        for name, *numbers in forecast.sensitivities
        if name in ("humidity", "warmth", "playing", "settling")
    ]


def _sentence(forecast: Forecast, name: str, numbers: list[float]) -> str:
    mean, sd, usual, usual_sd = numbers
    half, usual_half = EIGHTY_PERCENT * sd, EIGHTY_PERCENT * usual_sd
    told = {
        "kind": forecast.kind,
        "mean": _amount(mean, forecast.unit),
        "low": _number(mean - half, forecast.unit),
        "high": _number(mean + half, forecast.unit),
        "usual": _number(usual, forecast.unit),
    }
    begins = {
        "humidity": _humidity_words(forecast, mean),
        "warmth": _("For each degree that the room is warmer it goes %(mean)s"),
        "playing": _("For each hundred hours of playing it goes %(mean)s"),
        "settling": _("Settling in after it was new takes it %(mean)s in all"),
    }[name] % told
    between = _("in eight cases of ten between %(low)s and %(high)s; usual for its like is %(usual)s.") % told
    return f"{begins}, {between} {_compared(mean, usual, usual_half)}".strip()


def _humidity_words(forecast: Forecast, mean: float) -> str:
    if forecast.kind == PITCH:
        return _("For each percent of humidity more it goes %(mean)s once the wood has followed")
    return _("While the key frame is one percent of humidity ahead of the key bed it goes %(mean)s")


def _compared(mean: float, usual: float, usual_half: float) -> str:
    """Say whether an instrument goes its like's way; nothing where it does."""
    if abs(mean - usual) <= usual_half:
        return ""
    if mean * usual < 0:
        return _("It goes the other way than its like.")
    return _("That is more than its like.") if abs(mean) > abs(usual) else _("That is less than its like.")


def _amount(value: float, unit: str) -> str:
    words = _(unit) if unit != "mark" else _("marks")
    return f"{_number(value, unit)}\N{NO-BREAK SPACE}{words}"


def _number(value: float, unit: str) -> str:
    return pointed(f"{value:+.{3 if unit == 'mm' else 2}f}".replace("-", "\N{MINUS SIGN}"))
