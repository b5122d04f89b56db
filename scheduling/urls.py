"""Addresses of the decisions: what changes a plan, and the health page."""

from django.urls import path

from scheduling.views import health, scores

urlpatterns = [
    path("healthz", health.healthz, name="healthz"),
    path("forecasts/score/ask/", scores.ask_score, name="ask_score"),
]
