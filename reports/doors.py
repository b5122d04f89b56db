"""The door of every page of a site: signed in, reading only, and a member of the site it shows."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

from django.contrib.auth.decorators import login_required
from django.db import models
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from fleet.access import SiteQuerySet
from fleet.models import Membership, Site

ModelT = TypeVar("ModelT", bound=models.Model)
View = Callable[..., HttpResponse]


def site_page(view: View) -> View:
    """Let members in to read; a user without any membership is told how a site comes about."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not request.membership:  # type: ignore[attr-defined]
            if kwargs:
                raise Http404("no such page of yours")
            return render(request, "reports/no_site.html")
        return view(request, *args, **kwargs)

    return login_required(require_safe(guarded))


def current_site(request: HttpRequest) -> Site:
    """Return the site whose pages the user is reading."""
    site: Site = request.membership.site  # type: ignore[attr-defined]
    return site


def own_or_404(request: HttpRequest, rows: SiteQuerySet[ModelT], pk: int) -> ModelT:
    """Return the row if it belongs to any site of the user, and frame the page with that row's site."""
    row = get_object_or_404(rows.for_user(request.user), pk=pk)
    if row.site_id != current_site(request).pk:  # type: ignore[attr-defined]
        _step_over(request, row.site_id)  # type: ignore[attr-defined]
    return row


def _step_over(request: HttpRequest, site_id: int) -> None:
    """Show this one page in the frame of another of the user's sites; the session keeps its choice."""
    membership = Membership.objects.select_related("site").get(user=request.user, site=site_id)  # type: ignore[misc]
    request.membership = membership  # type: ignore[attr-defined]
    request.stepped_over = True  # type: ignore[attr-defined]
    timezone.activate(membership.site.zone)
