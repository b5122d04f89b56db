"""The door of every page of a site: signed in, reading only, and a member of the site it shows."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from fleet.views.door import own_or_404
from fleet.views.door import site_of as current_site

__all__ = ["current_site", "own_or_404", "site_page"]

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
