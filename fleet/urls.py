"""Addresses of what writes facts, and of the page that players reach by a code."""

from django.urls import URLPattern, path

from fleet.views import player, readings, ways_in

urlpatterns: list[URLPattern] = [
    path("api/readings", readings.post_readings, name="post_readings"),
    path("i/<slug:public_id>", player.player, name="player"),
    path("ways-in/", ways_in.ways_in_page, name="ways_in"),
    path("ways-in/<int:pk>/revoke/", ways_in.revoke_way_in, name="revoke_way_in"),
]
