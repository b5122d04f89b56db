"""Changes to a season plan by people: hold, release, move, ask, approve; each keeps who did what when.

What is held is a fact, yet no forecast rests on it, so nobody is told that facts have changed.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import QuerySet, Sum
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.models import HeldVisit, Instrument, Person, Site
from fleet.refusal import Refused
from fleet.weeks import week_of
from scheduling import planning
from scheduling.engine.said import joined, worded
from scheduling.engine.season.solution import Outcome, relative_gap
from scheduling.line_costs import read_lines
from scheduling.models import PlanChange, PlannedVisit, PutOff, SeasonPlan
from scheduling.move_effects import Effect, EffectDesk, effects, shares_of, week_in
from scheduling.new_visits import new_visit, trouble_of_new, usual_hours
from scheduling.plan_rows import share
from scheduling.saying import day_style
from scheduling.shared_hours import beside

What = PlanChange.What


class ChangedMeanwhile(Refused):
    """Somebody else changed what this change rests on; nothing was stored."""


@dataclass(frozen=True)
class Author:
    """Who makes a change: the user, and the name that is kept."""

    user: Any
    name: str


def author(user: Any, site: Site) -> Author:
    """Return the author that a user is at a site: by the name of their person there, else of the login."""
    person = Person.objects.of_site(site).filter(user=user).order_by("pk").first()
    return Author(user, person.name if person else user.get_full_name() or user.get_username())


@transaction.atomic
def hold(visit: PlannedVisit, seen: int, by: Author, at: datetime) -> PlanChange:
    """Fix a visit in its week; every plan to come is built around it.

    Raises
    ------
    fleet.refusal.Refused
        Where it belongs to a performance, or the plan was changed since the version seen.
    """
    plan, visit = _locked(visit, seen)
    _not_dated(visit)
    HeldVisit.objects.get_or_create(instrument=visit.instrument, kind=visit.kind, week=visit.week)
    _show_held(visit, True)
    return _note(plan, by, at, What.HELD, visit, from_week=visit.week)


@transaction.atomic
def release(visit: PlannedVisit, seen: int, by: Author, at: datetime) -> PlanChange:
    """Let a visit go: it stays where it is in this plan, the next plan may move it.

    Raises
    ------
    fleet.refusal.Refused
        Where the plan was changed since the version seen.
    """
    plan, visit = _locked(visit, seen)
    _held_facts(visit).delete()
    _show_held(visit, False)
    return _note(plan, by, at, What.RELEASED, visit, from_week=visit.week)


@transaction.atomic
def move(visit: PlannedVisit, to_week: date, seen: int, by: Author, at: datetime) -> PlanChange:
    """Move a visit to another week and hold it there; costs and hours of the plan follow.

    Raises
    ------
    fleet.refusal.Refused
        Where the week is no week to come of the plan or has the service already, where the visit belongs to
        a performance, or the plan was changed since the version seen.
    """
    plan, visit = _locked(visit, seen)
    _not_dated(visit)
    effect = _effect_in(visit, to_week, plan.site.local_date(at))
    _held_facts(visit).delete()
    HeldVisit.objects.get_or_create(instrument=visit.instrument, kind=visit.kind, week=to_week)
    PlannedVisit.objects.filter(plan__site=plan.site, instrument=visit.instrument, kind=visit.kind).filter(
        week=visit.week
    ).update(held=False)
    from_week, weeks = visit.week, (visit.week, to_week)
    before = _hours_by_week(visit, weeks)
    visit.week, visit.held, visit.technician_id = to_week, True, effect.technician_id
    visit.reason = joined(
        " ",
        [
            worded("Moved here from the week of %(week)s by %(name)s.", week=from_week, name=by.name),
            visit.reason,
        ],
    )
    visit.save(update_fields=["week", "held", "technician", "reason"])
    _share_again(visit, weeks)
    after = _hours_by_week(visit, weeks)
    _account(plan, {week: after[week] - before[week] for week in weeks}, effect)
    _show_held(visit, True)
    return _note(plan, by, at, What.MOVED, visit, from_week=from_week, effect=effect)


@transaction.atomic
def ask(
    plan: SeasonPlan, instrument: Instrument, kind: str, week: date, seen: int, by: Author, at: datetime
) -> PlanChange:
    """Put a visit that the plan does not foresee into a week and hold it there; costs and hours follow.

    Raises
    ------
    fleet.refusal.Refused
        Where the week is no week to come of the plan or has the service already, where the instrument gets
        no such service, or the plan was changed since the version seen.
    """
    plan = _open_plan(plan.pk, seen, instrument.pk)
    desk = EffectDesk(plan, [instrument.pk])
    visit = new_visit(desk, instrument, kind, week, usual_hours(plan.site))
    trouble = trouble_of_new(desk, visit, plan.site.local_date(at))
    if trouble:
        raise Refused(f"the {kind} of {instrument.tag} cannot be asked for there: {trouble}")
    effect = desk.effect(visit, week)
    HeldVisit.objects.get_or_create(instrument=instrument, kind=kind, week=week)
    before = _hours_by_week(visit, [week])
    visit.held, visit.technician_id = True, effect.technician_id
    visit.reason = worded("Asked for by %(name)s.", name=by.name)
    visit.save()
    _share_again(visit, [week])
    _account(plan, {week: _hours_by_week(visit, [week])[week] - before[week]}, effect)
    PutOff.objects.filter(plan=plan, instrument=instrument, kind=kind).delete()
    return _note(plan, by, at, What.ASKED, visit, from_week=week, effect=effect)


def _effect_in(visit: PlannedVisit, to_week: date, today: date) -> Effect:
    found = {effect.week: effect for effect in effects(visit, today)}
    if to_week not in found:
        raise Refused(
            _("the %(kind)s of %(tag)s cannot be moved there")
            % {"kind": visit.kind, "tag": visit.instrument.tag},
            value=week_of(to_week),
            accepted=_("another week to come of the plan that does not have this service already"),
        )
    return found[to_week]


def _hours_by_week(visit: PlannedVisit, weeks: Collection[date]) -> dict[date, float]:
    """Return the hours that a plan's visits to an instrument take in some weeks [h]."""
    rows = visit.plan.visits.filter(instrument=visit.instrument_id, week__in=weeks)
    hours = dict(rows.order_by().values_list("week").annotate(Sum("hours")))
    return {week: hours.get(week, 0.0) for week in weeks}


