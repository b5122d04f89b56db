"""Telling of a spell of dry or damp air before the instruments have followed it: which, by how much, once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.models import ClimateDay, Instrument, Room, Site
from scheduling.alerts import put_alert_in_outbox
from scheduling.engine.air_ahead import Heading, heading
from scheduling.engine.priors import SOUNDBOARD_TAU
from scheduling.letter_choices import ALERT
from scheduling.models import Forecast, ForecastRun, Letter

TUNING = "tuning"
BACK = timedelta(days=120)
# Priors: common practice, no source. A gap of 1.2 % moisture is about 7 % of humidity, or four cents of a
# grand's middle register.
GAP = 0.012
LEAST_SHARE = 1 / 3  # of the rooms with instruments
SAME_SPELL = timedelta(days=28)
WEEKS_AHEAD = 3
MOST_NAMED = 12
FIRST_AFTER = timedelta(days=150)  # without a dry spell, the next one is the first of a heating season


@dataclass(frozen=True)
class Move:
    """What a forecast says of one instrument: how far it moves, and how surely it is out [fraction]."""

    instrument: Instrument
    unit: str
    change: float
    out_now: float
    out_then: float
    day: date


@dataclass(frozen=True)
class Spell:
    """A spell of air that the wood has not followed yet.

    Attributes
    ----------
    dry : bool
    rooms : list of (Room, Heading)
        Those it has reached, the farthest first.
    all_rooms : int
        Rooms with instruments and fresh readings.
    """

    dry: bool
    rooms: list[tuple[Room, Heading]]
    all_rooms: int
    moves: list[Move]


def tell_of_spells(site: Site, now: datetime) -> list[Letter]:
    """Put an alert into the outbox where a spell has begun that nobody was told of; return what is new.

    It waits for the forecast of the day, since it says by how much the instruments will move.
    """
    today = site.local_date(now)
    if not ForecastRun.objects.filter(site=site, today=today).exists():
        return []
    spell = find_spell(site, today)
    if spell is None or not spell.moves:
        return []
    first = _is_first(site, spell, now)
    return put_alert_in_outbox(site, _occasion(site, spell, now), lambda: in_words(spell, first), now)


def find_spell(site: Site, today: date) -> Spell | None:
    """Return the spell that has reached a third of a site's rooms, if there is one: four queries."""
    rooms = {
        room.pk: room
        for room in Room.objects.of_site(site).filter(
            outdoors=False, instruments__isnull=False, instruments__retired_on__isnull=True
        )
    }
    headings = [(rooms[pk], found) for pk, found in _headings(site, today).items() if pk in rooms]
    for dry in (True, False):
        sign = -1 if dry else 1
        reached = [(room, found) for room, found in headings if sign * found.gap >= GAP]
        if reached and len(reached) >= LEAST_SHARE * len(headings):
            reached.sort(key=lambda one: -abs(one[1].gap))
            return Spell(dry, reached, len(headings), _moves([room for room, _found in reached]))
    return None


def _headings(site: Site, today: date) -> dict[int, Heading]:
    rows = (
        ClimateDay.objects.of_site(site)
        .filter(date__gt=today - BACK, date__lt=today, rh_mean__isnull=False, temp_c_mean__isnull=False)
        .order_by("room_id", "date")
        .values_list("room_id", "date", "temp_c_mean", "rh_mean")
    )
    by_room: dict[int, list[tuple[float, ...]]] = {}
    for room, day, temp_c, rh in rows:
        by_room.setdefault(room, []).append((day.toordinal(), temp_c or 0.0, rh or 0.0))
    found = {}
    for room, lines in by_room.items():
        table = np.array(lines, float)
        days = table[:, 0].astype(np.int64)
        one = heading(days, table[:, 1], table[:, 2], SOUNDBOARD_TAU, today.toordinal())
        if one is not None:
            found[room] = one
    return found


def _moves(rooms: Sequence[Room]) -> list[Move]:
    """Return what the forecasts say of the tuning of the instruments in rooms, the farthest first."""
    forecasts = Forecast.objects.filter(
        kind=TUNING, instrument__room__in=[room.pk for room in rooms], instrument__retired_on=None
    ).select_related("instrument__room")
    moves = []
    for one in forecasts:
        if len(one.weekly) > WEEKS_AHEAD:
            first, then = one.weekly[0], one.weekly[WEEKS_AHEAD]
            day = date.fromisoformat(then[0])
            moves.append(Move(one.instrument, one.unit, then[2] - first[2], one.out_now, then[1], day))
    return sorted(moves, key=lambda move: -abs(move.change))


def _is_first(site: Site, spell: Spell, now: datetime) -> bool:
    """Return whether this is the first dry spell for months: that of the first heating week."""
    told = Letter.objects.filter(person__site=site, kind=ALERT, occasion__startswith=_name(spell))
    return spell.dry and not told.filter(made_at__gt=now - FIRST_AFTER).exists()


def _name(spell: Spell) -> str:
    return "dry air" if spell.dry else "damp air"


def _occasion(site: Site, spell: Spell, now: datetime) -> str:
    """Return by what the spell is known: while it lasts it is the one that people were told of."""
    told = Letter.objects.filter(
        person__site=site, kind=ALERT, occasion__startswith=_name(spell), made_at__gt=now - SAME_SPELL
    )
    known = told.order_by("made_at").values_list("occasion", flat=True).last()
    return known or f"{_name(spell)} from {site.local_date(now)}"


def in_words(spell: Spell, first: bool) -> tuple[str, list[str]]:
    """Return subject and paragraphs of an alert."""
    room, farthest = spell.rooms[0]
    if first:
        subject = _("The first dry week: instruments are going to move")
    elif spell.dry:
        subject = _("Dry air: instruments are going to move")
    else:
        subject = _("Damp air: instruments are going to move")
    reached = ngettext(
        "The air of %(count)d of %(all)d rooms has left its wood behind.",
        "The air of %(count)d of %(all)d rooms has left its wood behind.",
        len(spell.rooms),
    ) % {"count": len(spell.rooms), "all": spell.all_rooms}
    wood = _(
        "If it stays as it was these four days, soundboards in %(room)s go from %(now).1f %% to "
        "%(towards).1f %% moisture within some weeks."
    ) % {"room": room.name, "now": 100 * farthest.now, "towards": 100 * farthest.towards}
    paragraphs = [f"{reached} {wood}", *(_move(move) for move in spell.moves[:MOST_NAMED])]
    rest = len(spell.moves) - MOST_NAMED
    if rest > 0:
        paragraphs.append(
            ngettext("And %(count)d other, less.", "And %(count)d others, less.", rest) % {"count": rest}
        )
    paragraphs.append(
        _("A tuning holds longer once the wood has followed, a week or two from now, than before it.")
    )
    return subject, paragraphs


def _move(move: Move) -> str:
    return _(
        "%(tag)s, %(room)s: %(change)+.1f %(unit)s until %(day)s; out of tolerance with %(then).0f %%, "
        "today with %(now).0f %%."
    ) % {
        "tag": move.instrument.tag,
        "room": move.instrument.room,
        "change": move.change,
        "unit": move.unit,
        "day": date_format(move.day, _("j F")),
        "then": 100 * move.out_then,
        "now": 100 * move.out_now,
    }
