"""What an administrator needs to see at a glance: the state of the fleet, and what the season's hours buy."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Count

from fleet.models import Site
from scheduling.models import Forecast, ForecastState, PutOff, SeasonPlan

FIRST_PUT_OFF = 5


@dataclass(frozen=True)
class StateRow:
    """How many instruments stand in each state for one kind of service."""

    kind: str
    out: int
    leaving_soon: int
    in_tolerance: int


@dataclass(frozen=True)
class SeasonHours:
    """Sums over a plan [h], its dearest week, and what had to wait."""

    offered: float
    used: float
    most_worth: float
    put_off: int
    dearest: list[PutOff]


def fleet_states(site: Site) -> list[StateRow]:
    """Count the instruments of a site by kind of service and state."""
    rows = (
        Forecast.objects.of_site(site)
        .filter(instrument__retired_on__isnull=True)
        .values_list("kind", "state")
        .annotate(Count("pk"))
        .order_by()
    )
    counts = {(kind, state): number for kind, state, number in rows}
    order = {kind: n for n, kind in enumerate(site.service_kinds.values_list("kind", flat=True))}
    kinds = sorted({kind for kind, _ in counts}, key=lambda kind: order.get(kind, len(order)))
    return [
        StateRow(
            kind,
            out=counts.get((kind, ForecastState.OUT), 0),
            leaving_soon=counts.get((kind, ForecastState.LEAVING_SOON), 0),
            in_tolerance=counts.get((kind, ForecastState.IN_TOLERANCE), 0),
        )
        for kind in kinds
    ]


def season_hours(plan: SeasonPlan) -> SeasonHours:
    """Sum up what a plan offers, uses and leaves undone."""
    put_off = PutOff.objects.filter(plan=plan)
    return SeasonHours(
        offered=sum(plan.hours_offered),
        used=sum(plan.hours_used),
        most_worth=max(plan.hour_worth, default=0.0),
        put_off=put_off.count(),
        dearest=list(put_off.select_related("instrument__room").order_by("-cost", "pk")[:FIRST_PUT_OFF]),
    )
