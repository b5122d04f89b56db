"""The first forecast of a site: asked for at the end of its start, with what more facts would improve."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet.models import Instrument, Site
from fleet.refusal import Refused
from scheduling import forecasting
from scheduling.asked_work import OPEN, Reporter, carry_out
from scheduling.gains import gains_of
from scheduling.inputs import fleet_facts
from scheduling.models import FirstForecast
from scheduling.season_changes import Author


@transaction.atomic
def ask(site: Site, by: Author, at: datetime) -> FirstForecast:
    """Ask for a site's forecast; one that waits or runs is not asked for twice.

    Raises
    ------
    fleet.refusal.Refused
        Where there is no instrument to forecast.
    """
    if not Instrument.objects.of_site(site).filter(retired_on=None).exists():
        raise Refused(_("there is no instrument to forecast"), accepted=_("at least one instrument"))
    waiting = FirstForecast.objects.of_site(site).filter(state__in=OPEN).first()
    return waiting or FirstForecast.objects.create(site=site, asked_at=at, asked_by=by.user, asker=by.name)


def compute(work_id: int) -> FirstForecast | None:
    """Compute a forecast that was asked for, unless that was done or is being done."""
    return carry_out(FirstForecast, work_id, _compute)


def _compute(work: FirstForecast, reporter: Reporter) -> None:
    site = work.site
    today = site.local_date(timezone.now())
    reporter.say(_("reading what is known"))
    facts = fleet_facts(site, today, forecasting.HORIZON_DAYS)
    forecasting.refresh(site, today, progress=reporter.say)
    reporter.say(_("asking what more facts would improve"))
    model = forecasting.model_of(facts)
    FirstForecast.objects.filter(pk=work.pk).update(
        instruments=len({line.instrument_id for line in facts.lines}),
        gains=gains_of(facts, model.outlooks(forecasting.SEED)),
    )
