"""How a site is set up: its own facts, and the way to everything else that is set."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _

from fleet.models import Site
from fleet.setup import changes
from fleet.setup.forms import SiteForm, time_zones
from fleet.views.door import is_administrator, settings_page, site_of


@settings_page("GET", "POST")
def settings(request: HttpRequest) -> HttpResponse:
    """Show and store a site's own facts."""
    # A row of its own: what the form refuses must not stand in the frame around it.
    site = Site.objects.get(pk=site_of(request).pk)
    form = SiteForm(request.POST if request.method == "POST" else None, instance=site)
    if form.is_valid():
        changes.store_site(form.save(commit=False))
        messages.info(request, _("The site is set up as you said."))
        return redirect("settings")
    context = {"form": form, "zones": time_zones(), "may_set": is_administrator(request)}
    return render(request, "setup/site.html", context, status=422 if form.errors else 200)
