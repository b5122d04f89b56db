"""The health page."""

from __future__ import annotations

from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from scheduling import health


@require_safe
@never_cache
def healthz(request: HttpRequest) -> JsonResponse:
    """Tell the state of the installation to anybody, without names: 200 when all is well, else 503."""
    state = health.check(timezone.now())
    return JsonResponse(state.document, status=200 if state.well else 503)