def _share_again(visit: PlannedVisit, weeks: Collection[date]) -> None:
    """Let visits to an instrument be shorter where the action is out anyway, and only there."""
    rows = list(visit.plan.visits.filter(instrument=visit.instrument_id, week__in=weeks, dated=False))
    shares = shares_of(visit.instrument_id, read_lines(visit.plan, [visit.instrument_id]))
    for row in rows:
        together = [
            other.kind for other in rows if (other.week, other.technician_id) == (row.week, row.technician_id)
        ]
        share(row, *beside(row.kind, together, shares))
        row.save(update_fields=["hours", "beside", "shared_hours", "reason"])


def _account(plan: SeasonPlan, more: dict[date, float], effect: Effect) -> None:
    """Let the plan's figures follow a move; the bound stays proven for every plan within the hours."""
    used = list(plan.hours_used)
    for week, hours in more.items():
        used[week_in(plan, week) - 1] += hours
    plan.hours_used = [round(hours, 9) for hours in used]
    if effect.cost_change is not None:
        plan.cost = max(plan.cost + effect.cost_change, 0.0)
        plan.gap = relative_gap(plan.cost, plan.bound)
    if plan.outcome == Outcome.OPTIMAL:
        plan.outcome = Outcome.FEASIBLE
    plan.save(update_fields=["hours_used", "cost", "gap", "outcome"])


@transaction.atomic
def approve(plan: SeasonPlan, seen: int, by: Author, at: datetime) -> PlanChange:
    """Make a plan the one people work by, and note it there and on the plans it replaces.

    Raises
    ------
    fleet.refusal.Refused
        Where it is approved or replaced already, or was changed since the version seen.
    """
    plan = _lock(plan.pk)
    _unchanged(plan, plan.changes.filter(version__gt=seen))
    if plan.state != SeasonPlan.State.DRAFT:
        raise Refused(
            _("only a draft can be approved"), value=plan.get_state_display(), accepted=_("a draft")
        )
    before = set(planning.replaced(plan.site).values_list("pk", flat=True))
    planning.approve(plan, at)
    for former in planning.replaced(plan.site).exclude(pk__in=before):
        instead = worded("weeks from %(week)s", week=week_of(plan.start))
        _note(_lock(former.pk), by, at, What.REPLACED, note=instead)
    return _note(plan, by, at, What.APPROVED)


