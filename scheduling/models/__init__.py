"""Forecasts, plans and letters as rows; one module per subject."""

from scheduling.models.forecasts import Backtest, Forecast, ForecastRun, ForecastState
from scheduling.models.letters import Heartbeat, Letter
from scheduling.models.plans import PlannedVisit, PutOff, SeasonPlan

__all__ = [
    "Backtest",
    "Forecast",
    "ForecastRun",
    "ForecastState",
    "Heartbeat",
    "Letter",
    "PlannedVisit",
    "PutOff",
    "SeasonPlan",
]
