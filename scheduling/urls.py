"""Addresses of the decisions: what changes a plan, letters and calendars, and the health page."""

from django.urls import path

from scheduling.views import (
    calendars,
    health,
    holding,
    letters,
    personal,
    scenarios,
    scores,
    season,
    visits,
    week,
)

urlpatterns = [
    path("healthz", health.healthz, name="healthz"),
    path("instruments/visits/", visits.place_visits, name="place_visits"),
    path("season/visits/<int:pk>/hold/", season.hold, name="hold_visit"),
    path("season/visits/<int:pk>/release/", season.release, name="release_visit"),
    path("season/visits/<int:pk>/move/", season.move, name="move_visit"),
    path("week/<str:named>/lay-out/", week.lay_out_week, name="lay_out_week"),
    path("season/<int:pk>/approve/", season.approve, name="approve_plan"),
    path("season/drafts/", season.order_draft, name="order_draft"),
    path("season/drafts/<int:pk>/cancel/", season.cancel_draft, name="cancel_draft"),
    path("season/what-if/new/", scenarios.new_scenario, name="new_scenario"),
    path("season/what-if/<int:pk>/again/", scenarios.compute_again, name="compute_again"),
    path("season/what-if/<int:pk>/cancel/", scenarios.cancel_scenario, name="cancel_scenario"),
    path("season/what-if/<int:pk>/delete/", scenarios.delete_scenario, name="delete_scenario"),
    path("rooms/held/ask/", holding.ask_holding, name="ask_holding"),
    path("rooms/held/<int:pk>/cancel/", holding.cancel_holding, name="cancel_holding"),
    path("forecasts/score/ask/", scores.ask_score, name="ask_score"),
    path("how-it-runs/", health.how_it_runs, name="how_it_runs"),
    path("letters/", letters.letter_list, name="letters"),
    path("letters/<int:pk>/", letters.letter, name="letter"),
    path("letters/<int:pk>/again/", letters.letter_again, name="letter_again"),
    path("letters/choices/", letters.letter_choices, name="letter_choices"),
    path("letters/stop/<str:token>/", letters.stop_letters, name="stop_letters"),
    path("calendars/", calendars.calendars, name="calendars"),
    path("calendars/<int:pk>/close/", calendars.revoke_calendar, name="revoke_calendar"),
    path("feeds/<str:secret>/work.ics", calendars.work_calendar, name="work_calendar"),
    path("personal-data/", personal.personal_data, name="personal_data"),
    path("personal-data/export/", personal.export_personal_data, name="export_personal_data"),
    path("personal-data/remove/", personal.remove_personal_data, name="remove_personal_data"),
]
