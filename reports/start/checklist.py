"""What a site has and lacks, computed from its data, and what each would improve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.models import Booking, Instrument, Person, Role, Room, Service, Site
from scheduling.inputs import air_sources
from scheduling.models import FirstForecast, SeasonPlan


@dataclass(frozen=True)
class Item:
    """One thing that forecasts and plans rest on.

    `there` is "open" where it is there, "half" where some of it is, "full" where it is missing, as the marks
    of a state are called; `address` is where it is brought.
    """

    name: str
    there: str
    state: str
    sentence: str
    gain: str
    address: str
    link: str


def checklist(site: Site, newest: FirstForecast | None, administers: bool = False) -> list[Item]:
    """Return everything that a site's forecasts and plans rest on: as many queries for any number of rows.

    Whoever administers the site is led on to its settings where these are what there is to be done.
    """
    instruments = Instrument.objects.of_site(site).filter(retired_on=None).count()
    gains = newest.gains if newest else {}
    return [
        _instruments(instruments),
        _readings(site, gains),
        _services(site, instruments, gains),
        _hours(site, administers),
        _bookings(site),
        _plan(site),
    ]


def _where(*names: str) -> str:
    """Return the address of the first page that there is."""
    for name in names:
        try:
            return reverse(name)
        except NoReverseMatch:
            continue
    return ""


def _instruments(number: int) -> Item:
    said = ngettext("%(number)d instrument.", "%(number)d instruments.", number) % {"number": number}
    return Item(
        name=_("Instruments"),
        there="open" if number else "full",
        state=_("there") if number else _("missing"),
        sentence=said if number else _("Without instruments there is nothing to forecast."),
        gain="",
        address=_where("start"),
        link=_("bring more") if number else _("bring them"),
    )


def _readings(site: Site, gains: Mapping[str, Any]) -> Item:
    rooms = Room.objects.of_site(site).filter(instruments__retired_on=None).distinct().count()
    bare = air_sources(site)
    lacking = (
        Room.objects.of_site(site).filter(pk__in=list(bare), instruments__retired_on=None).distinct().count()
    )
    if not lacking and rooms:
        sentence, there, state = _("Every room with instruments is measured."), "open", _("there")
    elif lacking < rooms:
        sentence = _("%(lacking)d of %(rooms)d rooms have no readings: the air of others stands in for them.")
        there, state = "half", _("some")
    else:
        sentence = _(
            "No room has readings, so the forecast takes a usual year of heated rooms. Readings of any "
            "logger help; until then a sensor outdoors can stand in: a place marked as outdoors lends its "
            "air, heated, to every room."
        )
        there, state = "full", _("missing")
    return Item(
        name=_("Readings of the rooms' air"),
        there=there,
        state=state,
        sentence=sentence % {"lacking": lacking, "rooms": rooms},
        gain=_gain(gains.get("readings"), _("With a year of readings in its room")),
        address=_where("readings_uploads"),
        link=_("bring a logger's file"),
    )


def _services(site: Site, instruments: int, gains: Mapping[str, Any]) -> Item:
    rows = Service.objects.of_site(site).filter(instrument__retired_on=None)
    served = rows.values("instrument").distinct().count()
    found = rows.exclude(found=None).count()
    if not served:
        there, state = "full", _("missing")
        sentence = _(
            "No past service is known: each is supposed one usual interval ago, and how each instrument "
            "behaves is taken from its kind and use."
        )
    else:
        there, state = ("open", _("there")) if served >= instruments and found else ("half", _("some"))
        sentence = _(
            "%(served)d of %(all)d instruments have records; %(found)d records say what was found. "
            "That teaches how an instrument behaves; a date alone tells since when it moves."
        ) % {"served": served, "all": instruments, "found": found}
    return Item(
        name=_("Past services"),
        there=there,
        state=state,
        sentence=sentence,
        gain=_gain(gains.get("services"), _("With four tunings at which it was measured")),
        address=_where("start"),
        link=_("bring a table of services"),
    )


def _gain(row: Mapping[str, Any] | None, words: str) -> str:
    if not row:
        return ""
    return _(
        "%(words)s the due window of %(tag)s’s %(service)s would narrow from %(now)d to about %(then)d days."
    ) % {
        "words": words,
        "tag": row["instrument"],
        "service": row["service"],
        "now": row["now"],
        "then": row["then"],
    }


def _hours(site: Site, administers: bool) -> Item:
    people = Person.objects.of_site(site).filter(role=Role.TECHNICIAN)
    hours = sum(one or 0.0 for one in people.values_list("hours_per_week", flat=True))
    settings = bool(hours) and administers
    return Item(
        name=_("People's hours"),
        there="open" if hours else "full",
        state=_("there") if hours else _("missing"),
        sentence=_("%(hours)g h a week in all.") % {"hours": hours}
        if hours
        else _("Nobody has hours yet. Forecasts need none; a plan and its proof do, and so does the budget."),
        gain="",
        address=reverse("set_people") if settings else reverse("start_by_hand", args=["people"]),
        link=_("set their days, times and absences") if settings else _("enter people"),
    )


def _bookings(site: Site) -> Item:
    there = Booking.objects.filter(site=site).exists()
    return Item(
        name=_("Bookings"),
        there="open" if there else "full",
        state=_("there") if there else _("missing"),
        sentence=_("Concerts and lessons are known.")
        if there
        else _("Without bookings no tuning is planned for a concert, and visits may fall into lessons."),
        gain="",
        address=_where("bookings_in"),
        link=_("bring a calendar"),
    )


def _plan(site: Site) -> Item:
    there = SeasonPlan.objects.of_site(site).exists()
    return Item(
        name=_("Season plan"),
        there="open" if there else "full",
        state=_("there") if there else _("not yet"),
        sentence=_("A plan is there.")
        if there
        else _("After the first forecast a draft plan shares the hours out and proves how good it is."),
        gain="",
        address=_where("season_plan"),
        link=_("to the season plan"),
    )
