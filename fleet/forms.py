"""The form in which a service is recorded: few fields, words for signs, nothing asked needlessly."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.measures import Measure
from fleet.models import Service
from fleet.records import LONGEST_NOTE, MOST_MINUTES, Entry
from fleet.typed_numbers import read_number, write_number

OTHER = "other"
MORE, LESS, RIGHT = "more", "less", "right"
LONGEST_TOKEN = 64


class TypedNumber(forms.CharField):
    """A number with a decimal comma or point."""

    def __init__(self, **kwargs: Any) -> None:
        attrs = {"inputmode": "decimal", "autocomplete": "off", "enterkeyhint": "next"}
        super().__init__(required=False, max_length=12, widget=forms.TextInput(attrs=attrs), **kwargs)

    def clean(self, value: Any) -> float | None:
        """Return the number, None for nothing."""
        try:
            return read_number(super().clean(value))
        except ValueError as refused:
            raise forms.ValidationError(str(refused)) from None


class RecordForm(forms.Form):
    """One service as it is recorded on the day, or later."""

    day = forms.ChoiceField(widget=forms.RadioSelect, label=_("Day"))
    other_day = forms.DateField(required=False, widget=forms.DateInput(attrs={"type": "date"}), label=_("on"))
    minutes = forms.ChoiceField(required=False, widget=forms.RadioSelect, label=_("Minutes"))
    other_minutes = forms.IntegerField(
        required=False,
        min_value=1,
        max_value=MOST_MINUTES,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
        label=_("or"),
    )
    found = TypedNumber(label=_("As found, before any work"))
    found_side = forms.ChoiceField(required=False, widget=forms.RadioSelect)
    only_measured = forms.BooleanField(required=False, label=_("Nothing was done: left as found"))
    left = TypedNumber(label=_("As left, after the work"))
    left_side = forms.ChoiceField(required=False, widget=forms.RadioSelect)
    note = forms.CharField(
        required=False,
        max_length=LONGEST_NOTE,
        widget=forms.Textarea(attrs={"rows": 3}),
        label=_("Note"),
        strip=True,
    )
    hardener_at = forms.DateTimeField(required=False, label=_("Hardener applied at"))
    dry_at = forms.DateTimeField(required=False, label=_("Dry at"))
    token = forms.CharField(max_length=LONGEST_TOKEN, widget=forms.HiddenInput)
    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, measure: Measure, today: date, data: Mapping[str, Any] | None = None, **kwargs: Any):
        super().__init__(data, **kwargs)
        self.measure = measure
        days = (today, today - timedelta(days=1))
        words = (_("today"), _("yesterday"))
        offered: list[tuple[str, Any]] = [
            (day.isoformat(), word) for day, word in zip(days, words, strict=True)
        ]
        offered += [(said, said) for said in [_day_said(data)] if said and said not in dict(offered)]
        self._choices("day", [*offered, (OTHER, _("another day"))])
        self._choices("minutes", [(str(number), str(number)) for number in measure.minutes])
        if measure.signed:
            sides = [(MORE, measure.more), (LESS, measure.less), (RIGHT, measure.right)]
            self._choices("found_side", sides)
            self._choices("left_side", sides)
        for name in ("hardener_at", "dry_at"):
            self.fields[name].widget = forms.DateTimeInput(
                attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"
            )
        self.fields["other_day"].widget.attrs["max"] = today.isoformat()

    def _choices(self, name: str, choices: list[Any]) -> None:
        self.fields[name].choices = choices  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Join the parts of which a day, a time and a signed value are made."""
        said = super().clean() or self.cleaned_data
        said["on"] = self._day(said)
        said["spent"] = said.get("other_minutes") or int(said.get("minutes") or 0) or None
        for name in ("found", "left"):
            said[f"{name}_value"] = self._signed(name, said)
        if said.get("only_measured"):
            self._look_alone(said)
        return said

    def _look_alone(self, said: dict[str, Any]) -> None:
        if said["found_value"] is None and "found" not in self.errors:
            self.add_error("found", _("Nothing was done: what was found?"))
        if said["left_value"] is not None:
            self.add_error(
                "left", _("Nothing was done, so it was left as found: empty this, or untick that.")
            )
        if said["spent"] is None and not {"minutes", "other_minutes"} & set(self.errors):
            # Without them the budget would count the hours of a whole service.
            self.add_error("minutes", _("How long did the look take?"))

    def _day(self, said: dict[str, Any]) -> date | None:
        if said.get("day") != OTHER:
            if said.get("other_day"):
                self.add_error(
                    "other_day", _("A day is chosen above as well: choose “another day” for this one.")
                )
            return date.fromisoformat(said["day"]) if said.get("day") else None
        if not said.get("other_day") and "other_day" not in self.errors:
            self.add_error("other_day", _("On which day was it?"))
        return said.get("other_day")

    def _signed(self, name: str, said: dict[str, Any]) -> float | None:
        """Return a value with the sign that its words give it; without them a typed minus counts."""
        value: float | None = said.get(name)
        side = said.get(f"{name}_side")
        if side == RIGHT and not value:
            return 0.0
        if value is None or not self.measure.signed:
            return value
        if side == RIGHT:
            self.add_error(
                name, _("A number and “%(word)s”: which of the two is it?") % {"word": self.measure.right}
            )
        elif not side and value > 0:
            words = {"more": self.measure.more, "less": self.measure.less}
            self.add_error(name, _("Say which way: %(more)s or %(less)s.") % words)
        elif side and value < 0 and side == MORE:
            self.add_error(
                name, _("A minus and “%(word)s”: which of the two is it?") % {"word": self.measure.more}
            )
        return -abs(value) if side == LESS else value

    def entry(self) -> Entry:
        """Return what was said; what was found in the registers is not asked here."""
        said = self.cleaned_data
        return Entry(
            day=said["on"],
            minutes=said["spent"],
            found=said["found_value"],
            left=said["left_value"],
            note=said["note"],
            hardener_at=said["hardener_at"],
            dry_at=said["dry_at"],
            only_measured=said["only_measured"],
        )


def said_of(service: Service, measure: Measure, today: date) -> dict[str, Any]:
    """Return a record as its form would have been filled in."""
    days = {day.isoformat() for day in (today, today - timedelta(days=1))}
    day, minutes = service.date.isoformat(), str(service.minutes or "")
    usual = minutes in map(str, measure.minutes)
    values: dict[str, Any] = {
        "day": day if day in days else OTHER,
        "other_day": None if day in days else service.date,
        "minutes": minutes if usual else "",
        "other_minutes": "" if usual else minutes,
        "only_measured": service.only_measured,
        "note": service.note,
        "hardener_at": _local(service.hardener_at),
        "dry_at": _local(service.dry_at),
    }
    for name in ("found", "left"):
        values |= _side_of(name, getattr(service, name), measure)
    return values


def _side_of(name: str, value: float | None, measure: Measure) -> dict[str, Any]:
    if not measure.signed or value is None:
        return {name: write_number(value)}
    if not value:
        return {name: "", f"{name}_side": RIGHT}
    return {name: write_number(abs(value)), f"{name}_side": MORE if value > 0 else LESS}


def _local(instant: datetime | None) -> datetime | None:
    return timezone.localtime(instant).replace(tzinfo=None) if instant else None


def _day_said(data: Mapping[str, Any] | None) -> str:
    """Return the day of a form that was opened some days ago."""
    said = str((data or {}).get("day", ""))
    try:
        return date.fromisoformat(said).isoformat()
    except ValueError:
        return ""
