"""What is settled before any page: which of a user's sites a request is about, and that it is text."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.functional import SimpleLazyObject

from fleet.models import Membership

SESSION_KEY = "site"


def current_membership(request: HttpRequest) -> Membership | None:
    """Return the membership the user last chose, else the first one by site name."""
    if not request.user.is_authenticated:
        return None
    memberships = list(
        Membership.objects.filter(user=request.user).select_related("site").order_by("site__name")
    )
    chosen = request.session.get(SESSION_KEY)
    return next(
        (one for one in memberships if one.site_id == chosen), memberships[0] if memberships else None
    )


NUL = "\0"
NO_TEXT = "A character that is no text (NUL) stands in what was sent; please send it again without."


class TextMiddleware:
    """Refuse a NUL in an address or a form: nobody types it, and PostgreSQL stores and looks up none.

    It stands after the check of forms for their token, which has read the form by then; where that check is
    left out, the view reads its body as it sees fit.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Serve the request."""
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], *_rest: Any
    ) -> HttpResponse | None:
        """Refuse before the view is asked."""
        said = [request.GET]
        if request.method == "POST" and not getattr(view, "csrf_exempt", False):
            said.append(request.POST)
        if any(NUL in text for one in said for _name, texts in one.lists() for text in texts):
            return HttpResponse(NO_TEXT, status=400, content_type="text/plain; charset=utf-8")
        return None


class SiteMiddleware:
    """Put ``request.membership`` (lazily) and the site's time zone in force for the request."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Serve the request in the time zone of the site it is about."""
        request.membership = SimpleLazyObject(lambda: current_membership(request))  # type: ignore[attr-defined]
        with timezone.override(None):
            if request.user.is_authenticated and request.membership:  # type: ignore[attr-defined]
                timezone.activate(request.membership.site.zone)  # type: ignore[attr-defined]
            return self.get_response(request)
