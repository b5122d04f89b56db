"""The start of a site: make it, bring a folder or a table, or enter instruments by hand."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from fleet import arrival_work, arrivals
from fleet.arrivals import Brought, may_make_sites, of_user
from fleet.middleware import SESSION_KEY
from fleet.models import Arrival, ArrivalKind, Membership, Role
from fleet.refusal import Refused
from fleet.sheet_import import take_lines
from fleet.sheets.meaning import MEANINGS
from fleet.sheets.rows import choices_of
from fleet.sites import create_site
from fleet.start_forms import ENTRIES, SiteForm, hand_lines, hand_rows
from fleet.start_page import arrival_page
from fleet.views.door import fact_page, may_write, site_of


@login_required
@require_safe
def start(request: HttpRequest) -> HttpResponse:
    """Show the ways to begin: for a new site, or with the site that the pages are about."""
    return _start(request, SiteForm())


def _start(request: HttpRequest, form: SiteForm, status: int = 200) -> HttpResponse:
    makes = may_make_sites(request.user)
    member = bool(request.membership)  # type: ignore[attr-defined]
    context = {
        "form": form if makes else None,
        "new": makes and (not member or "new" in request.GET or form.is_bound),
        "works_here": member and may_write(request),
        "brought": of_user(request.user)[:10],
        "largest": arrivals.LARGEST_FOLDER // 1_000_000,
    }
    return render(request, "fleet/start.html", context, status=status)


@login_required
@require_POST
@transaction.atomic
def start_site(request: HttpRequest) -> HttpResponse:
    """Make a site, with who makes it as its administrator."""
    if not may_make_sites(request.user):
        raise PermissionDenied("who has a site already asks its administrator")
    form = SiteForm(request.POST)
    if not form.is_valid():
        return _start(request, form, 422)
    site = create_site(**form.cleaned_data)
    Membership.objects.create(user=request.user, site=site, role=Role.ADMINISTRATOR)  # type: ignore[misc]
    request.session[SESSION_KEY] = site.pk
    messages.success(request, _("%(name)s is there. Now its instruments.") % {"name": site.name})
    return redirect("start")


@login_required
@require_POST
def bring_arrival(request: HttpRequest) -> HttpResponse:
    """Take in a folder, or a table for the site that the pages are about."""
    kind = request.POST.get("kind", "")
    if kind not in ArrivalKind.values:
        raise Http404("no such kind of thing to bring")
    site = None
    if kind == ArrivalKind.FOLDER:
        if not may_make_sites(request.user) and not _writes_here(request):
            raise PermissionDenied("readers read, technicians and administrators write")
    elif not request.membership:  # type: ignore[attr-defined]
        raise Http404("no site of yours")
    elif not may_write(request):
        raise PermissionDenied("readers read, technicians and administrators write")
    else:
        site = site_of(request)
    try:
        brought = Brought(kind, request.FILES.getlist("file"), site)
        arrival = arrivals.begin(brought, request.user, timezone.now())
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("start")
    _go_on(arrival)
    return redirect("arrival", arrival.pk)


def _writes_here(request: HttpRequest) -> bool:
    return bool(request.membership) and may_write(request)  # type: ignore[attr-defined]


def _go_on(arrival: Arrival) -> None:
    """Look at what is small while the person waits; leave the rest to a worker."""
    if arrival.size <= arrivals.SMALL:
        arrival_work.take_up(arrival.pk)
    else:
        arrivals.wake(arrival)


@login_required
@require_safe
def arrival(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what was brought: what it says, what is asked, what would be stored; only that where htmx asks."""
    row = get_object_or_404(of_user(request.user), pk=pk)
    template = "arrival_state" if request.htmx else "arrival"  # type: ignore[attr-defined]
    return render(request, f"fleet/{template}.html", {"page": arrival_page(row), "arrival": row})


@login_required
@require_POST
def choose_arrival(request: HttpRequest, pk: int) -> HttpResponse:
    """Keep what was answered about a table, or have what was shown stored."""
    row = get_object_or_404(of_user(request.user), pk=pk)
    try:
        said = {} if row.kind == ArrivalKind.FOLDER else _said(request, row)
        row = arrivals.answer(row, said, store=request.POST.get("act") == "store")
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        _go_on(row)
    return redirect("arrival", row.pk)


def _said(request: HttpRequest, row: Arrival) -> dict[str, Any]:
    """Return what the form says about a table."""
    asked = request.POST
    if not row.choices:
        return {}
    before = choices_of(row.choices)
    if asked.get("sheet", before.sheet) != before.sheet:
        return {"sheet": asked["sheet"], "meanings": [], "values": {}, "answers": {}, "order": ""}
    known = {one.name: one for one in MEANINGS[row.kind]}
    meanings = [asked.get(f"meaning_{place}", name) for place, name in enumerate(before.meanings)]
    meanings = [name if name in known else "" for name in meanings]
    twice = next((name for name in meanings if name and meanings.count(name) > 1), None)
    if twice:
        raise Refused(
            "two columns mean the same", value=str(known[twice].words), accepted="each meaning once"
        )
    values = {
        name: {
            word: _of(asked.get(f"word_{name}_{place}", said), known[name].values)
            for place, (word, said) in enumerate(sorted(words.items()))
        }
        for name, words in before.values.items()
        if name in known
    }
    answers = {
        name: asked.get(f"answer_{name}", before.answers.get(name, ""))[:120].strip() for name in known
    }
    return {
        "meanings": meanings,
        "values": values,
        "answers": answers,
        "order": asked.get("order", before.order),
    }


def _of(word: str, words: Any) -> str:
    return word if words is not None and word in words.known else ""


@login_required
@require_POST
def cancel_arrival(request: HttpRequest, pk: int) -> HttpResponse:
    """Give up what was brought."""
    row = get_object_or_404(of_user(request.user), pk=pk)
    if not arrivals.cancel(row, timezone.now()):
        messages.info(request, _("It was done already."))
    return redirect("arrival", row.pk)


@fact_page("GET", "POST")
def start_by_hand(request: HttpRequest, kind: str) -> HttpResponse:
    """Enter instruments or people in short rows: all are stored, or none and what is wrong is said."""
    if kind not in ENTRIES:
        raise Http404("nothing of this kind is entered by hand")
    sent = request.POST if request.method == "POST" else None
    rows, trouble = hand_rows(kind, sent), ""
    if sent is not None:
        try:
            lines = hand_lines(kind, rows)
            taken = take_lines(site_of(request), kind, lines, "", timezone.now(), store=True, only_new=True)
        except Refused as refused:
            trouble = str(refused)
        else:
            new = sum(one.new for file, one in taken.files.items() if file != "rooms.csv")
            messages.success(request, _("%(number)d stored.") % {"number": new})
            return redirect("start_next")
    context = {"rows": rows, "kind": kind, "trouble": trouble, "works_here": may_write(request)}
    context["rooms"] = site_of(request).rooms.values_list("name", flat=True)
    return render(request, "fleet/start_by_hand.html", context, status=422 if trouble else 200)
