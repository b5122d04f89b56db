"""Forecasts, plans and letters in Django's own pages for the person who runs the installation."""

from django.contrib import admin

from scheduling.models import Forecast, ForecastRun, Letter, PlannedVisit, PutOff, SeasonPlan


@admin.register(ForecastRun)
class ForecastRunAdmin(admin.ModelAdmin):
    list_display = ("site", "today", "horizon_days", "made_at", "code_version")
    list_filter = ("site",)


@admin.register(Forecast)
class ForecastAdmin(admin.ModelAdmin):
    list_display = ("instrument", "kind", "state", "out_now", "due_early", "due_middle", "due_late")
    list_filter = ("instrument__site", "kind", "state")
    search_fields = ("instrument__tag",)
    list_select_related = ("instrument",)


@admin.register(SeasonPlan)
class SeasonPlanAdmin(admin.ModelAdmin):
    list_display = ("site", "start", "weeks", "state", "made_at", "outcome", "cost", "gap")
    list_filter = ("site", "state")


@admin.register(PlannedVisit)
class PlannedVisitAdmin(admin.ModelAdmin):
    list_display = ("instrument", "kind", "week", "hours", "technician", "held", "plan")
    list_filter = ("plan__site", "kind")
    search_fields = ("instrument__tag",)
    list_select_related = ("instrument", "technician", "plan__site")


@admin.register(PutOff)
class PutOffAdmin(admin.ModelAdmin):
    list_display = ("instrument", "kind", "expected_days_out", "cost", "plan")
    list_filter = ("plan__site", "kind")
    list_select_related = ("instrument", "plan__site")


@admin.register(Letter)
class LetterAdmin(admin.ModelAdmin):
    list_display = ("person", "kind", "iso_year", "iso_week", "state", "attempts", "sent_at")
    list_filter = ("person__site", "state", "kind")
    list_select_related = ("person",)
