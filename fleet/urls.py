"""Addresses of what writes facts, and of the page that players reach by a code."""

from django.urls import URLPattern, path

from fleet.views import (
    bookings,
    codes,
    languages,
    player,
    readings,
    records,
    requests,
    sensors,
    uploads,
    ways_in,
    worksheets,
)

urlpatterns: list[URLPattern] = [
    path("api/readings", readings.post_readings, name="post_readings"),
    path("i/<slug:public_id>", player.player, name="player"),
    path("instruments/<int:pk>/code/", codes.renew, name="renew_code"),
    path("language/", languages.choose_language, name="choose_language"),
    path("labels/", codes.labels, name="labels"),
    path("requests/<int:pk>/", requests.one_request, name="request"),
    path("ways-in/", ways_in.ways_in_page, name="ways_in"),
    path("ways-in/<int:pk>/revoke/", ways_in.revoke_way_in, name="revoke_way_in"),
    path("sensors/place/", sensors.place_sensor, name="place_sensor"),
    path("sensors/away/", sensors.take_sensor_away, name="take_sensor_away"),
    path("sensors/check/", sensors.check_sensor, name="check_sensor"),
    path("rooms/<int:pk>/lender/", sensors.choose_lender, name="choose_lender"),
    path("uploads/bring/", uploads.bring, name="bring_readings"),
    path("uploads/<int:pk>/choose/", uploads.choose, name="choose_upload"),
    path("uploads/<int:pk>/cancel/", uploads.cancel, name="cancel_upload"),
    path("r/<str:said>/", records.record_by_letter, name="record_by_letter"),
    path("record/<int:pk>/<slug:kind>/", records.record, name="record"),
    path("record/<int:pk>/<slug:kind>/sheet/", records.record, {"with_sheet": True}, name="record_sheet"),
    path("record/<int:pk>/<slug:kind>/sum/", worksheets.sum_up, name="sum_up_sheet"),
    path("record/<int:pk>/<slug:kind>/paper/", worksheets.paper, name="paper_sheet"),
    path("instruments/<int:pk>/dip/", worksheets.dip, name="dip"),
    path("services/<int:pk>/correct/", records.correct, name="correct_service"),
    path("services/<int:pk>/withdraw/", records.withdraw, name="withdraw_service"),
    path("bookings/", bookings.bookings_in, name="bookings_in"),
    path("bookings/<int:pk>/", bookings.bookings_reading, name="bookings_reading"),
    path("bookings/from/<int:pk>/", bookings.bookings_source, name="bookings_source"),
]
