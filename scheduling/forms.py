"""What people fill in about plans."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils.formats import date_format
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.weeks import monday_before, mondays
from scheduling.planning import MOST_WEEKS

WEEKS = 18
STARTS = 16


class DraftForm(forms.Form):
    """A draft of a season plan: from when, how long, within which hours."""

    start = forms.TypedChoiceField(label=_("First week"), coerce=date.fromisoformat)
    weeks = forms.IntegerField(label=_("Weeks"), min_value=1, max_value=MOST_WEEKS, initial=WEEKS)
    hours_per_week = forms.FloatField(
        label=_("Hours a week, all together"),
        min_value=0,
        max_value=10_000,
        required=False,
        help_text=_("Left empty, everybody's own hours count, less the reserve."),
    )

    def __init__(self, *args: Any, today: date, first: date | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        starts = mondays(monday_before(today), STARTS)
        # Any Monday that is named is taken: whether a season can begin there is for the planner to say.
        first = first or _monday(self.data.get("start", ""))
        starts += [first] if first is not None and first not in starts else []
        field = self.fields["start"]
        field.choices = [(day.isoformat(), date_format(day, gettext("j F Y"))) for day in starts]  # type: ignore[attr-defined]
        field.initial = (first or starts[1]).isoformat()


def _monday(text: str) -> date | None:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return day if day.weekday() == 0 else None


class MoveForm(forms.Form):
    """A visit to another week of its plan, as seen at a version."""

    week = forms.DateField()
    seen = forms.IntegerField(min_value=0)

    def clean_week(self) -> date:
        """Refuse a day that begins no week."""
        week: date = self.cleaned_data["week"]
        if week.weekday():
            raise forms.ValidationError(
                _("%(day)s is no Monday; the week begins on %(monday)s"),
                params={"day": week, "monday": week - timedelta(days=week.weekday())},
            )
        return week


class SeenForm(forms.Form):
    """The version of a plan somebody was looking at."""

    seen = forms.IntegerField(min_value=0)
