"""One note request: what was reported, what has been done about it, and the form that answers it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet import requests
from fleet.models import NoteRequest, RequestState
from fleet.refusal import Refused
from fleet.reported import reported_line
from fleet.views.door import fact_page, may_write, own_or_404, own_to_change

SAID = {
    RequestState.OPEN: _("The request is open again."),
    RequestState.DONE: _("The request is closed; the player’s page says that it was put right."),
    RequestState.NOTHING_FOUND: _("The request is closed; the player’s page says that it was looked at."),
}


@fact_page("GET", "POST")
def one_request(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a request with its history; closing it asks what was found."""
    rows = NoteRequest.objects.select_related("instrument__site", "instrument__room")
    if request.method != "POST":
        one = own_or_404(request, rows, pk)
        return _show(
            request, one, {name: getattr(one, name) for name in ("state", "finding", "finding_shown")}
        )
    one = own_to_change(request, rows, pk)
    said = {"state": request.POST.get("state", ""), "finding": request.POST.get("finding", "")}
    answer: dict[str, Any] = {**said, "finding_shown": "finding_shown" in request.POST}
    try:
        requests.answer_request(one, **answer, user=request.user, now=timezone.now())
    except Refused as refusal:
        return _show(request, one, answer, refusal)
    messages.info(request, SAID[RequestState(answer["state"])])
    return redirect("requests")


def _show(
    request: HttpRequest, one: NoteRequest, answer: dict[str, Any], trouble: Refused | None = None
) -> HttpResponse:
    context = {
        "line": reported_line(one, one.instrument),
        "one": one,
        "changes": one.changes.order_by("-at", "-pk"),
        "answer": answer,
        "trouble": trouble,
        "may_write": may_write(request),
        "most": requests.MOST_FINDING,
    }
    return render(request, "fleet/request.html", context, status=400 if trouble else 200)
