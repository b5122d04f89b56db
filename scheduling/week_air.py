"""What a week's letter says of the rooms' air: sensors to doubt, and air that instruments will answer."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.utils.translation import gettext as _

from fleet.models import ClimateDay, Room, Site
from scheduling.air_state import drift_sentences

# All figures are priors: common practice, no source.
LATELY_DAYS, BEFORE_DAYS = 7, 28
FEWEST_DAYS = 3  # with readings, in either stretch
LEAST_CHANGE = 0.06  # [fraction of relative humidity] between the weekly mean and the four weeks before
DRY, DAMP = 0.30, 0.65  # [fraction] weekly mean
DOUBTFUL_FROM = 0.02  # [fraction of readings]


@dataclass(frozen=True)
class AirDay:
    """What is counted of a room's day; humidity as a fraction, None without a trusted reading."""

    date: date
    rh: float | None
    readings: int
    doubtful: int


@dataclass(frozen=True)
class AirNote:
    """A room with one sentence on its air or its sensor."""

    room: Room
    sentence: str
    about_sensor: bool = False


def air_notes(site: Site, today: date) -> list[AirNote]:
    """Return what is worth a sentence of each room with instruments; five queries whatever their number."""
    first = today - timedelta(days=LATELY_DAYS + BEFORE_DAYS - 1)
    days: dict[int, list[AirDay]] = defaultdict(list)
    rows = ClimateDay.objects.filter(room__site=site, date__gte=first, date__lte=today)
    for room, day, rh, readings, doubtful in rows.values_list(
        "room", "date", "rh_mean", "readings", "doubtful"
    ):
        days[room].append(AirDay(day, rh, readings, doubtful))
    rooms = Room.objects.filter(site=site, pk__in=days, instruments__retired_on=None).distinct()
    drifts = [AirNote(room, words, about_sensor=True) for room, words in drift_sentences(site, today)]
    return [note for room in rooms for note in _notes(room, days[room.pk], today)] + drifts


def _notes(room: Room, days: Sequence[AirDay], today: date) -> list[AirNote]:
    since = today - timedelta(days=LATELY_DAYS - 1)
    lately = [day for day in days if day.date >= since]
    said = [AirNote(room, words, about_sensor=True) for words in _doubtful(lately)]
    words = _moving(_means(lately), _means([day for day in days if day.date < since]))
    return said + ([AirNote(room, words)] if words else [])


def _means(days: Sequence[AirDay]) -> list[float]:
    return [day.rh for day in days if day.rh is not None]


def _doubtful(days: Sequence[AirDay]) -> list[str]:
    readings, doubtful = sum(day.readings for day in days), sum(day.doubtful for day in days)
    if not readings or doubtful < DOUBTFUL_FROM * readings:
        return []
    return [
        _("%(doubtful)d of the week's %(all)d readings cannot be right; they are kept, not used.")
        % {"doubtful": doubtful, "all": readings}
    ]


def _moving(lately: list[float], before: list[float]) -> str:
    """Say how a week's humidity stands and how it left the weeks before; empty where neither matters."""
    if len(lately) < FEWEST_DAYS:
        return ""
    now, then = float(np.mean(lately)), float(np.mean(before)) if len(before) >= FEWEST_DAYS else np.nan
    sentences = []
    if now <= then - LEAST_CHANGE:
        sentences.append(
            _(
                "humidity fell from %(then)s to %(now)s within a week; pitch sinks and key frames move over "
                "the weeks to come."
            )
        )
    elif now >= then + LEAST_CHANGE:
        sentences.append(
            _(
                "humidity rose from %(then)s to %(now)s within a week; pitch rises and key frames move over "
                "the weeks to come."
            )
        )
    elif now < DRY or now > DAMP:
        sentences.append(_("humidity was %(now)s on average over the week."))
    if now < DRY:
        sentences.append(_("That is dry enough for joints and soundboards to open: humidify if you can."))
    elif now > DAMP:
        sentences.append(_("That is damp enough for actions to bind and steel to rust."))
    figures = {
        name: f"{100 * value:.0f}\N{NO-BREAK SPACE}%" for name, value in (("now", now), ("then", then))
    }
    return " ".join(sentence % figures for sentence in sentences)
