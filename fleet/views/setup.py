"""The pages on which kinds of service, people, terms and days off of a site are set."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.db.models import Prefetch
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet import days_off
from fleet.models import Absence, Person, ServiceKind, Term
from fleet.names import name_of
from fleet.refusal import Refused
from fleet.setup import changes
from fleet.setup.people_forms import AbsenceForm, PersonForm, TermForm
from fleet.setup.service_forms import KindForm, RulesForm, rules_of
from fleet.views.door import is_administrator, settings_page, site_of

SHOWN_AHEAD = timedelta(days=550)
LONGEST_NAME = 120


def _page(request: HttpRequest, template: str, status: int = 200, **context: Any) -> HttpResponse:
    context["may_set"] = is_administrator(request)
    return render(request, f"setup/{template}.html", context, status=status)


def _posted(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


def _kept(request: HttpRequest) -> None:
    messages.info(request, _("Kept. Forecasts take it in at once, plans when they are made next."))


@settings_page("GET", "POST")
def service_kinds(request: HttpRequest) -> HttpResponse:
    """Show the kinds of service with their figures, and add one."""
    site = site_of(request)
    form = KindForm(site, _posted(request))
    if form.is_valid():
        changes.add_kind(form.save(commit=False), form.figures())
        _kept(request)
        return redirect("set_services")
    rows = ServiceKind.objects.of_site(site).prefetch_related("rules")
    shown = [{"kind": kind, "rules": rules_of(kind)} for kind in rows]
    return _page(request, "services", 422 if form.errors else 200, kinds=shown, form=form)


@settings_page("GET", "POST")
def service_kind(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and store the figures of one kind of service."""
    kind = get_object_or_404(ServiceKind.objects.of_site(site_of(request)), pk=pk)
    form = RulesForm(kind, _posted(request))
    if form.is_valid():
        changes.store_rules(kind, form.said())
        _kept(request)
        return redirect("set_service", kind.pk)
    return _page(request, "service", 422 if form.errors else 200, kind=kind, form=form)


@settings_page("POST")
def reset_service(request: HttpRequest, pk: int) -> HttpResponse:
    """Give a kind of service the figures back that a site starts with."""
    kind = get_object_or_404(ServiceKind.objects.of_site(site_of(request)), pk=pk)
    _try(request, lambda: changes.reset_rules(kind))
    return redirect("set_service", kind.pk)


@settings_page("GET")
def people(request: HttpRequest) -> HttpResponse:
    """Show who works at the site, pays for it or gets its letters."""
    ahead = Prefetch("absences", Absence.objects.filter(last_day__gte=timezone.localdate()), "away_next")
    rows = Person.objects.of_site(site_of(request)).select_related("user").prefetch_related(ahead)
    return _page(request, "people", people=rows)


@settings_page("GET", "POST")
def new_person(request: HttpRequest) -> HttpResponse:
    """Add a person."""
    form = PersonForm(site_of(request), _posted(request))
    if form.is_valid():
        changes.store(site_of(request), form.save(commit=False))
        _kept(request)
        return redirect("set_people")
    return _page(request, "person", 422 if form.errors else 200, form=form)


@settings_page("GET", "POST")
def person(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and change a person, with the days away."""
    one = get_object_or_404(Person.objects.of_site(site_of(request)), pk=pk)
    form = PersonForm(site_of(request), _posted(request), instance=one)
    if form.is_valid():
        changes.store(site_of(request), form.save(commit=False))
        _kept(request)
        return redirect("set_people")
    name = Person.objects.values_list("name", flat=True).get(pk=pk)
    context = {"form": form, "pk": pk, "name": name, "absences": one.absences.all()}
    return _page(request, "person", 422 if form.errors else 200, **context, away=AbsenceForm(one))


@settings_page("POST")
def add_absence(request: HttpRequest, pk: int) -> HttpResponse:
    """Note days on which a person does not work."""
    one = get_object_or_404(Person.objects.of_site(site_of(request)), pk=pk)
    form = AbsenceForm(one, request.POST)
    if form.is_valid():
        changes.store(site_of(request), form.save(commit=False))
        _kept(request)
        return redirect("set_person", pk)
    context = {"form": PersonForm(site_of(request), instance=one), "pk": pk, "name": one.name}
    return _page(request, "person", 422, **context, absences=one.absences.all(), away=form)


@settings_page("POST")
def remove_absence(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a person be there after all."""
    one = get_object_or_404(Absence.objects.of_site(site_of(request)), pk=pk)
    changes.remove(one)
    _kept(request)
    return redirect("set_person", one.person_id)


@settings_page("GET", "POST")
def terms(request: HttpRequest) -> HttpResponse:
    """Show the terms and add one."""
    form = TermForm(site_of(request), _posted(request))
    if form.is_valid():
        changes.store(site_of(request), form.save(commit=False))
        _kept(request)
        return redirect("set_terms")
    rows = Term.objects.of_site(site_of(request))
    return _page(request, "terms", 422 if form.errors else 200, terms=rows, form=form)


@settings_page("GET", "POST")
def term(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and change a term, or remove it."""
    one = get_object_or_404(Term.objects.of_site(site_of(request)), pk=pk)
    if request.method == "POST" and "remove" in request.POST:
        changes.remove(one)
        _kept(request)
        return redirect("set_terms")
    form = TermForm(site_of(request), _posted(request), instance=one)
    if form.is_valid():
        changes.store(site_of(request), form.save(commit=False))
        _kept(request)
        return redirect("set_terms")
    return _page(request, "term", 422 if form.errors else 200, form=form, pk=pk)


@settings_page("GET")
def free_days(request: HttpRequest) -> HttpResponse:
    """Show the days off to come, and whose calendar they are of."""
    site, today = site_of(request), timezone.localdate()
    asked = request.GET.get("country", site.holiday_country)
    context: dict[str, Any] = {
        "days": days_off.days(site, today, today + SHOWN_AHEAD),
        "until": today + SHOWN_AHEAD,
        "countries": days_off.countries().items(),
        "country": asked,
        "country_name": days_off.countries().get(site.holiday_country, ""),
        "parts": days_off.subdivisions(asked),
        "part": site.holiday_subdivision if asked == site.holiday_country else "",
        "asking": asked != site.holiday_country,
    }
    return _page(request, "days", **context)


@settings_page("POST")
def choose_calendar(request: HttpRequest) -> HttpResponse:
    """Choose whose public holidays nobody works on."""
    country, part = request.POST.get("country", ""), request.POST.get("part", "")
    _try(request, lambda: changes.store_calendar(site_of(request), country, part))
    return redirect("set_days")


@settings_page("POST")
def set_day(request: HttpRequest) -> HttpResponse:
    """Let one day be off, or worked."""
    name = name_of(request.POST.get("name", ""))[:LONGEST_NAME]
    free = request.POST.get("free") == "yes"
    _try(request, lambda: changes.set_day(site_of(request), _day(request), free, name))
    return redirect("set_days")


def _day(request: HttpRequest) -> date:
    text = request.POST.get("day", "").strip()
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise Refused("no date", column="day", value=text, accepted="a date such as 2026-12-24") from None
    if day.year not in days_off.YEARS:
        raise Refused("no date", column="day", value=text, accepted="a date of these years")
    return day


def _try(request: HttpRequest, act: Callable[[], None]) -> None:
    try:
        act()
    except Refused as refused:
        messages.error(request, str(refused))
    else:
        _kept(request)