def note_draft(plan: SeasonPlan, by: Author, at: datetime) -> PlanChange:
    """Note who asked for a draft."""
    with transaction.atomic():
        return _note(_lock(plan.pk), by, at, What.DRAFTED)


def _lock(plan_id: int) -> SeasonPlan:
    return SeasonPlan.objects.select_for_update(of=("self",)).select_related("site").get(pk=plan_id)


def _locked(visit: PlannedVisit, seen: int) -> tuple[SeasonPlan, PlannedVisit]:
    """Take hold of a plan and read the visit again, unless somebody has touched its instrument since."""
    plan = _open_plan(visit.plan_id, seen, visit.instrument_id)
    fresh = PlannedVisit.objects.select_related("instrument", "technician").get(pk=visit.pk)
    fresh.plan = plan
    return plan, fresh


def _open_plan(plan_id: int, seen: int, instrument_id: int) -> SeasonPlan:
    """Take hold of a plan that may be changed, unless somebody has touched the instrument since."""
    plan = _lock(plan_id)
    if plan.state == SeasonPlan.State.REPLACED:
        raise ChangedMeanwhile(
            _("this plan has been replaced, and nobody works by it any more"),
            accepted=_("the same change in the plan that replaced it"),
        )
    since = plan.changes.filter(version__gt=seen)
    _unchanged(plan, since.filter(instrument=instrument_id) | since.filter(what=What.APPROVED))
    return plan


def _unchanged(plan: SeasonPlan, since: QuerySet[PlanChange]) -> None:
    latest = since.select_related("instrument").order_by("-version").first()
    if latest is not None:
        raise ChangedMeanwhile(
            _("while you were looking, %(in_words)s; nothing of yours was stored")
            % {"in_words": in_words(latest)},
            accepted=_("the same again, if it is still right beside that"),
        )


def in_words(change: PlanChange) -> str:
    """Say what a person did, such as ``Ida Thorn moved the tuning of U-12 from … to …``."""
    said = {"name": change.name, "did": str(change.get_what_display())}
    if change.instrument is None:
        return _("%(name)s %(did)s") % said
    said |= {"service": _(change.kind), "tag": change.instrument.tag}
    if change.what == What.MOVED and change.from_week and change.to_week:
        return _(
            "%(name)s %(did)s the %(service)s of %(tag)s from the week of %(from)s to that of %(to)s"
        ) % {
            **said,
            "from": _day(change.from_week),
            "to": _day(change.to_week),
        }
    if change.from_week:
        return _("%(name)s %(did)s the %(service)s of %(tag)s in the week of %(week)s") % {
            **said,
            "week": _day(change.from_week),
        }
    return _("%(name)s %(did)s the %(service)s of %(tag)s") % said


def _day(day: date) -> str:
    return date_format(day, day_style("long"))


def _not_dated(visit: PlannedVisit) -> None:
    if visit.dated:
        raise Refused(
            _("the %(kind)s of %(tag)s in %(week_of)s belongs to a performance")
            % {"kind": visit.kind, "tag": visit.instrument.tag, "week_of": week_of(visit.week)},
            accepted=_("a visit without a performance; this one moves when the booking does"),
        )


def _held_facts(visit: PlannedVisit) -> QuerySet[HeldVisit]:
    return HeldVisit.objects.filter(instrument=visit.instrument, kind=visit.kind, week=visit.week)


def _show_held(visit: PlannedVisit, held: bool) -> None:
    """A visit is held at the site, whichever plan shows it."""
    PlannedVisit.objects.filter(
        instrument=visit.instrument, kind=visit.kind, week=visit.week, dated=False
    ).update(held=held)


def _note(
    plan: SeasonPlan,
    by: Author,
    at: datetime,
    what: str,
    visit: PlannedVisit | None = None,
    from_week: date | None = None,
    effect: Effect | None = None,
    note: str = "",
) -> PlanChange:
    plan.version += 1
    plan.save(update_fields=["version"])
    return PlanChange.objects.create(
        plan=plan,
        version=plan.version,
        at=at,
        by=by.user,
        name=by.name,
        what=what,
        instrument=visit.instrument if visit else None,
        kind=visit.kind if visit else "",
        from_week=from_week,
        to_week=effect.week if effect else None,
        cost_change=effect.cost_change if effect else None,
        note=note or joined("; ", effect.broken if effect else ()),
    )
