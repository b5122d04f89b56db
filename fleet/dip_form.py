"""The dip calculator's question: a change at balance rail or key front, and the lengths of the key."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.defaults import LEVER_BACK_MM, LEVER_FRONT_MM
from fleet.forms import TypedNumber
from fleet.models import Instrument
from fleet.typed_numbers import write_number
from fleet.worksheets.geometry import front_change_mm, lever_ratio, rail_change_mm

UP, DOWN = "up", "down"
MOST_MM = 20.0


class DipForm(forms.Form):
    """A change, where it is made, which way it goes, and the two lengths."""

    change = TypedNumber(label=_("Change"))
    way = forms.ChoiceField(
        choices=[(UP, _("up")), (DOWN, _("down"))], widget=forms.RadioSelect, label=_("Which way"), initial=UP
    )
    at = forms.ChoiceField(
        choices=[("rail", _("at the balance rail")), ("front", _("at the key front"))],
        widget=forms.RadioSelect,
        label=_("Where"),
        initial="rail",
    )
    front = TypedNumber(label=_("Balance rail to key front"))
    back = TypedNumber(label=_("Balance rail to back rest"))

    def __init__(self, instrument: Instrument, data: Mapping[str, Any] | None = None) -> None:
        front, back = instrument.lever_front_mm, instrument.lever_back_mm
        self.measured = front is not None and back is not None
        lengths = {
            "front": write_number(front or LEVER_FRONT_MM),
            "back": write_number(back or LEVER_BACK_MM),
        }
        super().__init__(data, initial=lengths)

    def clean(self) -> dict[str, Any]:
        """Work out the answer."""
        said = super().clean() or self.cleaned_data
        for name in ("change", "front", "back"):
            if said.get(name) is None and name not in self.errors:
                self.add_error(name, _("How many mm?"))
        if self.errors:
            return said
        if abs(said["change"]) > MOST_MM:
            self.add_error("change", _("More than 20 mm is no change of a key."))
            return said
        change = said["change"] if said["way"] == UP else -said["change"]
        work_out = front_change_mm if said["at"] == "rail" else rail_change_mm
        try:
            answer = work_out(change, said["front"], said["back"])
            said |= {
                "given": change,
                "answer": answer,
                "size": abs(answer),
                "ratio": lever_ratio(said["front"], said["back"]),
            }
        except ValueError:
            self.add_error("front", _("Both lengths are longer than 0 mm."))
        return said
