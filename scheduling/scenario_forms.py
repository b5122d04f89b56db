"""What people fill in for a scenario: a season, and what is to be otherwise in it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import InstrumentKind, Person, Role, Room, Site, UseClass
from fleet.models.instruments import KNOWN_KINDS
from fleet.refusal import Refused
from scheduling.forms import DraftForm
from scheduling.scenarios.asking import Question
from scheduling.scenarios.changes import Absent, Added, Change, Hours, Humidity, OtherUse, Retired

NOTHING = ("", "–")


class DayInput(forms.DateInput):
    """A day chosen from the browser's own calendar."""

    input_type = "date"


def day(label: Any) -> forms.DateField:
    """Return the field of a day that may be left empty."""
    return forms.DateField(label=label, required=False, widget=DayInput(format="%Y-%m-%d"))


class ScenarioForm(DraftForm):
    """A season and any of six kinds of change; what is left empty stays as it is."""

    name = forms.CharField(label=_("Name"), max_length=120, required=False)
    more_hours = forms.FloatField(label=_("Hours a week more, or fewer with a minus"), required=False)
    more_from = day(_("in the weeks from"))
    more_to = day(_("to"))
    away_person = forms.ChoiceField(label=_("Who is away"), required=False)
    away_from = day(_("from"))
    away_to = day(_("to and including"))
    held_room = forms.ChoiceField(label=_("Room"), required=False)
    held_low = forms.FloatField(label=_("not below, %"), min_value=0, max_value=100, required=False)
    held_high = forms.FloatField(label=_("not above, %"), min_value=0, max_value=100, required=False)
    held_from = day(_("from"))
    added_count = forms.IntegerField(label=_("How many"), min_value=1, required=False)
    added_kind = forms.ChoiceField(label=_("Kind"), required=False)
    added_use = forms.ChoiceField(label=_("Use"), choices=[NOTHING, *UseClass.choices], required=False)
    added_room = forms.ChoiceField(label=_("Room"), required=False)
    retired = forms.CharField(label=_("Instruments, by tag"), required=False)
    use_tags = forms.CharField(label=_("Instruments, by tag"), required=False)
    use_class = forms.ChoiceField(
        label=_("Use from now on"), choices=[NOTHING, *UseClass.choices], required=False
    )

    PARTS = (
        (_("The season"), ("start", "weeks", "hours_per_week", "name")),
        (_("Hours"), ("more_hours", "more_from", "more_to")),
        (_("Somebody away"), ("away_person", "away_from", "away_to")),
        (_("A room's humidity held"), ("held_room", "held_low", "held_high", "held_from")),
        (_("Instruments added"), ("added_count", "added_kind", "added_use", "added_room")),
        (_("Instruments retired"), ("retired",)),
        (_("Another use"), ("use_tags", "use_class")),
    )

    def __init__(self, *args: Any, site: Site, today: date, **kwargs: Any) -> None:
        super().__init__(*args, today=today, **kwargs)
        self.site, self.today = site, today
        people = Person.objects.of_site(site).filter(role=Role.TECHNICIAN).order_by("name")
        rooms = [NOTHING, *((name, name) for name in _rooms(site))]
        own = InstrumentKind.objects.of_site(site).order_by("kind").values_list("kind", flat=True)
        kinds = [NOTHING, *((kind, kind) for kind in (*KNOWN_KINDS, *own))]
        choices = {
            "away_person": [NOTHING, *((str(pk), name) for pk, name in people.values_list("pk", "name"))],
            "held_room": rooms,
            "added_room": rooms,
            "added_kind": kinds,
        }
        for field, offered in choices.items():
            self.fields[field].choices = offered  # type: ignore[attr-defined]

    def parts(self) -> Iterator[tuple[Any, list[forms.BoundField]]]:
        """The fields by what they are about."""
        for title, names in self.PARTS:
            yield title, [self[name] for name in names]

    def clean(self) -> dict[str, Any]:
        """Refuse a change of which only a part is said, and one that cannot be meant."""
        found: dict[str, Any] = super().clean() or self.cleaned_data
        if not self.errors:
            found["changes"] = list(self._changes(found))
        return found

    def question(self) -> Question:
        """What is asked."""
        said = self.cleaned_data
        return Question(
            said["start"], said["weeks"], tuple(said["changes"]), said["hours_per_week"], said["name"].strip()
        )

    def _changes(self, said: dict[str, Any]) -> Iterator[Change]:
        for needed, optional, make in MAKERS:
            given = [name for name in (*needed, *optional) if said.get(name) not in (None, "")]
            missing = [name for name in needed if said.get(name) in (None, "")]
            for name in missing if given else ():
                self.add_error(name, _("needed for this change; or leave the rest of it empty too"))
            if given and not missing:
                yield from self._made(make, said, needed[0])

    def _made(self, make: Any, said: dict[str, Any], field: str) -> Iterator[Change]:
        change = make(self, said)
        try:
            change.check(self.site, self.today)
        except Refused as refused:
            self.add_error(field, str(refused))
        else:
            yield change


def _rooms(site: Site) -> list[str]:
    return list(Room.objects.of_site(site).order_by("name").values_list("name", flat=True))


def _tags(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(tag for tag in re.split(r"[,;\s]+", text) if tag))


def _absent(form: ScenarioForm, said: dict[str, Any]) -> Absent:
    person = Person.objects.of_site(form.site).get(pk=int(said["away_person"]))
    return Absent(person.name, said["away_from"], said["away_to"], person.pk)


MAKERS: tuple[tuple[tuple[str, ...], tuple[str, ...], Any], ...] = (
    (
        ("more_hours",),
        ("more_from", "more_to"),
        lambda form, said: Hours(said["more_hours"], said["more_from"], said["more_to"]),
    ),
    (("away_person", "away_from", "away_to"), (), _absent),
    (
        ("held_room", "held_low", "held_high"),
        ("held_from",),
        lambda form, said: Humidity(
            said["held_room"],
            said["held_low"] / 100,
            said["held_high"] / 100,
            said["held_from"] or form.today,
        ),
    ),
    (
        ("added_count", "added_kind", "added_use", "added_room"),
        (),
        lambda form, said: Added(
            said["added_count"], said["added_kind"], said["added_use"], said["added_room"]
        ),
    ),
    (("retired",), (), lambda form, said: Retired(_tags(said["retired"]))),
    (("use_tags", "use_class"), (), lambda form, said: OtherUse(_tags(said["use_tags"]), said["use_class"])),
)
