"""The pages of the letters: what each has come to, which come and when, and the link that stops them."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from fleet.refusal import Refused
from fleet.views.door import fact_page, may_write, site_of
from scheduling import letter_shelf, stop_links
from scheduling.letter_choices import HABITS, choose, wishes_of
from scheduling.letter_forms import ChoicesForm, zones
from scheduling.letter_trouble import send_again

PAGE_SIZE = 40


@fact_page("GET")
def letter_list(request: HttpRequest) -> HttpResponse:
    """Show the letters of a site, the newest first, and those in trouble by name."""
    rows = letter_shelf.shown_to(request.membership, request.user)  # type: ignore[attr-defined]
    if only := request.GET.get("state") == "trouble":
        rows = rows.filter(state__in=("refused", "unknown"))
    page = Paginator(rows, PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "lines": [letter_shelf.line(letter) for letter in page],
        "only": only,
        "trouble": letter_shelf.in_trouble(site_of(request)),
        "may_write": may_write(request),
        "habits": HABITS,
    }
    return render(request, "scheduling/letters.html", context)


@fact_page("GET")
def letter(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the words of one letter."""
    rows = letter_shelf.shown_to(request.membership, request.user)  # type: ignore[attr-defined]
    one = get_object_or_404(rows, pk=pk)
    context = {
        "line": letter_shelf.line(one),
        "words": letter_shelf.words_for(one, request.user),
        "habit": HABITS.get(one.kind),
        "may_write": may_write(request),
    }
    return render(request, "scheduling/letter.html", context)


@fact_page("POST")
def letter_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Send a letter once more at the wish of a person."""
    rows = letter_shelf.shown_to(request.membership, request.user)  # type: ignore[attr-defined]
    one = get_object_or_404(rows, pk=pk)
    try:
        send_again(one, timezone.now(), request.user.get_username())
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.info(request, _("The letter to %(name)s goes out again.") % {"name": one.person})
    return redirect("letters")


@never_cache
@fact_page("GET", "POST")
def letter_choices(request: HttpRequest) -> HttpResponse:
    """Show and store which letters come to whom, on which day and at what hour."""
    people = letter_shelf.people_to_choose_for(request.membership, request.user)  # type: ignore[attr-defined]
    asked = request.POST.get("person", "")
    if request.method == "POST" and asked not in {str(person.pk) for person in people}:
        raise Http404("nobody whose letters you choose")
    forms = []
    for person, wishes in wishes_of(people):
        data = request.POST if asked == str(person.pk) else None
        forms.append(form := ChoicesForm(person, wishes, data))
        if data and form.is_valid():
            choose(person, form.chosen(), timezone.now(), request.user.get_username())
            messages.info(request, _("The letters of %(name)s are as you chose.") % {"name": person.name})
            return redirect("letter_choices")
    context = {"forms": [form for form in forms if form.wishes], "zones": zones(), "asked": asked}
    return render(request, "scheduling/letter_choices.html", context)


@csrf_exempt  # mail programs post here without having read a page (RFC 8058); the signed address is the key
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def stop_letters(request: HttpRequest, token: str) -> HttpResponse:
    """Stop one kind of letter to one person, or let it come again; reading the page changes nothing."""
    one = stop_links.read(token)
    if one is None:
        raise Http404("no such link")
    if request.method == "POST":
        act = stop_links.resume if "again" in request.POST else stop_links.stop
        act(one, timezone.now())
    context = {"one": one, "answered": request.method == "POST"}
    return render(request, "scheduling/stop_letters.html", context)
