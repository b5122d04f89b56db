"""Addresses of what writes facts, and of the page that players reach by a code."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
