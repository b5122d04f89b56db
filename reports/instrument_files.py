"""The list of instruments as a file: one a line, with how it stands in every service and when that is due."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal

from django.db.models import Max
from django.utils.translation import gettext as _

from fleet.models import Instrument, Service, Site
from reports.tables import Cell, Line, Sheet
from scheduling.models import Forecast

COLUMNS = ("tag", "kind", "maker", "model", "year_built", "use", "room", "building")
OF_A_SERVICE = ("state", "due_early", "due_middle", "due_late", "out_now", "last_done")
THOUSANDTHS = Decimal("0.001")


def instrument_sheet(site: Site, instruments: Iterable[Instrument]) -> Sheet:
    """Set out instruments in the order given, with forecasts and last services, in four queries.

    Days are dates, ``out_now`` is the probability of being out of tolerance [fraction]; a cell stays empty
    where a service has no forecast, no day within the forecast, or no record.
    """
    rows = list(instruments)
    kinds = list(site.service_kinds.values_list("kind", flat=True))
    forecasts = _forecasts(site)
    done = _last_done(site)
    head = [*COLUMNS, *(f"{kind}_{name}" for kind in kinds for name in OF_A_SERVICE)]
    lines: list[Line] = [head]
    for one in rows:
        services = [_service(forecasts.get((one.pk, kind)), done.get((one.pk, kind))) for kind in kinds]
        lines.append([*_facts(one), *(cell for service in services for cell in service)])
    return Sheet(_("instruments"), lines)


def _forecasts(site: Site) -> dict[tuple[int, str], Forecast]:
    rows = Forecast.objects.of_site(site).defer("weekly", "drivers", "others")
    return {(one.instrument_id, one.kind): one for one in rows}


def _last_done(site: Site) -> dict[tuple[int, str], date]:
    done = Service.objects.of_site(site).filter(only_measured=False)
    rows = done.order_by().values("instrument_id", "kind").annotate(last=Max("date"))
    return {(row["instrument_id"], row["kind"]): row["last"] for row in rows}


def _facts(one: Instrument) -> list[Cell]:
    made = (one.kind, one.maker, one.model, one.year_built)
    return [one.tag, *made, one.get_use_class_display(), one.room.name, one.room.building]


def _service(forecast: Forecast | None, last: date | None) -> list[Cell]:
    if forecast is None:
        return [*([None] * (len(OF_A_SERVICE) - 1)), last]
    due = (forecast.due_early, forecast.due_middle, forecast.due_late)
    out_now = Decimal(forecast.out_now).quantize(THOUSANDTHS)
    return [str(forecast.get_state_display()), *due, out_now, last]
