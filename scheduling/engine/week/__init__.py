"""Laying out a week: visits of the season plan in, days, times and people out, with a proof and reasons."""

from scheduling.engine.week.layout import LeftOut, Sitting, WeekLayout, price
from scheduling.engine.week.problem import Closed, Span, Visit, WeekProblem, Worker, check_problem, parts
from scheduling.engine.week.search import lay_out

__all__ = [
    "Closed",
    "LeftOut",
    "Sitting",
    "Span",
    "Visit",
    "WeekLayout",
    "WeekProblem",
    "Worker",
    "check_problem",
    "lay_out",
    "parts",
    "price",
]
