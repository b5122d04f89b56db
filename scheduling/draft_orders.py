"""Drafts of season plans that people ask for on the page and the worker makes."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction
from django.utils import timezone

from fleet.models import Site
from scheduling import planning, season_changes
from scheduling.asked_work import OPEN, Reporter, carry_out, note_done
from scheduling.models import DraftOrder, SeasonPlan
from scheduling.season_changes import Author

# A draft to look at and change: whoever wants the last hundredth of a per cent runs the command.
SECONDS = 30.0


@transaction.atomic
def order(
    site: Site, start: date, weeks: int, hours_per_week: float | None, by: Author, at: datetime
) -> DraftOrder:
    """Ask for a draft; the same one that still waits or runs is not asked for twice.

    Raises
    ------
    fleet.refusal.Refused
        Where start, weeks or hours are out of range.
    """
    planning.check(planning.Wanted(start, weeks, hours_per_week), site.local_date(at))
    wanted = {"start": start, "weeks": weeks, "hours_per_week": hours_per_week}
    waiting = DraftOrder.objects.of_site(site).filter(state__in=OPEN, **wanted).first()
    return waiting or DraftOrder.objects.create(
        site=site, asked_at=at, asked_by=by.user, asker=by.name, **wanted
    )


def make(order_id: int) -> DraftOrder | None:
    """Make the draft that was asked for, unless that was done, is being done, or is no longer wanted.

    It is stored together with the note that it is there: who dies on the way leaves no second draft behind.
    """
    return carry_out(DraftOrder, order_id, _make)


def _make(asked: DraftOrder, reporter: Reporter) -> None:
    now = timezone.now()

    def stored(plan: SeasonPlan) -> None:
        note_done(asked, plan=plan)
        season_changes.note_draft(plan, Author(asked.asked_by, asked.asker), now)

    planning.make_season_plan(
        asked.site,
        planning.Wanted(asked.start, asked.weeks, asked.hours_per_week, time_limit=SECONDS),
        asked.site.local_date(now),
        progress=reporter.say,
        must_stop=reporter.must_stop,
        stored=stored,
    )
