"""A visit that a plan does not foresee yet: its hours, and why it cannot be asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from django.utils.translation import gettext as _

from fleet.models import Instrument, InstrumentKind, ServiceRule, Site
from fleet.weeks import monday_before
from scheduling.inputs.subjects import applies
from scheduling.models import PlannedVisit
from scheduling.move_effects import EffectDesk


@dataclass(frozen=True)
class Usual:
    """What a site's services usually take [h], by kind of service and use, and who gets them."""

    hours: Mapping[tuple[str, str], tuple[float, list[str]]]
    like: Mapping[str, str]

    def of(self, instrument: Instrument, kind: str) -> float:
        """Return the usual hours of a service of an instrument, 0 where it gets no such service."""
        hours, kinds = self.hours.get((kind, instrument.use_class), (0.0, []))
        return hours if applies(kinds, instrument.kind, self.like.get(instrument.kind, "")) else 0.0


def usual_hours(site: Site) -> Usual:
    """Read a site's services and its own kinds of instrument; two queries."""
    rules = ServiceRule.objects.of_site(site).select_related("service_kind")
    hours = {
        (rule.service_kind.kind, rule.use_class): (rule.hours, rule.service_kind.instrument_kinds)
        for rule in rules
    }
    like = dict(InstrumentKind.objects.of_site(site).values_list("kind", "behaves_like"))
    return Usual(hours, like)


def new_visit(desk: EffectDesk, instrument: Instrument, kind: str, week: date, usual: Usual) -> PlannedVisit:
    """Return a visit without a row; without hours where the instrument gets no such service."""
    line = desk.lines.get((instrument.pk, kind))
    hours = line.hours if line else usual.of(instrument, kind)
    return PlannedVisit(plan=desk.plan, instrument=instrument, kind=kind, week=week, hours=hours)


def trouble_of_new(desk: EffectDesk, visit: PlannedVisit, today: date) -> str:
    """Say why a visit cannot be put into its week; empty where it can."""
    plan = desk.plan
    if not plan.start <= visit.week < plan.start + timedelta(weeks=plan.weeks):
        return _("the plan does not reach that week")
    if visit.week < monday_before(today):
        return _("that week has gone by")
    if visit.instrument.retired_on is not None:
        return _("it is retired")
    if not visit.hours > 0:
        return _("it gets no such service")
    if visit.week in desk.taken(visit):
        return _("it is planned in that week already")
    return ""
