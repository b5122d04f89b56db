"""Terms as factors by day: on the weight of a day out of tolerance and on the hours played."""

from __future__ import annotations

from datetime import date

import numpy as np

from fleet.models import Site, Term
from scheduling.engine.subjects import Days, Floats, Playing


def playing(site: Site, first: date, last: date) -> Playing:
    """Return the factor on hours played for the days between two dates that differ from 1."""
    days = np.arange(first.toordinal(), last.toordinal() + 1, dtype=np.int64)
    factor = _factors(site, days, "playing_factor")
    changed = factor != 1.0
    return Playing(days[changed], factor[changed])


def weight_factors(site: Site, days: Days) -> Floats:
    """Return the factor on the weight of a day out of tolerance, day by day."""
    return _factors(site, days, "weight_factor")


def _factors(site: Site, days: Days, field: str) -> Floats:
    """Where terms overlap their factors multiply, so that a quiet week within a busy term stays quiet."""
    factor = np.ones(len(days))
    rows = Term.objects.of_site(site).order_by("first_day", "name")
    for first, last, value in rows.values_list("first_day", "last_day", field):
        factor[(days >= first.toordinal()) & (days <= last.toordinal())] *= value
    return factor
