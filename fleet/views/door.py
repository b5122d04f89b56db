"""The door of pages on which facts are changed: members read them, technicians and administrators write."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods

from fleet.models import Role, Site

View = Callable[..., HttpResponse]
WRITERS = (Role.TECHNICIAN, Role.ADMINISTRATOR)


def site_of(request: HttpRequest) -> Site:
    """Return the site the user's pages are about."""
    site: Site = request.membership.site  # type: ignore[attr-defined]
    return site


def may_write(request: HttpRequest) -> bool:
    """Return whether the user may change the facts of the site."""
    return request.membership.role in WRITERS  # type: ignore[attr-defined]


def fact_page(*methods: str) -> Callable[[View], View]:
    """Let members of a site in to read, and those who work there to write; strangers find nothing."""

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if not request.membership:  # type: ignore[attr-defined]
                raise Http404("no site of yours")
            if request.method == "POST" and not may_write(request):
                raise PermissionDenied("readers read, technicians and administrators write")
            return view(request, *args, **kwargs)

        return login_required(require_http_methods([*methods, "HEAD"])(guarded))

    return decorate
