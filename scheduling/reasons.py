"""Why a visit is planned and why a service is put off, in sentences for the people who work by the plan."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date

import numpy as np

from fleet.keyboard import shown
from scheduling.dated_work import DatedTuning
from scheduling.engine.said import Figure, Term, joined, worded
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
            worded("Held in this week by hand.") if week in setup.problem.jobs[job].held else "",
            asked_for(setup, job) if before == 0 else "",
            _expected(setup, forecast) if before == 0 else _again(setup, job, before),
            _waits_for(setup, job, week),
            _waited_for(setup, planned, job, (before, week, after)),
            _saves(saved),
            driver_words(forecast) if before == 0 else "",
        ]
        reasons[week] = joined(" ", sentences)
    return reasons


def _saves(saved: float) -> str:
    if saved < LEAST_SAVING:
        return ""
    return worded("Saves %(saved)s weighted days out of tolerance.", saved=Figure(saved, ".1f"))


def asked_for(setup: SeasonSetup, job: int) -> str:
    """Return what players have reported that this service deals with, and what is played before long."""
    trouble = setup.wishes.troubles.get(job)
    if trouble is None:
        return ""
    told = joined(
        "; ",
        [
            worded(
                "%(trouble)s (reported %(day)s)",
                trouble=joined(" ", [", ".join(map(shown, report.notes)), worded(report.symptom)]),
                day=report.day,
            )
            for report in trouble.reports
        ],
    )
    played = trouble.first_performance
    if played is None:
        return worded("Asked for: %(what)s.", what=told)
    return worded("Asked for: %(what)s, played in public on %(day)s.", what=told, day=played.day)


def _expected(setup: SeasonSetup, forecast: Forecast | None) -> str:
    if forecast is None:
        return ""
    if forecast.out_now >= OUT_FROM:
        return worded("Probably out of tolerance already (%(chance)s %%).", chance=_chance(forecast.out_now))
    if forecast.due_middle is not None and forecast.due_middle <= setup.season.today:
        return worded("May be out of tolerance already (%(chance)s %%).", chance=_chance(forecast.out_now))
    if forecast.due_middle is not None:
        return worded("Predicted out by %(day)s (middle estimate).", day=forecast.due_middle)
    if forecast.due_early is not None:
        return worded("May be out by %(day)s (early estimate).", day=forecast.due_early)
    return worded("Likely to stay in tolerance; there are hours for it.")


def _chance(fraction: float) -> Figure:
    return Figure(100 * fraction, ".0f")


def _again(setup: SeasonSetup, job: int, before: int) -> str:
    """Say when the visit before this one would have worn off."""
    curve = setup.after[job, before - 1]
    out = np.flatnonzero(curve >= OUT_FROM)
    week = setup.season.monday(before)
    if len(out):
        return worded(
            "After the visit in the week of %(week)s more likely out than in from %(day)s.",
            week=week,
            day=date.fromordinal(_day(setup, out[0])),
        )
    return worded(
        "After the visit in the week of %(week)s the chance of being out would reach %(chance)s %%.",
        week=week,
        chance=_chance(float(curve.max())),
    )


def _day(setup: SeasonSetup, index: int) -> int:
    return int(setup.season.days[index])


def _waits_for(setup: SeasonSetup, job: int, week: int) -> str:
    """Say which rules ask for another service before this visit."""
    rules = [rule for rule in setup.problem.rules if rule.job == job and not rule.allowed[0, week - 1]]
    return (
        worded("In order: %(rules)s.", rules=joined("; ", [rule.reason for rule in rules])) if rules else ""
    )


def _waited_for(setup: SeasonSetup, planned: Planned, job: int, nodes: tuple[int, int, int]) -> str:
    """Say which visits need this one: those that the visit before it would not allow."""
    before, week, after = nodes
    needing = [
        worded(
            "the %(service)s in the week of %(week)s",
            service=Term(setup.problem.jobs[rule.job].service),
            week=setup.season.monday(other),
        )
        for rule in setup.problem.rules
        if rule.on == job
        for other in sorted(planned.get(rule.job, ()))
        if week <= other < after and rule.allowed[week, other - 1] and not rule.allowed[before, other - 1]
    ]
    return worded("Needed for %(visits)s.", visits=joined(", ", needing)) if needing else ""


def driver_words(forecast: Forecast | None) -> str:
    """Return the sentence of the strongest driver that says something, if any."""
    if forecast is None:
        return ""
    for driver in forecast.drivers:
        if driver["name"] not in UNFORESEEN and driver["share"] >= LEAST_SHARE:
            words: str = driver["words"]
            return words
    return ""


def dated_reason(tunings: Sequence[DatedTuning]) -> str:
    """Return why tunings are dated: the performances they serve."""
    served = [
        worded("%(titles)s on %(day)s", titles=_and(tuning.titles), day=tuning.day) for tuning in tunings
    ]
    return worded("Within 48 hours before %(performances)s.", performances=joined("; ", served))


def _and(titles: Sequence[str]) -> str:
    told = titles[0]
    for title in titles[1:]:
        told = worded("%(before)s and %(after)s", before=told, after=title)
    return told


def dated_asked_for(setup: SeasonSetup, tunings: Sequence[DatedTuning], planned: Collection[int]) -> str:
    """Return what players have reported where these dated tunings are the first to deal with it."""
    job, week = tunings[0].line, setup.season.week(tunings[0].day)
    dated = [setup.season.week(tuning.day) for tuning in setup.wishes.dated if tuning.line == job]
    return asked_for(setup, job) if week == min([*planned, *dated]) else ""


def put_off_reason(setup: SeasonSetup, put_off: PutOff) -> str:
    """Return why a service is not planned, with what it costs and what its best visit would have saved."""
    job = setup.problem.jobs[put_off.job]
    if not setup.problem.eligible(put_off.job):
        return worded("Nobody here does %(service)s.", service=Term(job.service))
    if put_off.days_out < HARDLY_OUT_DAYS:
        return worded("Not needed: likely in tolerance throughout.")
    asked = asked_for(setup, put_off.job)
    days = Figure(put_off.days_out, ".0f")
    if put_off.best_week is None:
        vain = worded(
            "%(days)s days out of tolerance expected; no visit in these weeks would lower that.", days=days
        )
        return joined(" ", [asked, vain])
    best = worded(
        "%(days)s days out of tolerance expected; its best visit, in the week of %(week)s, would save "
        "%(saving)s weighted days, %(an_hour)s an hour.",
        days=days,
        week=setup.season.monday(put_off.best_week),
        saving=Figure(put_off.saving, ".1f"),
        an_hour=Figure(put_off.saving / job.hours, ".2f"),
    )
    return joined(" ", [asked, best, _against(put_off, job.hours)])


def _against(put_off: PutOff, hours: float) -> str:
    worth = Figure(put_off.worth / hours, ".2f")
    if put_off.saving <= put_off.worth:
        return worded("An hour of that week is worth %(worth)s elsewhere.", worth=worth)
    return worded(
        "An hour of that week is worth %(worth)s elsewhere, but nobody has %(hours)s hours left in one "
        "piece, or it waits for another service.",
        worth=worth,
        hours=Figure(hours),
    )
