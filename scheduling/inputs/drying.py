"""Which instruments hold a wet hardener: nothing is judged or played in public before it is dry."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.db.models import Max

from fleet.models import Service, Site
from scheduling.inputs.demand import WORKDAY_ENDS


def wet_until(site: Site, today: date) -> dict[int, datetime]:
    """Return until when hardeners that were recorded by a day stay wet, on the wall of the site."""
    begins = datetime.combine(today, datetime.min.time(), site.zone)
    rows = Service.objects.of_site(site).filter(date__lte=today, dry_at__gt=begins).order_by()
    latest = rows.values_list("instrument_id").annotate(until=Max("dry_at"))
    return {pk: until.astimezone(site.zone) for pk, until in latest}


def wet_on(day: date, until: datetime | None) -> bool:
    """Return whether a hardener is wet to the end of a working day, when concerts begin."""
    return until is not None and until > datetime.combine(day, WORKDAY_ENDS, until.tzinfo)


def wet_all_week(monday: date, until: datetime | None, today: date) -> bool:
    """Return whether it is wet on every working day that is left of a week."""
    days = [monday + timedelta(days=number) for number in range(5)]
    left = [day for day in days if day >= today]
    return bool(left) and all(wet_on(day, until) for day in left)
