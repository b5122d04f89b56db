"""The forms of kinds of service: their figures by use class, and a kind that the site adds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import InstrumentKind, ServiceKind, ServiceRule, Site, UseClass
from fleet.models.instruments import KNOWN_KINDS
from fleet.setup.changes import BESIDE, default_figures
from fleet.setup.forms import Amount
from fleet.typed_numbers import write_number


def figure_fields() -> dict[str, forms.Field]:
    """Return the fields of one rule; their bounds are those of the import."""
    return {
        "tolerance": Amount(0, 1e6, above=True, needed=True, label=_("Tolerance")),
        "weight": Amount(0, 1e6, needed=True, label=_("Weight of a day out")),
        "hours": Amount(0, 1000, above=True, needed=True, label=_("Hours of one service")),
        "interval_days": Whole(1, 100_000, label=_("Usual interval, days")),
        "spacing_weeks": Whole(1, 60, label=_("Least weeks between visits")),
    }


class Whole(forms.IntegerField):
    """A whole number within bounds."""

    def __init__(self, low: int, high: int, **kwargs: Any) -> None:
        attrs = {"inputmode": "numeric", "autocomplete": "off"}
        super().__init__(min_value=low, max_value=high, widget=forms.TextInput(attrs=attrs), **kwargs)


def beside_fields(kind: ServiceKind) -> dict[str, forms.Field]:
    """Return the fields that say beside which services one is shorter, and by how much."""
    others = ServiceKind.objects.of_site(kind.site).exclude(pk=kind.pk).values_list("kind", flat=True)
    return {
        "shorter_beside": forms.MultipleChoiceField(
            label=_("Shorter beside"),
            choices=[(other, other) for other in others],
            required=False,
            help_text=_("in the same week, since the action is out anyway"),
            widget=forms.CheckboxSelectMultiple,
        ),
        "shorter_by_hours": Amount(
            0, 100, above=True, label=_("Shorter by, hours"), help_text=_("left empty: as it was")
        ),
    }


def rules_of(kind: ServiceKind) -> list[ServiceRule]:
    """Return the figures of a kind of service in the order of the use classes."""
    order = UseClass.values
    return sorted(kind.rules.all(), key=lambda rule: order.index(rule.use_class))


class RulesForm(forms.Form):
    """The figures of one kind of service in every use class, each with the one a site starts with.

    Beside them stands next to which other services it is shorter.
    """

    def __init__(self, kind: ServiceKind, data: Any = None) -> None:
        self.rules = rules_of(kind)
        initial = {
            f"{rule.use_class}-{name}": getattr(rule, name) for rule in self.rules for name in figure_fields()
        }
        beside = {name: getattr(kind, name) for name in BESIDE}
        super().__init__(data, initial=initial | beside)
        self.kind = kind
        self.start = default_figures(kind.kind)
        for rule in self.rules:
            for name, field in figure_fields().items():
                figure = self.start.get(rule.use_class, {}).get(name)
                if figure is not None:
                    field.help_text = _("to begin with %(figure)s") % {"figure": write_number(figure)}
                self.fields[f"{rule.use_class}-{name}"] = field
        self.fields |= beside_fields(kind)

    def by_use_class(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        """Give the fields use class by use class, for the template."""
        for rule in self.rules:
            yield (
                str(rule.get_use_class_display()),
                [self[f"{rule.use_class}-{name}"] for name in figure_fields()],
            )

    def beside(self) -> list[forms.BoundField]:
        """Return the fields beside those of the use classes, for the template."""
        return [self[name] for name in BESIDE]

    def said(self) -> list[ServiceRule]:
        """Return the rules with the figures that were typed; the kind of service has its own by then."""
        self.kind.shorter_beside = self.cleaned_data["shorter_beside"]
        self.kind.shorter_by_hours = self.cleaned_data["shorter_by_hours"] or self.kind.shorter_by_hours
        for rule in self.rules:
            for name in figure_fields():
                setattr(rule, name, self.cleaned_data[f"{rule.use_class}-{name}"])
        return self.rules


class KindForm(forms.ModelForm):  # type: ignore[type-arg]
    """A kind of service that a site adds."""

    instrument_kinds = forms.MultipleChoiceField(
        label=_("Done on"),
        required=False,
        help_text=_("none ticked: on all"),
        widget=forms.CheckboxSelectMultiple,
    )

    class Meta:
        model = ServiceKind
        fields = ("kind", "unit", "instrument_kinds")
        labels = {"kind": _("Kind of service"), "unit": _("Unit of what is measured")}
        help_texts = {"kind": _("letters, figures and hyphens, such as strings"), "unit": _("such as mm")}

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.instance.site = site
        added = InstrumentKind.objects.of_site(site).values_list("kind", flat=True)
        choices = [(kind, kind) for kind in dict.fromkeys([*KNOWN_KINDS, *added])]
        self.fields["instrument_kinds"].choices = choices  # type: ignore[attr-defined]
        self.fields |= figure_fields()

    def _get_validation_exclusions(self) -> set[str]:
        return super()._get_validation_exclusions() - {"site"}  # type: ignore[no-any-return,misc]

    def figures(self) -> dict[str, Any]:
        """Return the figures that all use classes start with."""
        return {name: self.cleaned_data[name] for name in figure_fields()}
