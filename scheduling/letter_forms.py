"""What people may choose of their letters, read from a form."""

from __future__ import annotations

import zoneinfo
from datetime import time
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import Person
from fleet.models.sites import check_time_zone
from scheduling.letter_choices import HABITS, Wish
from scheduling.models import LetterChoice

HOURS = [(f"{hour:02d}:00", f"{hour:02d}:00") for hour in range(24)]


class ChoicesForm(forms.Form):
    """One person's letters: which come, on which day and at what hour, by which clock."""

    time_zone = forms.CharField(
        label=_("Time zone of these hours"),
        required=False,
        max_length=64,
        validators=[check_time_zone],
        widget=forms.TextInput(attrs={"list": "zones", "autocomplete": "off", "spellcheck": "false"}),
    )

    def __init__(self, person: Person, wishes: list[Wish], data: Any = None) -> None:
        initial: dict[str, Any] = {
            "time_zone": next((wish.time_zone for wish in wishes if wish.time_zone), "")
        }
        for wish in wishes:
            initial |= {
                f"{wish.kind}_wanted": wish.wanted,
                f"{wish.kind}_day": wish.day,
                f"{wish.kind}_at": f"{wish.at:%H:%M}",
            }
        super().__init__(data, initial=initial, prefix=f"person{person.pk}")
        self.person, self.wishes = person, wishes
        self.fields["time_zone"].widget.attrs["placeholder"] = person.site.time_zone
        for wish in wishes:
            self._add(wish)

    def _add(self, wish: Wish) -> None:
        """Add the fields of one kind; an alert comes when it comes."""
        habit = HABITS[wish.kind]
        self.fields[f"{wish.kind}_wanted"] = forms.BooleanField(
            label=habit.title, help_text=habit.words, required=False
        )
        if not habit.weekly:
            return
        self.fields[f"{wish.kind}_day"] = forms.TypedChoiceField(
            label=_("Day"), choices=LetterChoice.Day.choices, coerce=int
        )
        at = f"{wish.at:%H:%M}"
        hours = HOURS if (at, at) in HOURS else sorted([*HOURS, (at, at)])
        self.fields[f"{wish.kind}_at"] = forms.TypedChoiceField(
            label=_("Hour"), choices=hours, coerce=time.fromisoformat
        )

    def kinds(self) -> list[dict[str, Any]]:
        """Return the fields kind by kind, for the template."""
        return [
            {
                name: self[f"{wish.kind}_{name}"]
                for name in ("wanted", "day", "at")
                if f"{wish.kind}_{name}" in self.fields
            }
            for wish in self.wishes
        ]

    def chosen(self) -> list[Wish]:
        """Return what was chosen; only after the form was found valid."""
        data = self.cleaned_data
        return [
            Wish(
                person=self.person,
                kind=wish.kind,
                wanted=data[f"{wish.kind}_wanted"],
                day=data.get(f"{wish.kind}_day", wish.day),
                at=data.get(f"{wish.kind}_at", wish.at),
                time_zone=data["time_zone"],
            )
            for wish in self.wishes
        ]


def zones() -> list[str]:
    """Return the time zones to choose from."""
    return sorted(
        zone for zone in zoneinfo.available_timezones() if "/" in zone and not zone.startswith("Etc")
    )
