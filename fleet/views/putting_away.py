"""Pages on which things are put away, and brought back within thirty days."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet import putting_away
from fleet.models import Membership, PutAway, Role
from fleet.putting_away import KEPT_FOR
from fleet.refusal import Refused
from fleet.removable import REMOVABLE
from fleet.views.door import fact_page, site_of

A_PAGE = 50


@fact_page("GET", "POST")
def put_away(request: HttpRequest, subject: str, pk: int) -> HttpResponse:
    """Ask before a thing is put away, saying what goes with it; then do it."""
    kind = REMOVABLE.get(subject)
    if kind is None:
        raise Http404("nothing that can be put away")
    row = get_object_or_404(kind.model.objects.for_user(request.user), pk=pk)  # type: ignore[attr-defined]
    theirs = Membership.objects.select_related("site").get(  # type: ignore[misc]
        user=request.user, site=putting_away.site_of(row)
    )
    if not kind.may(theirs.role):
        raise PermissionDenied(
            "who only reads puts nothing away, and people and kinds are the administrator's"
        )
    request.membership = theirs  # type: ignore[attr-defined]
    trouble, hung = None, {}
    try:
        if request.method == "POST":
            kept = putting_away.put_away([row], timezone.now())
            messages.success(request, _("%(name)s is put away.") % {"name": kept.name})
            return redirect("put_away_list")
        hung = putting_away.what_hangs_on(row)
    except Refused as refusal:
        trouble = refusal
    context = {
        "kind": kind,
        "name": putting_away.called(row),
        "hung": hung,
        "trouble": trouble,
        "days": KEPT_FOR.days,
    }
    return render(
        request, "fleet/put_away.html", context, status=400 if trouble and request.method == "POST" else 200
    )


@fact_page("GET")
def put_away_list(request: HttpRequest) -> HttpResponse:
    """Show what was put away and can still be brought back."""
    rows = PutAway.objects.of_site(site_of(request)).defer("rows", "pointed")
    page = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    for kept in page:
        kept.until = kept.at + KEPT_FOR  # type: ignore[attr-defined]
    role = request.membership.role  # type: ignore[attr-defined]
    context = {"page": page, "may_bring_back": role == Role.ADMINISTRATOR, "days": KEPT_FOR.days}
    return render(request, "fleet/put_away_list.html", context)


@fact_page("POST")
def bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    """Bring a thing back with what hung on it."""
    kept = get_object_or_404(PutAway.objects.for_user(request.user), pk=pk)
    if not Membership.objects.filter(  # type: ignore[misc]
        user=request.user, site=kept.site_id, role=Role.ADMINISTRATOR
    ).exists():
        raise PermissionDenied("an administrator brings things back")
    try:
        name = putting_away.bring_back(kept, timezone.now())
        messages.success(request, _("%(name)s is back.") % {"name": name})
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("put_away_list")
