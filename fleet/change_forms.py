"""What people fill in to change many instruments at once; each form gives the change it asks for."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from fleet.access import row_number
from fleet.instrument_changes import (
    MOST_HOURS,
    Change,
    Move,
    PlayingChange,
    Retirement,
    Return,
    UseChange,
    What,
)
from fleet.models import Room, Site, UseClass

MOST_AT_ONCE = 2000


class ChangeForm(forms.Form):
    """A change of a fact, of the instruments of one site."""

    title: str | Promise = ""

    def __init__(self, *args: Any, site: Site, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.site, self.today = site, today
        if "from_day" in self.fields:
            self.fields["from_day"].initial = today

    def change(self) -> Change:
        """Return what a valid form asks for."""
        raise NotImplementedError


def _day_field() -> forms.DateField:
    return forms.DateField(
        label=_("From the day"), widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )


class RoomForm(ChangeForm):
    """Move to another room from a day on."""

    title = _("Move to another room")
    to_room = forms.ModelChoiceField(label=_("To the room"), queryset=Room.objects.none(), empty_label=None)
    from_day = _day_field()

    def __init__(self, *args: Any, site: Site, today: date, **kwargs: Any) -> None:
        super().__init__(*args, site=site, today=today, **kwargs)
        rooms = Room.objects.of_site(site).filter(outdoors=False).order_by("building", "name")
        self.fields["to_room"].queryset = rooms  # type: ignore[attr-defined]

    def change(self) -> Change:
        """Return the move."""
        return Move(self.cleaned_data["to_room"], self.cleaned_data["from_day"])


class UseForm(ChangeForm):
    """Another use class."""

    title = _("Change the use")
    to_use = forms.ChoiceField(label=_("To the use"), choices=UseClass.choices)

    def change(self) -> Change:
        """Return the change of use."""
        return UseChange(self.cleaned_data["to_use"])


class PlayingForm(ChangeForm):
    """Hours played a week."""

    title = _("Change the hours played a week")
    hours = forms.FloatField(
        label=_("Hours played a week"),
        min_value=0,
        max_value=MOST_HOURS,
        required=False,
        help_text=_("Left empty, the hours usual for the use count."),
    )

    def change(self) -> Change:
        """Return the change of hours."""
        return PlayingChange(self.cleaned_data["hours"])


class RetireForm(ChangeForm):
    """Out of service from a day on."""

    title = _("Retire")
    from_day = _day_field()

    def change(self) -> Change:
        """Return the retirement."""
        return Retirement(self.cleaned_data["from_day"])


class ReturnForm(ChangeForm):
    """Back in service."""

    title = _("Bring back into service")

    def change(self) -> Change:
        """Return the return."""
        return Return()


CHANGE_FORMS: dict[str, type[ChangeForm]] = {
    What.ROOM.value: RoomForm,
    What.USE_CLASS.value: UseForm,
    What.PLAYING.value: PlayingForm,
    What.RETIRED.value: RetireForm,
    What.RETURNED.value: ReturnForm,
}


def chosen_numbers(text: str) -> set[int]:
    """Return the numbers of rows that a form names, apart by spaces; 0 stands for what is no number."""
    return {row_number(part) for part in text.split()}
