"""What is settled before any page: that its address is text, and which of a user's sites it is about."""

from __future__ import annotations

from collections.abc import Callable

from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.utils import timezone, translation
from django.utils.functional import SimpleLazyObject

from fleet.acting import Way, acting
from fleet.models import Membership

SESSION_KEY = "site"
ADMINISTRATION = "/admin/"


def current_membership(request: HttpRequest) -> Membership | None:
    """Return the membership chosen in this session, else the one chosen last, else the first by site name.

    All of them are put on the request, for the page that leads from one site to the others.
    """
    if not request.user.is_authenticated:
        return None
    last_chosen = F("chosen_at").desc(nulls_last=True)
    memberships = list(
        Membership.objects.filter(user=request.user)
        .select_related("site")
        .order_by(last_chosen, "site__name")
    )
    request.memberships = memberships  # type: ignore[attr-defined]
    chosen = request.session.get(SESSION_KEY)
    return next(
        (one for one in memberships if one.site_id == chosen), memberships[0] if memberships else None
    )


NUL = "\0"
NO_TEXT = "A character that is no text (NUL) stands in this address; please ask for it without."


class AddressMiddleware:
    """Refuse a NUL in what an address asks for: nobody types it there, and PostgreSQL looks up none.

    In a form it may have been pasted in; there whoever takes the words drops it, or says so beside them.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Serve the request unless there is such a character."""
        if any(NUL in text for _name, texts in request.GET.lists() for text in texts):
            return HttpResponse(NO_TEXT, status=400, content_type="text/plain; charset=utf-8")
        return self.get_response(request)


class ActingMiddleware:
    """Let the history of facts know who is at work and whether on a page or in the tables behind."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Serve the request with its user acting."""
        way = Way.ADMIN if request.path.startswith(ADMINISTRATION) else Way.PAGE
        with acting(way, lambda: getattr(request, "user", None)):
            return self.get_response(request)


class SiteMiddleware:
    """Put ``request.membership`` (lazily), the site's time zone and the member's language in force."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Serve the request in the time zone of the site it is about, and in the words its reader chose."""
        request.membership = SimpleLazyObject(lambda: current_membership(request))  # type: ignore[attr-defined]
        with timezone.override(None):
            if request.user.is_authenticated and request.membership:  # type: ignore[attr-defined]
                timezone.activate(request.membership.site.zone)  # type: ignore[attr-defined]
                if request.membership.language:  # type: ignore[attr-defined]
                    return self._in_the_words_of(request.membership.language, request)  # type: ignore[attr-defined]
            return self.get_response(request)

    def _in_the_words_of(self, language: str, request: HttpRequest) -> HttpResponse:
        with translation.override(language):
            request.LANGUAGE_CODE = translation.get_language()
            answer = self.get_response(request)
            answer.headers.setdefault("Content-Language", language)
            return answer


# What a page may ask of a device: nothing, since none of ours does.
PERMISSIONS = (
    "accelerometer",
    "autoplay",
    "camera",
    "display-capture",
    "encrypted-media",
    "fullscreen",
    "geolocation",
    "gyroscope",
    "magnetometer",
    "microphone",
    "midi",
    "payment",
    "picture-in-picture",
    "publickey-credentials-get",
    "screen-wake-lock",
    "usb",
    "xr-spatial-tracking",
)


class HeadersMiddleware:
    """Say with every answer that its page asks nothing of the device, and that no other origin may use it."""

    POLICY = ", ".join(f"{name}=()" for name in PERMISSIONS)

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Serve the request with these headers."""
        response = self.get_response(request)
        response.headers["Permissions-Policy"] = self.POLICY
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        return response
