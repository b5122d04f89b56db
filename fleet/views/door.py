"""The door of pages on which facts are changed: members read them, technicians and administrators write."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from fleet.access import SiteQuerySet
from fleet.models import Membership, Role, Site

ModelT = TypeVar("ModelT", bound=models.Model)
View = Callable[..., HttpResponse]
WRITERS = (Role.TECHNICIAN, Role.ADMINISTRATOR)


def site_of(request: HttpRequest) -> Site:
    """Return the site the user's pages are about."""
    site: Site = request.membership.site  # type: ignore[attr-defined]
    return site


def may_write(request: HttpRequest) -> bool:
    """Return whether the user may change the facts of the site."""
    return request.membership.role in WRITERS  # type: ignore[attr-defined]


def is_administrator(request: HttpRequest) -> bool:
    """Return whether the user decides who belongs to the site and how it is set up."""
    return request.membership.role == Role.ADMINISTRATOR  # type: ignore[attr-defined,no-any-return]


def fact_page(*methods: str) -> Callable[[View], View]:
    """Let members of a site in to read, and those who work there to write; strangers find nothing."""

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if request.method == "POST" and not may_write(request):
                raise PermissionDenied("readers read, technicians and administrators write")
            return view(request, *args, **kwargs)

        return member_page(*methods)(guarded)

    return decorate


def member_page(*methods: str) -> Callable[[View], View]:
    """Let members of a site in, also to write what is theirs alone; strangers find nothing."""

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if not request.membership:  # type: ignore[attr-defined]
                raise Http404("no site of yours")
            return view(request, *args, **kwargs)

        # Where nothing can be read, nothing answers to HEAD either: what it would do is write.
        allowed = [*methods, "HEAD"] if "GET" in methods else list(methods)
        return login_required(require_http_methods(allowed)(guarded))

    return decorate


def settings_page(*methods: str) -> Callable[[View], View]:
    """Let members of a site in to read how it is set up, and administrators to change it."""
    return _by_administrators(("POST",), *methods)


def administrator_page(*methods: str) -> Callable[[View], View]:
    """Let only administrators of a site in, to read as well as to change."""
    return _by_administrators(("GET", "HEAD", "POST"), *methods)


def _by_administrators(theirs: tuple[str, ...], *methods: str) -> Callable[[View], View]:
    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if request.method in theirs and not is_administrator(request):
                raise PermissionDenied("this is for administrators of the site")
            return view(request, *args, **kwargs)

        return fact_page(*methods)(guarded)

    return decorate


def own_or_404(request: HttpRequest, rows: SiteQuerySet[ModelT], pk: int) -> ModelT:
    """Return the row if it belongs to any site of the user, and frame the page with that row's site."""
    row = get_object_or_404(rows.for_user(request.user), pk=pk)
    owner = getattr(row, "site_id", None) or row.instrument.site_id  # type: ignore[attr-defined]
    if owner != site_of(request).pk:
        _step_over(request, owner)
    return row


def _step_over(request: HttpRequest, site_id: int) -> None:
    """Show this one page in the frame of another of the user's sites; the session keeps its choice."""
    membership = Membership.objects.select_related("site").get(user=request.user, site=site_id)  # type: ignore[misc]
    request.membership = membership  # type: ignore[attr-defined]
    request.stepped_over = True  # type: ignore[attr-defined]
    timezone.activate(membership.site.zone)


def own_to_change(request: HttpRequest, rows: SiteQuerySet[ModelT], pk: int) -> ModelT:
    """Return the row if it belongs to any site of the user and may be changed there.

    Raises
    ------
    django.core.exceptions.PermissionDenied
        Where the user is a member of the row's site who only reads.
    """
    row = own_or_404(request, rows, pk)
    if not may_write(request):
        raise PermissionDenied("readers read, technicians and administrators write")
    return row
