"""Making a site: the row and the kinds of service it starts with."""

from __future__ import annotations

from django.db import transaction

from fleet import defaults
from fleet.models import ServiceKind, ServiceRule, Site


@transaction.atomic
def create_site(name: str, time_zone: str, **fields: object) -> Site:
    """Store a new site with the default kinds of service and return it.

    Raises
    ------
    django.core.exceptions.ValidationError
        Where a field is refused, such as an unknown time zone.
    """
    site = Site(name=name, time_zone=time_zone, **fields)
    site.full_clean()
    site.save()
    add_default_kinds(site)
    return site


def add_default_kinds(site: Site) -> None:
    """Give a site the default kinds of service with their rules by use class."""
    for position, default in enumerate(defaults.SERVICE_KINDS):
        kind = ServiceKind.objects.create(
            site=site,
            kind=default.kind,
            unit=default.unit,
            instrument_kinds=list(default.instrument_kinds),
            position=position,
            shorter_beside=list(default.shorter_beside),
        )
        ServiceRule.objects.bulk_create(
            ServiceRule(
                service_kind=kind,
                use_class=use_class,
                tolerance=default.tolerances[index],
                weight=default.weight * defaults.USE_WEIGHT[use_class],
                hours=default.hours,
                interval_days=default.intervals_days[index],
            )
            for index, use_class in enumerate(defaults.USE_CLASSES)
        )
