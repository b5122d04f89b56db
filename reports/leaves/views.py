"""The pages of the leaves, what their figures draw, and their tables as files."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone

from reports.doors import current_site, site_page
from reports.leaves.kinds import LEAVES
from reports.leaves.leaf import LeafKind
from reports.tables import TABLE_FILES


@site_page
def leaf(request: HttpRequest, name: str) -> HttpResponse:
    """Show one question about the fleet with its numbers."""
    kind = _kind(name)
    page = kind.build(current_site(request), request.GET, timezone.localdate())
    context = {"leaf": page, "kind": kind, "leaves": LEAVES, "files": TABLE_FILES}
    return render(request, kind.template, context)


@site_page
def leaf_figure(request: HttpRequest, name: str) -> JsonResponse:
    """Tell the browser what the figure of a leaf draws."""
    figure = _kind(name).build(current_site(request), request.GET, timezone.localdate()).figure()
    if figure is None:
        raise Http404("nothing to draw")
    return JsonResponse(figure)


@site_page
def leaf_file(request: HttpRequest, name: str, form_name: str) -> HttpResponse:
    """Hand out the numbers of a leaf."""
    form, today = TABLE_FILES.get(form_name), timezone.localdate()
    if form is None:
        raise Http404("no such file")
    sheet = _kind(name).build(current_site(request), request.GET, today).sheet()
    answer = HttpResponse(form.write([sheet]), content_type=form.content_type)
    file_name = f"fleet-{name}-{today.isoformat()}.{form_name}"
    answer["Content-Disposition"] = f'attachment; filename="{file_name}"'
    return answer


def _kind(name: str) -> LeafKind:
    if name not in LEAVES:
        raise Http404("no such leaf")
    return LEAVES[name]
