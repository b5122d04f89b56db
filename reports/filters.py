"""What people may ask of the lists: by place, kind, use, service, state and words, and in which order."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django import forms
from django.db.models import F, Q, QuerySet
from django.utils.translation import gettext_lazy as _

from fleet.models import Instrument, NoteRequest, RequestState, Room, Site, UseClass
from reports.queries.instruments import pointed_at_forecast
from scheduling.models import ForecastState

ORDERS: dict[str, list[Any]] = {
    "due": [F("due").asc(nulls_last=True), F("out_now").desc(nulls_last=True), "tag"],
    "out": [F("out_now").desc(nulls_last=True), "tag"],
    "tag": ["tag"],
    "room": ["room__building", "room__name", "tag"],
    "age": ["year_built", "tag"],
}
ORDER_WORDS = [
    ("due", _("due first")),
    ("out", _("most likely out")),
    ("tag", _("by tag")),
    ("room", _("by room")),
    ("age", _("oldest first")),
]


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
        """Keep instruments each of whose wanted words stands in tag, maker, model, serial, kind or room."""
        for word in value.split():
            rows = rows.filter(
                Q(tag__icontains=word)
                | Q(maker__icontains=word)
                | Q(model__icontains=word)
                | Q(serial__icontains=word)
                | Q(kind__icontains=word)
                | Q(room__name__icontains=word)
            )
        return rows

    def left_to_pointing(self, rows: QuerySet[Instrument], name: str, value: str) -> QuerySet[Instrument]:
        """Service and state choose the forecast that is shown, so they are applied together at the end."""
        return rows

    def filter_queryset(self, queryset: Any) -> Any:
        """Apply the filters, point each instrument at its forecast and put them in order."""
        chosen = self.form.cleaned_data
        rows = pointed_at_forecast(
            super().filter_queryset(queryset), chosen.get("service") or "", chosen.get("state") or ""
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
