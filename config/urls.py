"""Every address of the almanac."""

from django.contrib import admin
from django.urls import include, path

urlpatterns = [
    path("", include("fleet.urls")),
    path("", include("reports.urls")),
    path("", include("scheduling.urls")),
    path("admin/", admin.site.urls),
]

handler500 = "fleet.trouble.failed"
