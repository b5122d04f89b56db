"""Forecasts, plans and letters in Django's own pages for the person who runs the installation."""

from django.contrib import admin
from django.db.models import Model
from django.http import HttpRequest

from fleet.admin import OnlyRead, Removable
from scheduling.models import (
    Appointment,
    DraftOrder,
    Forecast,
    ForecastRun,
    Letter,
    PlanChange,
    PlannedVisit,
    PutOff,
    Scenario,
    SeasonPlan,
    Unplaced,
    WeekPlan,
)


class RemovableDecision(Removable):
    """Decisions are made on their pages, where their history is kept; here they can be put away."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False


@admin.register(ForecastRun)
class ForecastRunAdmin(OnlyRead):
    list_display = ("site", "today", "horizon_days", "made_at", "code_version")
    list_filter = ("site",)


@admin.register(Forecast)
class ForecastAdmin(OnlyRead):
    list_display = ("instrument", "kind", "state", "out_now", "due_early", "due_middle", "due_late")
    list_filter = ("instrument__site", "kind", "state")
    search_fields = ("instrument__tag",)
    list_select_related = ("instrument",)


@admin.register(SeasonPlan)
class SeasonPlanAdmin(RemovableDecision):
    list_display = ("site", "start", "weeks", "state", "made_at", "outcome", "cost", "gap")
    list_filter = ("site", "state")


@admin.register(PlannedVisit)
class PlannedVisitAdmin(OnlyRead):
    list_display = ("instrument", "kind", "week", "hours", "technician", "held", "plan")
    list_filter = ("plan__site", "kind")
    search_fields = ("instrument__tag",)
    list_select_related = ("instrument", "technician", "plan__site")


@admin.register(PutOff)
class PutOffAdmin(OnlyRead):
    list_display = ("instrument", "kind", "expected_days_out", "cost", "plan")
    list_filter = ("plan__site", "kind")
    list_select_related = ("instrument", "plan__site")


@admin.register(Letter)
class LetterAdmin(OnlyRead):
    list_display = ("person", "kind", "iso_year", "iso_week", "state", "attempts", "sent_at")
    list_filter = ("person__site", "state", "kind")
    list_select_related = ("person",)


@admin.register(DraftOrder)
class DraftOrderAdmin(OnlyRead):
    list_display = ("site", "start", "weeks", "asker", "asked_at", "state", "step")
    list_filter = ("site", "state")


@admin.register(Scenario)
class ScenarioAdmin(RemovableDecision):
    list_display = ("name", "site", "start", "weeks", "asker", "asked_at", "state", "cost")
    list_filter = ("site", "state")


@admin.register(PlanChange)
class PlanChangeAdmin(OnlyRead):
    """History is read and never written."""

    list_display = ("plan", "version", "at", "name", "what", "instrument", "kind", "from_week", "to_week")
    list_filter = ("plan__site", "what")
    list_select_related = ("plan__site", "instrument")


@admin.register(WeekPlan)
class WeekPlanAdmin(OnlyRead):
    list_display = ("site", "week", "number", "made_at", "outcome", "cost", "gap")
    list_filter = ("site",)
    list_select_related = ("site",)


@admin.register(Appointment)
class AppointmentAdmin(OnlyRead):
    list_display = ("visit", "technician", "room", "starts_at", "ends_at", "week_plan")
    list_filter = ("week_plan__site",)
    list_select_related = ("visit__instrument", "technician", "room", "week_plan__site")


@admin.register(Unplaced)
class UnplacedAdmin(OnlyRead):
    list_display = ("visit", "hours", "reason", "moves_to", "week_plan")
    list_filter = ("week_plan__site",)
    list_select_related = ("visit__instrument", "week_plan__site")
