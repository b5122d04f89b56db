"""The choice of a language: kept with whoever is signed in, and in a cookie for everybody else."""

from __future__ import annotations

from django.conf import settings
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods
from django.views.i18n import set_language

from fleet.models import Membership, Person


@require_http_methods(["GET", "HEAD", "POST"])
def choose_language(request: HttpRequest) -> HttpResponse:
    """Write pages, and the letters to whoever is signed in, in this language; by GET, ask in which.

    Pages that set no cookie, such as a player's, lead here instead of bearing the form themselves.
    """
    if request.method != "POST":
        return render(request, "fleet/language.html", {"back": request.GET.get("next", "/")})
    language = request.POST.get("language", "")
    if request.user.is_authenticated and language in dict(settings.LANGUAGES):
        with transaction.atomic():
            Membership.objects.filter(user=request.user).update(language=language)
            Person.objects.filter(user=request.user).update(language=language)
    return set_language(request)
