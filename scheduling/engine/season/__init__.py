"""The season plan: which instrument gets which service in which week, within the hours there are."""

from scheduling.engine.season.calendar_rule import CalendarResult, Interval, calendar_plan
from scheduling.engine.season.costs import Reset, arc_costs, service_days
from scheduling.engine.season.direct import solve_direct, write_model
from scheduling.engine.season.plan import plan_season
from scheduling.engine.season.problem import Job, SeasonProblem, check_problem
from scheduling.engine.season.rules import Requirement, recent_visit, still_in_tolerance
from scheduling.engine.season.sharing import Sharing
from scheduling.engine.season.solution import Outcome, PlannedVisit, PutOff, SeasonResult

__all__ = [
    "CalendarResult",
    "Interval",
    "Job",
    "Outcome",
    "PlannedVisit",
    "PutOff",
    "Requirement",
    "Reset",
    "SeasonProblem",
    "SeasonResult",
    "Sharing",
    "arc_costs",
    "calendar_plan",
    "check_problem",
    "plan_season",
    "recent_visit",
    "service_days",
    "solve_direct",
    "still_in_tolerance",
    "write_model",
]
