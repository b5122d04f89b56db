"""Addresses of the decisions: what changes a plan, and the health page."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
