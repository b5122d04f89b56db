"""Forecasts, plans and letters as rows; one module per subject."""

from scheduling.models.ahead import FirstForecast, SeasonsAhead
from scheduling.models.calendars import CalendarEntry, Feed
from scheduling.models.forecasts import Backtest, Forecast, ForecastRun, ForecastState
from scheduling.models.holding import HoldingStudy
from scheduling.models.letters import Heartbeat, Letter, LetterChoice
from scheduling.models.plan_changes import DraftOrder, LineCosts, PlanChange
from scheduling.models.plans import PlannedVisit, PutOff, SeasonPlan
from scheduling.models.scenarios import Scenario
from scheduling.models.weeks import Appointment, Unplaced, WeekPlan

__all__ = [
    "Appointment",
    "Backtest",
    "CalendarEntry",
    "DraftOrder",
    "Feed",
    "FirstForecast",
    "Forecast",
    "ForecastRun",
    "ForecastState",
    "Heartbeat",
    "HoldingStudy",
    "Letter",
    "LetterChoice",
    "LineCosts",
    "PlanChange",
    "PlannedVisit",
    "PutOff",
    "Scenario",
    "SeasonPlan",
    "SeasonsAhead",
    "Unplaced",
    "WeekPlan",
]
