"""The forms in which a site is set up; what they refuse, they say beside the field."""

from __future__ import annotations

import zoneinfo
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import RegexValidator
from django.utils.translation import gettext_lazy as _

from fleet.forms import TypedNumber
from fleet.models import Site
from fleet.names import name_of
from fleet.typed_numbers import write_number

MOST_HOURS, MOST_MONEY = 168, 999_999


class Amount(TypedNumber):
    """A typed number within bounds, with a decimal comma or point."""

    def __init__(self, low: float, high: float, *, above: bool = False, needed: bool = False, **kwargs: Any):
        super().__init__(**kwargs)
        self.low, self.high, self.above, self.needed = low, high, above, needed

    def clean(self, value: Any) -> float | None:
        """Return the number, None for nothing."""
        number = super().clean(value)
        if number is None:
            if self.needed:
                raise ValidationError(_("A number is needed here."))
            return None
        if not self.low <= number <= self.high or (self.above and number == self.low):
            raise ValidationError(self._bounds())
        return number

    def _bounds(self) -> Any:
        words = {"low": f"{self.low:g}", "high": f"{self.high:,.0f}"}
        if self.above:
            return _("More than %(low)s and at most %(high)s, please.") % words
        return _("From %(low)s to %(high)s, please.") % words

    def prepare_value(self, value: Any) -> Any:
        """Return the number as it stands in the field."""
        return value if value is None or isinstance(value, str) else write_number(float(value))


class OneLine(forms.CharField):
    """A name on one line."""

    def to_python(self, value: Any) -> str:
        """Return the name without what a line does not hold."""
        return name_of(str(value or ""))


def time_zones() -> list[str]:
    """Return the time zones to choose from."""
    known = zoneinfo.available_timezones()
    return sorted(zone for zone in known if "/" in zone and not zone.startswith("Etc"))


class SiteForm(forms.ModelForm):  # type: ignore[type-arg]
    """A site's own facts."""

    name = OneLine(label=_("Name"), max_length=120)
    time_zone = forms.CharField(
        label=_("Time zone"),
        max_length=64,
        help_text=_("Days and weeks are those on its clock. Another one has all days of air counted anew."),
        widget=forms.TextInput(attrs={"list": "zones", "autocomplete": "off", "spellcheck": "false"}),
    )
    currency = forms.CharField(
        label=_("Currency"),
        max_length=3,
        help_text=_("three letters, ISO 4217, such as EUR"),
        validators=[RegexValidator(r"^[A-Z]{3}$", _("Three capital letters, please, such as EUR."))],
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )
    hour_cost = Amount(
        0, MOST_MONEY, label=_("Cost of an hour"), help_text=_("where a person has none of their own")
    )
    reserve_hours = Amount(
        0,
        MOST_HOURS,
        needed=True,
        label=_("Reserve, hours a week"),
        help_text=_("kept free of planned work, for broken strings and sticking keys"),
    )
    mail_sender = forms.EmailField(
        label=_("Sender of letters"),
        required=False,
        help_text=_("empty: the installation's own address"),
        widget=forms.EmailInput(attrs={"autocomplete": "off"}),
    )

    class Meta:
        model = Site
        fields = ("name", "time_zone", "currency", "hour_cost", "reserve_hours", "mail_sender")
