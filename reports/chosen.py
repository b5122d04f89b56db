"""Instruments chosen from the list, and row by row what a change of all of them would do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django import forms
from django.http import Http404, QueryDict
from django.urls import reverse
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet import instrument_changes
from fleet.access import row_number
from fleet.change_forms import CHANGE_FORMS, MOST_AT_ONCE
from fleet.instrument_changes import with_places
from fleet.models import Instrument, Site
from fleet.saved_filters import tidy
from reports.filters import InstrumentFilter
from reports.queries.instruments import whole_fleet
from reports.queries.plans import plan_for
from reports.words import pointed
from scheduling import visits_together
from scheduling.models import SeasonPlan
from scheduling.visit_forms import VISIT_FORMS

# In the order in which they are offered; the names are those of the forms.
ACTIONS: dict[str, str | Promise] = {
    "room": gettext_lazy("Move to another room"),
    "use_class": gettext_lazy("Change the use"),
    "playing": gettext_lazy("Change the hours played a week"),
    "ask": gettext_lazy("Ask for a visit in a week of the plan"),
    "hold": gettext_lazy("Hold a planned visit in a week"),
    "labels": gettext_lazy("Print labels"),
    "retired": gettext_lazy("Retire"),
    "returned": gettext_lazy("Bring back into service"),
}
Rows = Sequence[Any]


@dataclass
class ChosenPage:
    """What the page shows.

    Attributes
    ----------
    what : str
        The action, empty where none was said yet.
    back : str
        The query of the list that was chosen from.
    form : Form or None
        What the action asks for; bound once it was filled in.
    rows : list
        What would change, None while the form is not filled in.
    seen : str
        The mark of those rows, sent back with the change.
    trouble : str
        Why the action cannot be taken at all.
    """

    instruments: list[Instrument]
    what: str
    back: str
    form: forms.Form | None = None
    rows: Rows | None = None
    seen: str = ""
    trouble: str = ""
    plan: SeasonPlan | None = None
    actions: dict[str, str | Promise] = field(default_factory=lambda: ACTIONS)

    @property
    def title(self) -> str | Promise:
        """The action in words."""
        return ACTIONS.get(self.what, "")

    @property
    def ids(self) -> str:
        """The chosen ones as a form sends them."""
        return " ".join(str(one.pk) for one in self.instruments)

    @property
    def refused(self) -> list[Any]:
        """Rows that cannot be changed; while there are any, none is."""
        return [row for row in self.rows or () if row.refusal]

    @property
    def changing(self) -> list[Any]:
        """Rows that would be stored."""
        return [row for row in self.rows or () if row.changes]

    @property
    def willing(self) -> str:
        """The chosen ones without the refused, as an address names them."""
        left_out = {row.instrument.pk for row in self.refused}
        return "&".join(f"chosen={one.pk}" for one in self.instruments if one.pk not in left_out)

    @property
    def filled_in(self) -> list[tuple[str, str]]:
        """What the form says, to be sent on."""
        if self.form is None:
            return []
        return [(name, self.form.data.get(name, "")) for name in self.form.fields]

    @property
    def action(self) -> str:
        """The address that makes the change."""
        return reverse("place_visits" if self.what in VISIT_FORMS else "change_instruments")

    @property
    def effects(self) -> list[Any]:
        """What planned visits would cost and break, where visits are placed."""
        return [row.effect for row in self.rows or () if getattr(row, "effect", None)]

    @property
    def cost_change(self) -> float | None:
        """Weighted days out of tolerance more, or fewer below zero, all rows together; None where unknown."""
        known = [effect.cost_change for effect in self.effects]
        return None if not known or None in known else sum(known)

    @property
    def cost_words(self) -> str:
        """What the plan would cost more, or spare."""
        change = self.cost_change
        if change is None:
            return _("What this costs in days out of tolerance is not kept for this plan any more.")
        told = {"days": pointed(f"{abs(change):.1f}")}
        if change < 0:
            return _("%(days)s weighted days out of tolerance fewer are expected of the plan.") % told
        return _("%(days)s weighted days out of tolerance more are expected of the plan.") % told

    @property
    def hours_over(self) -> float:
        """Hours that would be lacking in the week [h]; each row counts those before it of the same person."""
        lacking: dict[int | None, float] = {}
        for effect in self.effects:
            lacking[effect.technician_id] = max(effect.over, lacking.get(effect.technician_id, 0.0))
        return sum(lacking.values())


def chosen_page(site: Site, asked: QueryDict, today: date) -> ChosenPage:
    """Gather the chosen instruments, and what the action would do to each once it is filled in."""
    instruments = _chosen(site, asked)
    what = asked.get("what", "") if asked.get("what", "") in ACTIONS else ""
    back = tidy(asked.get("back", "") if "back" in asked else _filter_of(asked))
    page = ChosenPage(instruments, what, back)
    if what in CHANGE_FORMS:
        _try_change(page, site, asked, today)
    elif what in VISIT_FORMS:
        _try_visits(page, site, asked, today)
    return page


def _chosen(site: Site, asked: QueryDict) -> list[Instrument]:
    """Return those chosen one by one, or all that the filter shows; none of another site."""
    if asked.get("every"):
        ids = list(InstrumentFilter(asked, whole_fleet(site), site=site).qs.values_list("pk", flat=True))
        return with_places(site, ids[: MOST_AT_ONCE + 1])[:MOST_AT_ONCE]
    numbers = {row_number(number) for number in asked.getlist("chosen")}
    found = with_places(site, numbers)
    if len(found) != len(numbers) or len(numbers) > MOST_AT_ONCE:
        raise Http404("no such instruments of yours")
    return found


def _filter_of(asked: QueryDict) -> str:
    """Return the part of an address that the list's filter understands."""
    kept = asked.copy()
    for name in list(kept):
        if name not in InstrumentFilter.base_filters:
            del kept[name]
    return kept.urlencode()


def _bound(asked: QueryDict, names: Sequence[str]) -> QueryDict | None:
    """Return what was filled in, None before; where nothing has to be, what would change is shown at once."""
    return asked if not names or any(name in asked for name in names) else None


def _try_change(page: ChosenPage, site: Site, asked: QueryDict, today: date) -> None:
    kind = CHANGE_FORMS[page.what]
    page.form = kind(_bound(asked, list(kind.base_fields)), site=site, today=today)
    if page.form.is_bound and page.form.is_valid():
        rows = instrument_changes.rows_of(page.form.change(), page.instruments, today)
        page.rows, page.seen = rows, instrument_changes.digest_of(rows)


def _try_visits(page: ChosenPage, site: Site, asked: QueryDict, today: date) -> None:
    plan = plan_for(site, today)
    if plan is None:
        page.trouble = _("There is no season plan yet in which a visit could stand.")
        return
    if len(page.instruments) > visits_together.MOST_AT_ONCE:
        most = visits_together.MOST_AT_ONCE
        page.trouble = _("Visits are placed for at most %(most)d instruments at once.") % {"most": most}
        return
    kind = VISIT_FORMS[page.what]
    page.plan = plan
    page.form = kind(_bound(asked, list(kind.base_fields)), plan=plan, today=today)
    if page.form.is_bound and page.form.is_valid():
        rows = visits_together.rows_of(plan, page.form.wanted(), page.instruments, today)
        page.rows, page.seen = rows, visits_together.digest_of(plan, rows)
