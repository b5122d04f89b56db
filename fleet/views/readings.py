"""The address at which loggers post readings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.exceptions import RequestDataTooBig
from django.http import HttpRequest, JsonResponse, UnreadablePostError
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_POST

from fleet import posted, posted_lines, ways_in
from fleet.models import WayIn
from fleet.posted_lines import Line
from fleet.refusal import Refused

READERS: dict[str, Callable[[str], list[Line]]] = {
    "application/json": posted_lines.lines_of_json,
    "text/csv": posted_lines.lines_of_csv,
}


@csrf_exempt  # a secret in a header is nothing that a browser sends along by itself
@require_POST
def post_readings(request: HttpRequest) -> JsonResponse:
    """Take readings from whoever has a secret, and answer line by line."""
    now = timezone.now()
    way_in = _way_in(request)
    if way_in is None:
        answer = _no(401, "no way in", accepted="Authorization: Bearer SECRET, not revoked")
        answer["WWW-Authenticate"] = 'Bearer realm="readings"'
        return answer
    if not ways_in.may_come_again(way_in, now):
        accepted = f"{ways_in.MOST_REQUESTS} a minute, of many lines each"
        answer = _no(429, "too many requests", accepted=accepted)
        answer["Retry-After"] = str(int(ways_in.MINUTE.total_seconds()))
        return answer
    reader = READERS.get(request.content_type or "")
    if reader is None:
        return _no(415, "not that kind of body", value=request.content_type, accepted=" or ".join(READERS))
    return _answer(request, way_in, reader)


def _way_in(request: HttpRequest) -> WayIn | None:
    scheme, _, secret = request.headers.get("Authorization", "").partition(" ")
    return ways_in.open_way_in(secret.strip()) if scheme.lower() == "bearer" else None


def _answer(request: HttpRequest, way_in: WayIn, reader: Callable[[str], list[Line]]) -> JsonResponse:
    """Read the body, store what is good and say what became of each line."""
    try:
        if int(request.headers.get("Content-Length") or 0) > posted_lines.LARGEST_BODY:
            raise RequestDataTooBig
        lines = reader(request.body.decode("utf-8"))
        taken = posted.take_posted(way_in, lines, timezone.now())
    except (RequestDataTooBig, UnreadablePostError):
        return _no(413, "the body is too large", accepted=f"at most {posted_lines.LARGEST_BODY:,} bytes")
    except UnicodeDecodeError as error:
        return _no(400, f"not UTF-8 at byte {error.start}", accepted="UTF-8")
    except Refused as refusal:
        said = {name: getattr(refusal, name) for name in ("line", "column", "value", "accepted")}
        return _no(400, refusal.message, **said)
    document = taken.document()
    nothing_good = bool(lines) and document["refused"] == len(lines)
    return JsonResponse(document, status=422 if nothing_good else 200)


def _no(status: int, message: str, **said: Any) -> JsonResponse:
    """Refuse a request as a whole; nothing is stored."""
    known = {name: value for name, value in said.items() if value is not None}
    return JsonResponse({"message": message, **known}, status=status)
