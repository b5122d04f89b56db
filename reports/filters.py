"""What people may ask of the lists: by place, kind, use, service, state and words, and in which order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import django_filters as filters
from django import forms
from django.db.models import Case, F, Q, QuerySet, When
from django.http import QueryDict
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from fleet.models import Instrument, NoteRequest, RequestState, Room, Site, UseClass
from reports.queries.instruments import pointed_at_forecast
from scheduling.models import ForecastState

USE_PLACE = Case(*(When(use_class=use, then=place) for place, use in enumerate(UseClass.values)))

# Each way of ordering, and the other way round; whoever has no such day or chance comes last either way.
ORDERS: dict[str, list[Any]] = {
    "due": [F("due").asc(nulls_last=True), F("out_now").desc(nulls_last=True), "tag"],
    "-due": [F("due").desc(nulls_last=True), "tag"],
    "out": [F("out_now").desc(nulls_last=True), "tag"],
    "-out": [F("out_now").asc(nulls_last=True), "tag"],
    "tag": ["tag"],
    "-tag": ["-tag"],
    "room": ["room__building", "room__name", "tag"],
    "-room": ["-room__building", "-room__name", "tag"],
    "use": [USE_PLACE.asc(), "tag"],
    "-use": [USE_PLACE.desc(), "tag"],
    "service": [F("shown_kind").asc(nulls_last=True), F("due").asc(nulls_last=True), "tag"],
    "-service": [F("shown_kind").desc(nulls_last=True), F("due").asc(nulls_last=True), "tag"],
    "age": ["year_built", "tag"],
    "-age": ["-year_built", "tag"],
}
ORDER_WORDS = [
    ("due", _("due first")),
    ("-due", _("due last")),
    ("out", _("most likely out")),
    ("-out", _("least likely out")),
    ("tag", _("by tag")),
    ("-tag", _("by tag, from the end")),
    ("room", _("by room")),
    ("-room", _("by room, from the end")),
    ("use", _("by use, concert first")),
    ("-use", _("by use, store first")),
    ("service", _("by service")),
    ("-service", _("by service, from the end")),
    ("age", _("oldest first")),
    ("-age", _("youngest first")),
]
STANDING = [("retired", _("retired"))]


class InstrumentFilter(filters.FilterSet):  # type: ignore[misc]
    """Narrows and orders the list of instruments of a site."""

    text = filters.CharFilter(method="having_words", label=_("Words"))
    building = filters.ChoiceFilter(field_name="room__building", label=_("Building"), empty_label=_("any"))
    room = filters.ModelChoiceFilter(queryset=Room.objects.none(), label=_("Room"), empty_label=_("any"))
    kind = filters.ChoiceFilter(label=_("Kind"), empty_label=_("any"))
    use_class = filters.ChoiceFilter(choices=UseClass.choices, label=_("Use"), empty_label=_("any"))
    service = filters.ChoiceFilter(method="left_to_pointing", label=_("Service"), empty_label=_("due first"))
    state = filters.ChoiceFilter(
        choices=ForecastState.choices, method="left_to_pointing", label=_("State"), empty_label=_("any")
    )
    due_before = filters.DateFilter(
        method="left_to_pointing",
        label=_("Due on or before"),
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
    )
    standing = filters.ChoiceFilter(
        choices=STANDING, method="left_to_pointing", label=_("Standing"), empty_label=_("in service")
    )
    order = filters.ChoiceFilter(
        choices=ORDER_WORDS[1:], method="left_to_pointing", label=_("Order"), empty_label=ORDER_WORDS[0][1]
    )

    class Meta:
        model = Instrument
        fields: list[str] = []

    def __init__(self, data: Any, queryset: QuerySet[Instrument], *, site: Site) -> None:
        super().__init__(data, queryset=queryset)
        rooms = list(Room.objects.of_site(site))
        self.filters["room"].queryset = Room.objects.of_site(site)
        self.filters["building"].extra["choices"] = _same(sorted({r.building for r in rooms if r.building}))
        kinds = Instrument.objects.of_site(site).order_by("kind").values_list("kind", flat=True).distinct()
        self.filters["kind"].extra["choices"] = _same(kinds)
        self.filters["service"].extra["choices"] = _same(site.service_kinds.values_list("kind", flat=True))
        self.form.fields["text"].widget = forms.TextInput(attrs={"type": "search", "autocomplete": "off"})

    def having_words(self, rows: QuerySet[Instrument], name: str, value: str) -> QuerySet[Instrument]:
        """Keep those that have each of the words in tag, maker, model, serial, kind, room or building."""
        for word in value.split():
            rows = rows.filter(
                Q(tag__icontains=word)
                | Q(maker__icontains=word)
                | Q(model__icontains=word)
                | Q(serial__icontains=word)
                | Q(kind__icontains=word)
                | Q(room__name__icontains=word)
                | Q(room__building__icontains=word)
            )
        return rows

    def left_to_pointing(self, rows: QuerySet[Instrument], name: str, value: str) -> QuerySet[Instrument]:
        """What chooses the forecast that is shown is applied together at the end."""
        return rows

    def filter_queryset(self, queryset: Any) -> Any:
        """Apply the filters, point each instrument at its forecast and put them in order."""
        chosen = self.form.cleaned_data
        rows = (
            super().filter_queryset(queryset).filter(retired_on__isnull=chosen.get("standing") != "retired")
        )
        wanted = {"kind": "service", "state": "state", "due_middle__lte": "due_before"}
        rows = pointed_at_forecast(
            rows, **{path: chosen[name] for path, name in wanted.items() if chosen.get(name)}
        )
        return rows.order_by(*ORDERS[chosen.get("order") or "due"])


class RequestFilter(filters.FilterSet):  # type: ignore[misc]
    """Narrows the list of note requests; open ones unless all are asked for."""

    state = filters.ChoiceFilter(choices=RequestState.choices, label=_("State"), empty_label=_("all"))
    text = filters.CharFilter(method="having_words", label=_("Words"))

    class Meta:
        model = NoteRequest
        fields: list[str] = []

    def having_words(self, rows: QuerySet[NoteRequest], name: str, value: str) -> QuerySet[NoteRequest]:
        """Keep requests each of whose wanted words stands in symptom, words, tag or room."""
        for word in value.split():
            rows = rows.filter(
                Q(symptom__icontains=word)
                | Q(words__icontains=word)
                | Q(instrument__tag__icontains=word)
                | Q(instrument__room__name__icontains=word)
            )
        return rows


def _same(values: Any) -> list[tuple[str, str]]:
    return [(value, value) for value in values]


@dataclass(frozen=True)
class Head:
    """A column by which the list can be put in order: its words, how it is sorted now, and the next way."""

    name: str
    words: str | Promise
    sorted: str
    query: str


COLUMNS = (
    ("tag", _("Instrument")),
    ("room", _("Room")),
    ("use", _("Use")),
    ("service", _("Service")),
    ("due", _("Due")),
    ("out", _("Window")),
)


def heads(asked: QueryDict) -> list[Head]:
    """Return the columns of the list of instruments, each with the address that sorts by it."""
    order = asked.get("order") or "due"
    found = []
    for name, words in COLUMNS:
        turned = f"-{name}"
        state = {name: "ascending", turned: "descending"}.get(order, "")
        kept = asked.copy()
        kept.pop("page", None)
        kept["order"] = turned if order == name else name
        found.append(Head(name, words, state, kept.urlencode()))
    return found
