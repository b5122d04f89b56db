"""Why a visit is planned and why a service is put off, in sentences for the people who work by the plan."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date

import numpy as np

from fleet.keyboard import shown
from scheduling.dated_work import DatedTuning
from scheduling.engine.season import PutOff
from scheduling.forecast_rows import OUT_FROM
from scheduling.models import Forecast
from scheduling.season_problem import SeasonSetup

# Below this a service is not put off but simply not needed [days out of tolerance in the season].
HARDLY_OUT_DAYS = 0.5
# A smaller saving is not worth a word [weighted days].
LEAST_SAVING = 0.05
# A driver with a smaller share explains nothing.
LEAST_SHARE = 0.1
# Drivers that widen a forecast without saying why it points where it does.
UNFORESEEN = {"unknown", "weather"}

Planned = Mapping[int, Collection[int]]


def spoken(day: date) -> str:
    """Return a day as people say it, such as 12 December 2026."""
    return f"{day.day} {day:%B %Y}"


def visit_reasons(
    setup: SeasonSetup, planned: Planned, job: int, forecast: Forecast | None
) -> dict[int, str]:
    """Return, by week, why each visit of a job is planned; ``planned`` holds the weeks of every job."""
    nodes = [0, *sorted(planned[job]), setup.season.weeks + 1]
    cost = setup.problem.jobs[job].cost
    reasons = {}
    for before, week, after in zip(nodes, nodes[1:-1], nodes[2:], strict=False):
        saved = float(cost[before, after] - cost[before, week] - cost[week, after])
        sentences = [
            "Held in this week by hand." if week in setup.problem.jobs[job].held else "",
            asked_for(setup, job) if before == 0 else "",
            _expected(setup, forecast) if before == 0 else _again(setup, job, before),
            _waits_for(setup, job, week),
            _waited_for(setup, planned, job, (before, week, after)),
            f"Saves {saved:.1f} weighted days out of tolerance." if saved >= LEAST_SAVING else "",
            driver_words(forecast) if before == 0 else "",
        ]
        reasons[week] = " ".join(filter(None, sentences))
    return reasons


def asked_for(setup: SeasonSetup, job: int) -> str:
    """Return what players have reported that this service deals with, and what is played before long."""
    trouble = setup.wishes.troubles.get(job)
    if trouble is None:
        return ""
    told = "; ".join(
        f"{', '.join(map(shown, report.notes)) + ' ' if report.notes else ''}{report.symptom} "
        f"(reported {spoken(report.day)})"
        for report in trouble.reports
    )
    played = trouble.first_performance
    before = f", played in public on {spoken(played.day)}" if played else ""
    return f"Asked for: {told}{before}."


def _expected(setup: SeasonSetup, forecast: Forecast | None) -> str:
    if forecast is None:
        return ""
    if forecast.out_now >= OUT_FROM:
        return f"Probably out of tolerance already ({100 * forecast.out_now:.0f} %)."
    if forecast.due_middle is not None and forecast.due_middle <= setup.season.today:
        return f"May be out of tolerance already ({100 * forecast.out_now:.0f} %)."
    if forecast.due_middle is not None:
        return f"Predicted out by {spoken(forecast.due_middle)} (middle estimate)."
    if forecast.due_early is not None:
        return f"May be out by {spoken(forecast.due_early)} (early estimate)."
    return "Likely to stay in tolerance; there are hours for it."


def _again(setup: SeasonSetup, job: int, before: int) -> str:
    """Say when the visit before this one would have worn off."""
    curve = setup.after[job, before - 1]
    out = np.flatnonzero(curve >= OUT_FROM)
    since = f"After the visit in the week of {spoken(setup.season.monday(before))}"
    if len(out):
        return f"{since} more likely out than in from {spoken(date.fromordinal(_day(setup, out[0])))}."
    return f"{since} the chance of being out would reach {100 * float(curve.max()):.0f} %."


def _day(setup: SeasonSetup, index: int) -> int:
    return int(setup.season.days[index])


def _waits_for(setup: SeasonSetup, job: int, week: int) -> str:
    """Say which rules ask for another service before this visit."""
    rules = [rule for rule in setup.problem.rules if rule.job == job and not rule.allowed[0, week - 1]]
    return f"In order: {'; '.join(rule.reason for rule in rules)}." if rules else ""


def _waited_for(setup: SeasonSetup, planned: Planned, job: int, nodes: tuple[int, int, int]) -> str:
    """Say which visits need this one: those that the visit before it would not allow."""
    before, week, after = nodes
    needing = [
        f"{setup.problem.jobs[rule.job].service} in the week of {spoken(setup.season.monday(other))}"
        for rule in setup.problem.rules
        if rule.on == job
        for other in sorted(planned.get(rule.job, ()))
        if week <= other < after and rule.allowed[week, other - 1] and not rule.allowed[before, other - 1]
    ]
    return f"Needed for the {', the '.join(needing)}." if needing else ""


def driver_words(forecast: Forecast | None) -> str:
    """Return the sentence of the strongest driver that says something, if any."""
    if forecast is None:
        return ""
    for driver in forecast.drivers:
        if driver["name"] not in UNFORESEEN and driver["share"] >= LEAST_SHARE:
            return str(driver["words"])
    return ""


def dated_reason(tunings: Sequence[DatedTuning]) -> str:
    """Return why tunings are dated: the performances they serve."""
    served = [f"{' and '.join(tuning.titles)} on {spoken(tuning.day)}" for tuning in tunings]
    return f"Within 48 hours before {'; '.join(served)}."


def dated_asked_for(setup: SeasonSetup, tunings: Sequence[DatedTuning], planned: Collection[int]) -> str:
    """Return what players have reported where these dated tunings are the first to deal with it."""
    job, week = tunings[0].line, setup.season.week(tunings[0].day)
    dated = [setup.season.week(tuning.day) for tuning in setup.wishes.dated if tuning.line == job]
    return asked_for(setup, job) if week == min([*planned, *dated]) else ""


def put_off_reason(setup: SeasonSetup, put_off: PutOff) -> str:
    """Return why a service is not planned, with what it costs and what its best visit would have saved."""
    job = setup.problem.jobs[put_off.job]
    if not setup.problem.eligible(put_off.job):
        return f"Nobody here does {job.service}."
    if put_off.days_out < HARDLY_OUT_DAYS:
        return "Not needed: likely in tolerance throughout."
    asked = asked_for(setup, put_off.job)
    expected = f"{asked} {put_off.days_out:.0f} days out of tolerance expected".strip()
    if put_off.best_week is None:
        return f"{expected}; no visit in these weeks would lower that."
    monday = setup.season.monday(put_off.best_week)
    return (
        f"{expected}; its best visit, in the week of {spoken(monday)}, would save {put_off.saving:.1f} "
        f"weighted days, {put_off.saving / job.hours:.2f} an hour. {_against(put_off, job.hours)}"
    )


def _against(put_off: PutOff, hours: float) -> str:
    elsewhere = f"An hour of that week is worth {put_off.worth / hours:.2f} elsewhere"
    if put_off.saving <= put_off.worth:
        return f"{elsewhere}."
    return f"{elsewhere}, but nobody has {hours:g} hours left in one piece, or it waits for another service."
