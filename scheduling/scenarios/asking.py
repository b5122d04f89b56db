"""Scenarios that people ask for, kept with their figures; the worker computes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet.models import Site
from fleet.refusal import Refused
from scheduling import planning
from scheduling.asked_work import Cancelled, Reporter, carry_out
from scheduling.models import Scenario
from scheduling.planning import Wanted
from scheduling.reasons import spoken
from scheduling.scenarios.changes import Change, from_rows, to_rows
from scheduling.scenarios.computing import work_out
from scheduling.season_changes import Author

# Two scenarios are compared by a difference, so each is searched longer than a draft.
SECONDS = 60.0
LONGEST_NAME = 120


@dataclass(frozen=True)
class Question:
    """What is asked: a season with changes; a name is made of their words where none is given."""

    start: date
    weeks: int
    changes: tuple[Change, ...]
    hours_per_week: float | None = None
    name: str = ""


@transaction.atomic
def ask(site: Site, question: Question, by: Author, at: datetime) -> list[Scenario]:
    """Save a scenario, and the season as it is beside it where that is not there; return what is to compute.

    Raises
    ------
    fleet.refusal.Refused
        Where season or changes cannot be meant, or another scenario has the name.
    """
    today = site.local_date(at)
    planning.check(Wanted(question.start, question.weeks, question.hours_per_week), today)
    for change in question.changes:
        change.check(site, today)
    words = [change.words() for change in question.changes]
    name = (question.name or "; ".join(words) or _as_it_is(question))[:LONGEST_NAME]
    if Scenario.objects.of_site(site).filter(name=name).exists():
        raise Refused(_("another scenario has this name"), value=name, accepted=_("a name of its own"))
    asked = [_save(site, question, name, question.changes, words, by, at)]
    if question.changes:
        asked += _beside(site, question, by, at, today)
    return asked


def _as_it_is(question: Question) -> str:
    hours = f", {question.hours_per_week:g} h a week" if question.hours_per_week is not None else ""
    return f"As it is, {question.weeks} weeks from {spoken(question.start)}{hours}"


def _beside(site: Site, question: Question, by: Author, at: datetime, today: date) -> list[Scenario]:
    """Ask for the season as it is, or for it again where it was computed from the facts of another day."""
    name = _as_it_is(question)
    there = (
        Scenario.objects.of_site(site)
        .select_for_update()
        .filter(
            start=question.start, weeks=question.weeks, hours_per_week=question.hours_per_week, changes=[]
        )
    )
    one = there.order_by("-asked_at").first()
    if one is None:
        return [_save(site, question, name, (), [], by, at)]
    if one.open or one.today == today and one.state == Scenario.State.DONE:
        return []
    return [again(one, by, at)]


def _save(
    site: Site,
    question: Question,
    name: str,
    changes: Sequence[Change],
    words: list[str],
    by: Author,
    at: datetime,
) -> Scenario:
    return Scenario.objects.create(
        site=site,
        name=name,
        start=question.start,
        weeks=question.weeks,
        hours_per_week=question.hours_per_week,
        changes=to_rows(changes),
        words=words,
        asked_at=at,
        asked_by=by.user,
        asker=by.name,
    )


def again(scenario: Scenario, by: Author, at: datetime) -> Scenario:
    """Ask for a scenario to be computed again, from the facts as they are now."""
    Scenario.objects.filter(pk=scenario.pk).exclude(state__in=("waiting", "running")).update(
        state=Scenario.State.WAITING, asked_at=at, asked_by=by.user, asker=by.name, trouble="", step=""
    )
    scenario.refresh_from_db()
    return scenario


def compute(scenario_id: int) -> Scenario | None:
    """Compute a scenario unless that was done, is being done, or is no longer wanted."""
    return carry_out(Scenario, scenario_id, _compute)


def _compute(scenario: Scenario, reporter: Reporter) -> None:
    worked = work_out(
        scenario.site,
        Wanted(scenario.start, scenario.weeks, scenario.hours_per_week, time_limit=SECONDS),
        from_rows(scenario.changes),
        scenario.site.local_date(timezone.now()),
        reporter.say,
        reporter.must_stop,
    )
    if reporter.stopped:
        raise Cancelled
    figures: dict[str, Any] = worked.figures()
    Scenario.objects.filter(pk=scenario.pk, state=Scenario.State.RUNNING).update(**figures)
