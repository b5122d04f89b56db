"""The forms of people, absences and terms."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth import get_user_model
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

from fleet.models import Absence, Person, ServiceKind, Site, Term
from fleet.setup.forms import MOST_HOURS, MOST_MONEY, Amount, OneLine

WEEKDAYS = (
    (0, _("Monday")),
    (1, _("Tuesday")),
    (2, _("Wednesday")),
    (3, _("Thursday")),
    (4, _("Friday")),
    (5, _("Saturday")),
    (6, _("Sunday")),
)


def _day(label: Any) -> forms.DateField:
    return forms.DateField(label=label, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))


def _time(label: Any) -> forms.TimeField:
    return forms.TimeField(label=label, widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))


class OfSite(forms.ModelForm):  # type: ignore[type-arg]
    """A form of a row that belongs to a site; its uniqueness within the site is checked too."""

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.site = site
        self.instance.site = site

    def _get_validation_exclusions(self) -> set[str]:
        return super()._get_validation_exclusions() - {"site"}  # type: ignore[no-any-return,misc]


class PersonForm(OfSite):
    """Somebody who works at a site, pays for it or gets letters."""

    name = OneLine(label=_("Name"), max_length=120)
    email = forms.EmailField(label=_("Mail address, for letters"))
    hours_per_week = Amount(0, MOST_HOURS, label=_("Hours a week"), help_text=_("empty: offers none"))
    working_days = forms.TypedMultipleChoiceField(
        label=_("Working days"),
        choices=WEEKDAYS,
        coerce=int,
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    skills = forms.MultipleChoiceField(
        label=_("Does"),
        required=False,
        help_text=_("none ticked: everything"),
        widget=forms.CheckboxSelectMultiple,
    )
    hour_cost = Amount(0, MOST_MONEY, label=_("Cost of an hour"), help_text=_("empty: that of the site"))
    by_contract = forms.BooleanField(label=_("by contract, not employed"), required=False)
    day_from, day_until = _time(_("Day begins")), _time(_("Day ends"))
    lunch_from = _time(_("Pause begins"))
    lunch_minutes = forms.IntegerField(
        label=_("Pause, minutes"), min_value=0, max_value=240, help_text=_("0: none")
    )
    user = forms.ModelChoiceField(
        label=_("Login"),
        queryset=get_user_model().objects.none(),
        required=False,
        empty_label=_("none of the members"),
        help_text=_("the member whose own work this person's is"),
    )

    class Meta:
        model = Person
        fields = (
            "name",
            "email",
            "role",
            "hours_per_week",
            "working_days",
            "skills",
            "hour_cost",
            "by_contract",
            "day_from",
            "day_until",
            "lunch_from",
            "lunch_minutes",
            "user",
        )

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        super().__init__(site, *args, **kwargs)
        kinds = ServiceKind.objects.of_site(site).values_list("kind", flat=True)
        # A skill in a kind that is gone stays to be seen, and is let go by unticking it.
        known = dict.fromkeys([*kinds, *self.instance.skills])
        self.fields["skills"].choices = [(kind, kind) for kind in known]  # type: ignore[attr-defined]
        members = get_user_model().objects.filter(memberships__site=site).order_by("username")
        self.fields["user"].queryset = members  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Refuse a day that ends before it begins, and hours without a day to work them on."""
        said = super().clean() or self.cleaned_data
        begins, ends = said.get("day_from"), said.get("day_until")
        if begins and ends and ends <= begins:
            self.add_error("day_until", _("The day has to end after it begins."))
        if said.get("hours_per_week") and not said.get("working_days"):
            self.add_error("working_days", _("Hours without a working day: please tick at least one."))
        if said.get("user"):
            self.instance.left_at = None
        return said


class AbsenceForm(forms.ModelForm):  # type: ignore[type-arg]
    """Days on which a person does not work."""

    first_day, last_day = _day(_("From")), _day(_("Until and with"))

    class Meta:
        model = Absence
        fields = ("first_day", "last_day")

    def __init__(self, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.instance.person = person

    def _get_validation_exclusions(self) -> set[str]:
        return super()._get_validation_exclusions() - {"person"}  # type: ignore[no-any-return,misc]

    def clean(self) -> dict[str, Any]:
        """Refuse days in the wrong order."""
        said = super().clean() or self.cleaned_data
        in_order(said)
        return said


class TermForm(OfSite):
    """A stretch of days with other weights."""

    name = OneLine(label=_("Name"), max_length=80)
    first_day, last_day = _day(_("From")), _day(_("Until and with"))
    weight_factor = Amount(
        0,
        1000,
        needed=True,
        label=_("Weight of a day out, times"),
        help_text=_("0: an instrument out of tolerance troubles nobody; 2: twice as much as usual"),
    )
    playing_factor = Amount(
        0, 1000, needed=True, label=_("Hours played, times"), help_text=_("0.2: a fifth of the usual")
    )

    class Meta:
        model = Term
        fields = ("name", "first_day", "last_day", "weight_factor", "playing_factor")

    def clean(self) -> dict[str, Any]:
        """Refuse days in the wrong order."""
        said = super().clean() or self.cleaned_data
        in_order(said)
        return said


def in_order(said: dict[str, Any]) -> None:
    """Refuse a stretch of days that ends before it begins.

    Raises
    ------
    django.core.exceptions.ValidationError
        Beside the last day.
    """
    first, last = said.get("first_day"), said.get("last_day")
    if first and last and last < first:
        raise ValidationError({"last_day": _("The last day lies before the first.")})
    if first and not 1990 <= first.year <= 2199:
        raise ValidationError({"first_day": _("A day of these years, please.")})
