"""What the pages of instruments show: the fleet with the service due first, and one instrument whole."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import F, OuterRef, Subquery

from fleet.access import SiteQuerySet
from fleet.keyboard import Compass
from fleet.models import Instrument, InstrumentChange, Placement, RequestState, Service, Site
from fleet.records import kinds_for
from fleet.reported import ReportedLine, reported_lines
from fleet.weeks import monday_before
from reports.axis import DueBar, TimeAxis, due_bar
from reports.figures import OutlookRow, digits_for, outlook_rows
from reports.queries.freshness import WaitingFacts, waiting_facts
from reports.queries.plans import plan_for
from reports.queries.records import ChangeLine, withdrawn
from reports.sensitivity_words import sensitivity_sentences
from scheduling.inputs import air_sources
from scheduling.models import Forecast, PlannedVisit, SeasonPlan

AHEAD = timedelta(weeks=26)
RECENT = 10


@dataclass(frozen=True)
class FleetLine:
    """One instrument of the list with the forecast it is listed for and the next visit planned for that."""

    instrument: Instrument
    forecast: Forecast | None
    bar: DueBar | None
    planned: PlannedVisit | None


def whole_fleet(site: Site) -> SiteQuerySet[Instrument]:
    """Return the instruments of a site, those retired among them."""
    return Instrument.objects.of_site(site).select_related("room")


def fleet(site: Site) -> SiteQuerySet[Instrument]:
    """Return the instruments in service at a site."""
    return whole_fleet(site).filter(retired_on__isnull=True)


def pointed_at_forecast(instruments: SiteQuerySet[Instrument], **wanted: Any) -> SiteQuerySet[Instrument]:
    """Point each instrument at the forecast due first of those wanted; whoever has none is left out then."""
    first = Forecast.objects.filter(instrument=OuterRef("pk"), **wanted).order_by(
        F("due_middle").asc(nulls_last=True), "-out_now", "kind"
    )
    pointed = instruments.annotate(
        shown=Subquery(first.values("pk")[:1]),
        shown_kind=Subquery(first.values("kind")[:1]),
        due=Subquery(first.values("due_middle")[:1]),
        out_now=Subquery(first.values("out_now")[:1]),
    )
    return pointed.filter(shown__isnull=False) if wanted else pointed


def fleet_lines(
    instruments: Iterable[Instrument], axis: TimeAxis, plan: SeasonPlan | None
) -> list[FleetLine]:
    """Fetch the forecasts that instruments point at and their next visits, in two queries."""
    instruments = list(instruments)
    shown = [one.shown for one in instruments if one.shown]  # type: ignore[attr-defined]
    forecasts = Forecast.objects.defer("weekly", "drivers").in_bulk(shown)
    visits = _next_visits(plan, instruments, axis.first)
    lines = []
    for one in instruments:
        forecast = forecasts.get(one.shown)  # type: ignore[attr-defined]
        bar = due_bar(forecast, axis) if forecast else None
        lines.append(FleetLine(one, forecast, bar, visits.get((one.pk, forecast.kind)) if forecast else None))
    return lines


def _next_visits(
    plan: SeasonPlan | None, instruments: list[Instrument], today: date
) -> dict[tuple[int, str], PlannedVisit]:
    """Return the first visit from this week on of each instrument and kind of service."""
    if plan is None:
        return {}
    visits = PlannedVisit.objects.filter(
        plan=plan, instrument__in=instruments, week__gte=monday_before(today)
    ).order_by("-week")
    return {(visit.instrument_id, visit.kind): visit for visit in visits}


@dataclass(frozen=True)
class Outlook:
    """One service of an instrument: forecast, bar, numbers of its figure, what is planned and was found."""

    forecast: Forecast
    bar: DueBar | None
    rows: list[OutlookRow]
    digits: int
    planned: list[PlannedVisit]
    found: list[Service]

    @property
    def learned(self) -> list[str]:
        """How far it goes for damp, warmth, playing and newness, in words."""
        return sensitivity_sentences(self.forecast)

    @property
    def next_planned(self) -> PlannedVisit | None:
        """The next visit for this service."""
        return self.planned[0] if self.planned else None


@dataclass(frozen=True)
class InstrumentPage:
    """One instrument as its page shows it.

    Attributes
    ----------
    air_source : str or None
        Whose air stands in for that of its room, empty where nobody's can; None where the room has its own.
    """

    instrument: Instrument
    outlooks: list[Outlook]
    kinds: list[str]
    history: list[Service]
    requests: list[ReportedLine]
    compass: Compass
    withdrawn: list[ChangeLine]
    stays: list[Placement]
    changes: list[InstrumentChange]
    waiting: WaitingFacts | None
    air_source: str | None

    @property
    def marked(self) -> list[int]:
        """The numbers of all keys that open requests name."""
        return sorted({number for line in self.requests for number in line.marked})

    @property
    def recent(self) -> list[Service]:
        """The newest services."""
        return self.history[:RECENT]

    @property
    def earlier(self) -> list[Service]:
        """The services before those."""
        return self.history[RECENT:]


def instrument_page(instrument: Instrument, axis: TimeAxis, today: date, now: datetime) -> InstrumentPage:
    """Gather an instrument's forecasts, records, open requests and planned visits."""
    # Asked first, so that figures stored in between are not shown as still to come.
    waiting = waiting_facts(instrument, now)
    kinds = [kind.kind for kind in kinds_for(instrument)]
    order = {kind: place for place, kind in enumerate(kinds)}
    forecasts = sorted(instrument.forecasts.select_related("run"), key=lambda one: order.get(one.kind, 99))
    plan = plan_for(instrument.site, today)
    visits = (
        list(
            PlannedVisit.objects.filter(
                plan=plan, instrument=instrument, week__gte=monday_before(today)
            ).order_by("week", "kind")
        )
        if plan
        else []
    )
    history = list(instrument.services.order_by("-date", "-order", "kind"))
    return InstrumentPage(
        instrument=instrument,
        outlooks=[
            Outlook(
                one,
                due_bar(one, axis),
                outlook_rows(one),
                digits_for(one.unit),
                [visit for visit in visits if visit.kind == one.kind],
                [row for row in history if row.kind == one.kind and row.found is not None],
            )
            for one in forecasts
        ],
        kinds=kinds,
        history=history,
        requests=reported_lines(
            instrument.requests.filter(state=RequestState.OPEN)
            .select_related("instrument__room")
            .order_by("made_at")
        ),
        compass=instrument.keyboard(),
        withdrawn=withdrawn(instrument),
        stays=list(instrument.placements.select_related("room").order_by("-first_day")),
        changes=list(instrument.changes.all()),
        waiting=waiting,
        air_source=air_sources(instrument.site).get(instrument.room_id),
    )
