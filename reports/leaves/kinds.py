"""Which leaves there are, in the order in which they are read."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _

from reports.leaves.due import due_leaf
from reports.leaves.hours import hours_leaf
from reports.leaves.leaf import LeafKind
from reports.leaves.season import season_leaf
from reports.leaves.weather import weather_leaf

LEAVES = {
    kind.name: kind
    for kind in (
        LeafKind("due", _("Which instruments leave their tolerance first?"), due_leaf),
        LeafKind("weather", _("Which instruments move most with the weather?"), weather_leaf),
        LeafKind("hours", _("On which days is the work done?"), hours_leaf, drawn=False),
        LeafKind("season", _("Why does the work fall where it falls?"), season_leaf),
    )
}
