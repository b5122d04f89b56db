"""Pages of the history: all that changed at a site, and what became of one thing."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from fleet.models import FactHistory
from fleet.removable import REMOVABLE
from reports.doors import current_site, site_page
from reports.queries import history as queries
from reports.queries.history_things import things_to_put_away

A_PAGE = 50


@site_page
def history(request: HttpRequest) -> HttpResponse:
    """Show what changed at the site, the newest first, of one kind of thing where asked."""
    site = current_site(request)
    rows = FactHistory.objects.of_site(site)
    known, subject = queries.subjects(site), request.GET.get("of", "")
    if subject in known:
        rows = rows.filter(subject=subject)
    page = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    context = {"page": page, "lines": queries.history_lines(page), "subjects": known, "subject": subject}
    return render(request, "reports/history_all.html", context)


@site_page
def fact_history(request: HttpRequest, subject: str, pk: int) -> HttpResponse:
    """Show what became of one thing and of what is shown on it."""
    kind = REMOVABLE.get(subject)
    if kind is None:
        raise Http404("no such thing")
    row = get_object_or_404(kind.model.objects.of_site(current_site(request)), pk=pk)  # type: ignore[attr-defined]
    rows = queries.history_of(current_site(request), kind.model._meta.label_lower, pk)
    page = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "lines": queries.history_lines(page),
        "kind": kind,
        "subject": subject,
        "row": row,
        "own_page": queries.PAGES.get(kind.model._meta.label_lower, ""),
        "things": things_to_put_away(row),
        "may_put_away": kind.may(request.membership.role),  # type: ignore[attr-defined]
    }
    return render(request, "reports/history_one.html", context)
