"""What people fill in to ask for visits of many instruments, or to hold them, in one week of a plan."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils.formats import date_format
from django.utils.functional import Promise
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.weeks import monday_before, mondays
from scheduling.models import SeasonPlan
from scheduling.saying import day_style
from scheduling.visits_together import Wanted


class VisitsForm(forms.Form):
    """A kind of service and a week of a plan."""

    title: str | Promise = _("Ask for a visit in a week of the plan")
    new = True
    visit_service = forms.ChoiceField(label=_("Service"))
    week = forms.TypedChoiceField(label=_("In the week of"), coerce=date.fromisoformat)

    def __init__(self, *args: Any, plan: SeasonPlan, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = plan.site.service_kinds.values_list("kind", flat=True)
        self.fields["visit_service"].choices = [(kind, gettext(kind)) for kind in kinds]  # type: ignore[attr-defined]
        coming = [week for week in mondays(plan.start, plan.weeks) if week >= monday_before(today)]
        choices = [(week.isoformat(), date_format(week, day_style("long"))) for week in coming]
        self.fields["week"].choices = choices  # type: ignore[attr-defined]
        ahead = [week for week in coming if week > today - timedelta(days=1)]
        self.fields["week"].initial = ahead[0].isoformat() if ahead else None

    def wanted(self) -> Wanted:
        """Return what a valid form asks for."""
        return Wanted(self.cleaned_data["visit_service"], self.cleaned_data["week"], self.new)


class HoldForm(VisitsForm):
    """The planned visit of a service held in a week, moved there where it stands elsewhere."""

    title = _("Hold a planned visit in a week")
    new = False


VISIT_FORMS: dict[str, type[VisitsForm]] = {"ask": VisitsForm, "hold": HoldForm}
