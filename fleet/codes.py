"""The code on an instrument: the address behind it, and a new one where the old got into wrong hands."""

from __future__ import annotations

from django.conf import settings
from django.db import transaction
from django.urls import reverse

from fleet.models import Instrument
from fleet.models.instruments import new_public_id


def address_of(instrument: Instrument) -> str:
    """Return the whole address of an instrument's page for players."""
    return settings.SITE_ADDRESS.rstrip("/") + reverse("player", args=[instrument.public_id])


@transaction.atomic
def renew_code(instrument: Instrument) -> Instrument:
    """Give an instrument a new code; the page behind the old one is gone, printed labels included."""
    Instrument.objects.filter(pk=instrument.pk).update(public_id=new_public_id())
    instrument.refresh_from_db(fields=["public_id"])
    return instrument
