"""The page on which personal data are told and removed: one's own, and by an administrator anybody's."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from fleet.access import row_number
from fleet.commands import as_json
from fleet.models import Membership, Person, Role
from fleet.refusal import Refused
from scheduling.personal import removing, telling
from scheduling.personal.subject import Subject, of_person, of_user, with_words

LONGEST_WORDS = 500


@login_required
@require_http_methods(["GET", "HEAD"])
def personal_data(request: HttpRequest) -> HttpResponse:
    """Offer one's own data, and to an administrator those of everybody of the site."""
    return _page(request)


def _page(request: HttpRequest, trouble: Refused | None = None, chosen: Person | None = None) -> HttpResponse:
    membership = _membership(request)
    administrator = membership.role == Role.ADMINISTRATOR
    people = Person.objects.of_site(membership.site) if administrator else Person.objects.none()
    context = {
        "own": of_user(request.user).called,
        "people": people,
        "administrator": administrator,
        "trouble": trouble,
        "chosen": chosen,
    }
    return render(request, "scheduling/personal_data.html", context, status=400 if trouble else 200)


@login_required
@require_POST
def export_personal_data(request: HttpRequest) -> HttpResponse:
    """Hand out everything that names a person, as one document."""
    subject, _person = _subject(request)
    document = as_json(telling.tell(subject, timezone.now()))
    answer = HttpResponse(document, content_type="application/json; charset=utf-8")
    name = f"personal-data-{timezone.localdate().isoformat()}.json"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


@login_required
@require_POST
def remove_personal_data(request: HttpRequest) -> HttpResponse:
    """Take a person's name out of everything, once it was typed again."""
    subject, person = _subject(request)
    try:
        subject = with_words(subject, request.POST.get("words", "")[:LONGEST_WORDS].split("\n"))
        if request.POST.get("confirm", "").strip() != subject.called:
            raise Refused(
                _("The name was not typed as it stands there; nothing was removed."), accepted=subject.called
            )
        changed = removing.remove(subject, timezone.now())
    except Refused as refusal:
        return _page(request, refusal, person)
    if subject.user is not None and subject.user.pk == request.user.pk:
        logout(request)
        return redirect("login")
    said = _("The name is gone from %(rows)s rows; what was done to the instruments stays.")
    messages.success(request, said % {"rows": sum(changed.values())})
    return redirect("personal_data")


def _membership(request: HttpRequest) -> Membership:
    membership: Membership | None = request.membership or None  # type: ignore[attr-defined]
    if membership is None:
        raise Http404("no site of yours")
    return membership


def _subject(request: HttpRequest) -> tuple[Subject, Person | None]:
    """Return whom a form is about: oneself where it names nobody, else a person of a site one administers."""
    _membership(request)
    named: Any = request.POST.get("person", "")
    if not named:
        return of_user(request.user), None
    person = get_object_or_404(
        Person.objects.for_user(request.user).select_related("site", "user"), pk=row_number(named)
    )
    mine = Membership.objects.get(user=request.user, site=person.site_id)  # type: ignore[misc]
    if mine.role != Role.ADMINISTRATOR:
        raise PermissionDenied("of others an administrator decides")
    return of_person(person), person
