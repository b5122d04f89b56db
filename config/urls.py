"""Every address of the almanac."""

from django.contrib import admin
from django.urls import include, path
from django.views.generic import RedirectView

to_the_login = RedirectView.as_view(
    pattern_name="login", query_string=True, http_method_names=["get", "head", "post"]
)

urlpatterns = [
    path("", include("fleet.urls")),
    path("", include("reports.urls")),
    path("", include("scheduling.urls")),
    # One login for all pages, so that whoever has a second factor shows it here too.
    path("admin/login/", to_the_login, name="admin_login"),
    path("admin/", admin.site.urls),
]

handler500 = "fleet.trouble.failed"
