"""What people fill in to learn what holding a room's humidity would be worth."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import Room, Site
from scheduling.holding import Question
from scheduling.scenario_forms import DayInput


class HoldingForm(forms.Form):
    """A room, a band and the day from which it is held."""

    room = forms.ModelChoiceField(Room.objects.none(), label=_("Room"), empty_label="–")
    low = forms.FloatField(label=_("not below, %"), min_value=0, max_value=100, initial=40)
    high = forms.FloatField(label=_("not above, %"), min_value=0, max_value=100, initial=55)
    first = forms.DateField(label=_("from"), widget=DayInput(format="%Y-%m-%d"))

    def __init__(self, *args: Any, site: Site, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        rooms = Room.objects.of_site(site).select_related("site").order_by("name")
        self.fields["room"].queryset = rooms  # type: ignore[attr-defined]
        self.fields["first"].initial = today

    def question(self) -> Question:
        """What is asked."""
        said = self.cleaned_data
        return Question(said["room"], said["low"] / 100, said["high"] / 100, said["first"])
