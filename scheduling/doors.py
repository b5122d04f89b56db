"""The door of every page that changes a decision: signed in, and one of those who work at the row's site."""

from __future__ import annotations

from typing import Any, TypeVar

from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import Http404, HttpRequest
from django.shortcuts import get_object_or_404
from django.utils import timezone

from fleet.access import SiteQuerySet
from fleet.models import Membership, Site
from fleet.views.door import WRITERS
from scheduling.season_changes import Author, author

ModelT = TypeVar("ModelT", bound=models.Model)


def working_site(request: HttpRequest) -> Site:
    """Return the site the request is about, for somebody who works there; a reader is refused."""
    membership: Membership | None = request.membership or None  # type: ignore[attr-defined]
    if membership is None:
        raise Http404("no site of yours")
    return _working(membership)


def workable_or_404(
    request: HttpRequest, rows: SiteQuerySet[ModelT], pk: int, site_of: Any
) -> tuple[ModelT, Author]:
    """Return a row of any site at which the user works, and the user as author; in that site's time zone.

    Strangers are told nothing of it (404), readers that they may only read (403).
    """
    row = get_object_or_404(rows.for_user(request.user), pk=pk)
    site = site_of(row)
    membership = Membership.objects.select_related("site").get(user=request.user, site=site)  # type: ignore[misc]
    _working(membership)
    timezone.activate(site.zone)
    return row, author(request.user, site)


def _working(membership: Membership) -> Site:
    if membership.role not in WRITERS:
        raise PermissionDenied("readers read; technicians and administrators change what is planned")
    return membership.site
