"""What can be put away on a page, by the word that stands for it in an address."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import models as db
from django.utils.translation import gettext_lazy as _

from fleet import models
from fleet.models import Role


@dataclass(frozen=True)
class Removable:
    """A kind of thing: its model, what it is called, and whether only an administrator may put it away."""

    model: type[db.Model]
    word: Any
    back: str  # name of the address of the page on which it stood
    administrators_only: bool = False

    def may(self, role: str) -> bool:
        """Return whether somebody of a role may put it away."""
        allowed = {Role.ADMINISTRATOR} if self.administrators_only else {Role.ADMINISTRATOR, Role.TECHNICIAN}
        return role in allowed


REMOVABLE = {
    "instrument": Removable(models.Instrument, _("instrument"), "instruments"),
    "placement": Removable(models.Placement, _("where an instrument stood"), "instruments"),
    "room": Removable(models.Room, _("room"), "rooms"),
    "sensor": Removable(models.Sensor, _("placing of a sensor"), "sensors"),
    "booking": Removable(models.Booking, _("booking"), "bookings_in"),
    "term": Removable(models.Term, _("term"), "history"),
    "absence": Removable(models.Absence, _("absence"), "history"),
    "person": Removable(models.Person, _("person"), "history", administrators_only=True),
    "service-kind": Removable(models.ServiceKind, _("kind of service"), "history", administrators_only=True),
    "instrument-kind": Removable(
        models.InstrumentKind, _("kind of instrument"), "history", administrators_only=True
    ),
}
