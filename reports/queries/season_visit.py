"""One visit of a season plan in hand: what it is, what was done to it, what each other week would mean."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fleet.access import row_number
from fleet.models import Person
from fleet.weeks import monday_before
from scheduling.models import PlanChange, PlannedVisit, SeasonPlan
from scheduling.move_effects import Effect, PlanHours, effects, week_in

# A smaller change of the expected weighted days is called none.
LEAST_CHANGE = 0.05


@dataclass(frozen=True)
class WeekChoice:
    """Another week for the visit; ``technician`` where somebody else would do it."""

    effect: Effect
    technician: Person | None

    @property
    def change(self) -> float | None:
        """Weighted days more or fewer, none where it is next to nothing."""
        change = self.effect.cost_change
        return None if change is None or abs(change) < LEAST_CHANGE else change

    @property
    def free_of_trouble(self) -> bool:
        """Whether it keeps to the hours and breaks no rule."""
        return not self.effect.over and not self.effect.broken


@dataclass(frozen=True)
class InHand:
    """A visit somebody has taken up."""

    visit: PlannedVisit
    movable: bool
    choices: list[WeekChoice]
    changes: list[PlanChange]
    over: float

    @property
    def by_week(self) -> dict[date, WeekChoice]:
        """The choices by the Monday of their week."""
        return {choice.effect.week: choice for choice in self.choices}

    @property
    def last_move(self) -> PlanChange | None:
        """What was done to it last, where that was a move to where it stands."""
        last = self.changes[0] if self.changes else None
        return (
            last if last and last.what == PlanChange.What.MOVED and last.to_week == self.visit.week else None
        )


def in_hand(plan: SeasonPlan, number: str, today: date) -> InHand | None:
    """Return a visit of a plan with all its other weeks, or None where the plan has no such visit."""
    rows = PlannedVisit.objects.filter(plan=plan).select_related("instrument__room", "technician")
    visit = rows.filter(pk=row_number(number)).first()
    if visit is None:
        return None
    visit.plan = plan
    movable = not visit.dated and visit.week >= monday_before(today) and plan.state != plan.State.REPLACED
    found = effects(visit, today) if movable else []
    people = {person.pk: person for person in plan.site.people.all()}
    changes = plan.changes.filter(instrument=visit.instrument_id, kind=visit.kind).order_by("-version")
    left = PlanHours.of_plan(plan).left(visit.technician_id, week_in(plan, visit.week))
    return InHand(
        visit=visit,
        movable=movable,
        choices=[
            WeekChoice(
                one, people.get(one.technician_id or 0) if one.technician_id != visit.technician_id else None
            )
            for one in found
        ],
        changes=list(changes),
        over=max(-left, 0.0) if left < -1e-6 else 0.0,
    )
