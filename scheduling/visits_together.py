"""Asking for visits, or holding them, of many instruments in one week: said row by row, then all or none."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.models import Instrument
from fleet.refusal import Refused
from fleet.weeks import monday_before
from scheduling import season_changes
from scheduling.models import PlannedVisit, SeasonPlan
from scheduling.move_effects import Effect, EffectDesk
from scheduling.new_visits import Usual, new_visit, trouble_of_new, usual_hours
from scheduling.saying import day_style
from scheduling.season_changes import Author, ChangedMeanwhile

MOST_AT_ONCE = 300
NAMED = 3  # visits that a row names


@dataclass(frozen=True)
class Wanted:
    """A visit of a kind of service in a week: a new one where it is asked for, else the planned one held."""

    kind: str
    week: date
    new: bool


@dataclass(frozen=True)
class VisitRow:
    """What the wish means for one instrument.

    ``visit`` is the one to be moved or held, None where a new one is asked for; ``effect`` is None where it
    stays in its week.
    """

    instrument: Instrument
    before: str
    after: str
    refusal: str = ""
    visit: PlannedVisit | None = None
    effect: Effect | None = None

    @property
    def changes(self) -> bool:
        """Whether anything would be stored."""
        return not self.refusal and self.before != self.after


def rows_of(
    plan: SeasonPlan, wanted: Wanted, instruments: Sequence[Instrument], today: date
) -> list[VisitRow]:
    """Say what a wish means for each instrument, one after the other: the hours of one are gone for the next.

    Six queries at most, whatever their number.
    """
    desk, usual = EffectDesk(plan, [one.pk for one in instruments]), usual_hours(plan.site)
    place = _asked if wanted.new else _held
    return [place(desk, wanted, one, usual, today) for one in instruments]


def _asked(desk: EffectDesk, wanted: Wanted, one: Instrument, usual: Usual, today: date) -> VisitRow:
    visit = new_visit(desk, one, wanted.kind, wanted.week, usual)
    coming = _coming(desk, wanted, one, today)
    before = ", ".join(spoken(planned.week) for planned in coming[:NAMED]) or _("no visit")
    before += _(" and %(number)d more") % {"number": len(coming) - NAMED} if len(coming) > NAMED else ""
    after = _held_words(wanted.week)
    trouble = trouble_of_new(desk, visit, today)
    if trouble:
        return VisitRow(one, before, after, trouble)
    effect = desk.effect(visit, wanted.week)
    desk.put_down(visit, effect)
    return VisitRow(one, before, after, effect=effect)


def _held(desk: EffectDesk, wanted: Wanted, one: Instrument, usual: Usual, today: date) -> VisitRow:
    after = _held_words(wanted.week)
    coming = _coming(desk, wanted, one, today)
    there = next((visit for visit in coming if visit.week == wanted.week), None)
    if there is not None:
        before = after if there.held else spoken(there.week)
        refusal = _("it belongs to a performance, and moves when the booking does") if there.dated else ""
        return VisitRow(one, before, after, refusal, there)
    free = [visit for visit in coming if not visit.dated]
    if not free:
        return VisitRow(
            one, _("no visit"), after, _("no visit of it is planned in the weeks to come; ask for one")
        )
    visit = min(free, key=lambda found: (abs((found.week - wanted.week).days), found.week))
    if wanted.week < monday_before(today):
        return VisitRow(one, spoken(visit.week), after, _("that week has gone by"), visit)
    effect = desk.effect(visit, wanted.week)
    desk.put_down(visit, effect)
    return VisitRow(one, spoken(visit.week), after, visit=visit, effect=effect)


def _coming(desk: EffectDesk, wanted: Wanted, one: Instrument, today: date) -> list[PlannedVisit]:
    first = monday_before(today)
    return [visit for visit in desk.of[one.pk] if visit.kind == wanted.kind and visit.week >= first]


def spoken(day: date) -> str:
    """Return a day as the language in force writes it."""
    return date_format(day, day_style("long"))


def _held_words(week: date) -> str:
    return _("%(week)s, held") % {"week": spoken(week)}


def digest_of(plan: SeasonPlan, rows: Iterable[VisitRow]) -> str:
    """Return a mark of what rows say of a plan, so that a change can be tied to what was seen of it."""
    said = [plan.pk, [[row.instrument.pk, row.before, row.after, row.refusal] for row in rows]]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:20]


@transaction.atomic
def carry_out(
    plan: SeasonPlan, wanted: Wanted, ids: Collection[int], seen: str, by: Author, at: datetime
) -> list[VisitRow]:
    """Ask for, move or hold the visits of all these instruments or of none; return the rows that changed.

    Raises
    ------
    ChangedMeanwhile
        Where it would not do what was seen, or the plan has been replaced.
    fleet.refusal.Refused
        Where it cannot be done for one of them, or nothing would change.
    """
    plan = SeasonPlan.objects.select_for_update(of=("self",)).select_related("site").get(pk=plan.pk)
    rows = rows_of(plan, wanted, chosen_of(plan, ids), plan.site.local_date(at))
    if digest_of(plan, rows) != seen:
        raise ChangedMeanwhile(
            _("Somebody changed this plan while you were looking; nothing of yours was stored. Look again."),
        )
    refused = [row for row in rows if row.refusal]
    if refused:
        raise Refused(f"{refused[0].instrument.tag}: {refused[0].refusal}")
    changing = [row for row in rows if row.changes]
    if not changing:
        raise Refused(_("They are held there already; there is nothing to change."))
    for row in changing:
        _do(plan, wanted, row, by, at)
    return changing


def _do(plan: SeasonPlan, wanted: Wanted, row: VisitRow, by: Author, at: datetime) -> None:
    if row.visit is None:
        season_changes.ask(plan, row.instrument, wanted.kind, wanted.week, plan.version, by, at)
    elif row.effect is None:
        season_changes.hold(row.visit, plan.version, by, at)
    else:
        season_changes.move(row.visit, wanted.week, plan.version, by, at)


def chosen_of(plan: SeasonPlan, ids: Collection[int]) -> list[Instrument]:
    """Return instruments of a plan's site by tag; ids of others are left out."""
    rows = Instrument.objects.of_site(plan.site).filter(pk__in=ids).select_related("room", "site")
    return list(rows.order_by("tag"))
