"""Addresses of the pages."""

from django.urls import path

from reports import fleet_views, history_views, list_views, season_views, views, week_views
from reports.air import holding_views as holding
from reports.air import room_views as rooms
from reports.air import views as air
from reports.budget import ahead_views, compare_views
from reports.budget import views as budget
from reports.leaves import views as leaves
from reports.start import views as start

urlpatterns = [
    path("", views.this_week, name="this_week"),
    path("instruments/", list_views.instrument_list, name="instruments"),
    path("instruments/chosen/", list_views.chosen, name="chosen"),
    path("fleet/", fleet_views.fleet, name="fleet"),
    path("fleet/<slug:name>/", leaves.leaf, name="leaf"),
    path("fleet/<slug:name>/figure/", leaves.leaf_figure, name="leaf_figure"),
    path("fleet/<slug:name>/as/<slug:form_name>/", leaves.leaf_file, name="leaf_file"),
    path("fleet/figures/<slug:by>/", fleet_views.fleet_figure, name="fleet_figure"),
    path("fleet/as/<slug:form_name>/", fleet_views.fleet_file, name="fleet_file"),
    path("instruments/as/<slug:form_name>/", list_views.instrument_file, name="instrument_file"),
    path("instruments/<int:pk>/", views.instrument, name="instrument"),
    path("instruments/<int:pk>/forecasts/", views.instrument_forecasts, name="instrument_forecasts"),
    path("instruments/<int:pk>/figures/<slug:kind>/", views.instrument_figure, name="instrument_figure"),
    path("forecasts/score/", views.forecast_score, name="forecast_score"),
    path("services/<int:pk>/", views.service, name="service"),
    path("start/next/", start.start_next, name="start_next"),
    path("rooms/", rooms.room_list, name="rooms"),
    path("rooms/compare/", rooms.compare, name="compare_rooms"),
    path("rooms/compare/figure/", rooms.compare_figure, name="compare_figure"),
    path("rooms/held/", holding.holdings, name="holdings"),
    path("rooms/held/<int:pk>/", holding.holding_study, name="holding_study"),
    path("rooms/held/<int:pk>/as/<slug:form_name>/", holding.holding_file, name="holding_file"),
    path("rooms/<int:pk>/", rooms.room, name="room"),
    path("rooms/<int:pk>/climate/", rooms.climate, name="climate"),
    path("rooms/<int:pk>/figures/<slug:name>/", rooms.room_figure, name="room_figure"),
    path("sensors/", air.sensor_list, name="sensors"),
    path("uploads/", air.upload_list, name="readings_uploads"),
    path("uploads/<int:pk>/", air.upload, name="readings_upload"),
    path("uploads/<int:pk>/figure/", air.upload_figure, name="upload_figure"),
    path("week/", week_views.week_plan, name="week_plan"),
    path("week/<str:named>/", week_views.week_plan, name="week_plan"),
    path("season/", season_views.season_plan, name="season_plan"),
    path("season/<int:pk>/", season_views.season_plan, name="one_season_plan"),
    path("season/what-if/", season_views.what_if, name="what_if"),
    path("season/drafts/<int:pk>/", season_views.draft_order, name="draft_order"),
    path("budget/", budget.budget, name="budget"),
    path("budget/ahead/", ahead_views.budget_ahead, name="budget_ahead"),
    path("budget/ahead/<slug:form_name>/", ahead_views.budget_ahead_file, name="budget_ahead_file"),
    path("budget/compare/", compare_views.budget_compare, name="budget_compare"),
    path("budget/compare/<slug:form_name>/", compare_views.budget_compare_file, name="budget_compare_file"),
    path("budget/<slug:form_name>/", budget.budget_export, name="budget_export"),
    path("requests/", views.request_list, name="requests"),
    path("history/", history_views.history, name="history"),
    path("history/<slug:subject>/<int:pk>/", history_views.fact_history, name="fact_history"),
]
