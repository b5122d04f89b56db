"""Addresses of the decisions: what changes a plan, letters and calendars, and the health page."""

from django.urls import path

from scheduling.views import health, letters

urlpatterns = [
    path("healthz", health.healthz, name="healthz"),
    path("letters/", letters.letter_list, name="letters"),
    path("letters/<int:pk>/", letters.letter, name="letter"),
    path("letters/<int:pk>/again/", letters.letter_again, name="letter_again"),
    path("letters/choices/", letters.letter_choices, name="letter_choices"),
    path("letters/stop/<str:token>/", letters.stop_letters, name="stop_letters"),
