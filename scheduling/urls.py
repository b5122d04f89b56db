"""Addresses of the decisions: what changes a plan, and the health page."""

from django.urls import path

from scheduling import views

urlpatterns = [
    path("healthz", views.healthz, name="healthz"),
]
