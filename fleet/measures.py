"""How the kinds of service are measured: units, the words for more and less, and what is possible."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy as _

MEASURED = ("found", "left", "found_bass", "found_tenor", "found_middle", "found_treble")


@dataclass(frozen=True)
class Measure:
    """How one kind of service is measured.

    ``more``, ``less`` and ``right`` are the words for a positive value, a negative one and zero; without them
    a value has no sign. ``low`` and ``high`` bound what a technician can find or leave, wider is a slip.
    ``minutes`` are the usual lengths of a visit. All of it is common practice, no source, but for the mark
    of voicing, which is defined from 0 to 10.
    """

    unit: Any
    low: float
    high: float
    minutes: tuple[int, ...]
    more: Any = ""
    less: Any = ""
    right: Any = ""
    asks: Any = ""

    @property
    def signed(self) -> bool:
        """Whether a value can lie on either side."""
        return bool(self.less)


MEASURES = {
    "tuning": Measure(
        _("cents"),
        -1200.0,
        1200.0,
        (30, 45, 60, 75, 90, 120),
        _("sharp"),
        _("flat"),
        _("spot on"),
        _("mean offset of the instrument from the pitch it is kept at"),
    ),
    "bedding": Measure(
        _("mm"),
        -20.0,
        20.0,
        (20, 30, 45, 60, 90),
        _("gap"),
        _("forced"),
        _("in contact"),
        _("gap between glide and key bed at the worst glide, forced where it is set too firm"),
    ),
    "regulation": Measure(
        _("mm"),
        -20.0,
        20.0,
        (60, 120, 240, 360, 480),
        _("too deep"),
        _("too shallow"),
        _("right"),
        _("error of the key dip"),
    ),
    "voicing": Measure(_("mark"), 0.0, 10.0, (30, 60, 90, 120, 180), asks=_("unevenness, 0 for even to 10")),
}


def measure_of(kind: str, unit: str = "") -> Measure:
    """Return how a kind of service is measured; one that a site has added takes any number in its unit."""
    added = Measure(
        unit, -math.inf, math.inf, (15, 30, 60, 90, 120), _("above"), _("below"), _("right"), _("deviation")
    )
    return MEASURES.get(kind, added)


def bounds(kind: str) -> tuple[float, float]:
    """Return the least and the greatest value that is possible for a kind of service, in its unit."""
    measure = measure_of(kind)
    return measure.low, measure.high
