"""Which instruments move most with the weather: what was learned of each, and what is usual for its like."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from statistics import fmean
from typing import Any

from django.http import QueryDict
from django.utils.translation import gettext as _

from fleet.models import Site
from reports.figures import EIGHTY_PERCENT
from reports.leaves.leaf import service_asked
from reports.tables import Line, Sheet
from scheduling.models import Forecast

SHOWN = 40  # rows that can still be told apart; the file has all
HUMIDITY = "humidity"
FEW = 3  # values found, below which what is shown is mostly what is usual


@dataclass(frozen=True)
class Swing:
    """How far one instrument goes for a percent of humidity [unit per percent], learned and usual."""

    pk: int
    tag: str
    kind: str
    room: str
    building: str
    unit: str
    found: int
    mean: float
    sd: float
    usual: float
    usual_sd: float

    @property
    def low(self) -> float:
        """Nine in ten lie above."""
        return self.mean - EIGHTY_PERCENT * self.sd

    @property
    def high(self) -> float:
        """Nine in ten lie below."""
        return self.mean + EIGHTY_PERCENT * self.sd

    @property
    def usual_low(self) -> float:
        """Nine in ten of its like lie above."""
        return self.usual - EIGHTY_PERCENT * self.usual_sd

    @property
    def usual_high(self) -> float:
        """Nine in ten of its like lie below."""
        return self.usual + EIGHTY_PERCENT * self.usual_sd

    @property
    def few(self) -> bool:
        """Whether hardly any of its own records has been learned from."""
        return self.found < FEW

    @property
    def surprising(self) -> bool:
        """Whether what was learned lies outside what is usual for its like."""
        return not self.usual_low <= self.mean <= self.usual_high


@dataclass(frozen=True)
class Place:
    """The instruments of one building or room together: mean size of their swing [unit per percent]."""

    building: str
    room: str
    instruments: int
    mean: float


@dataclass(frozen=True)
class WeatherLeaf:
    """The swings of one service, the largest first."""

    kinds: list[str]
    asked: str
    swings: list[Swing]

    @property
    def shown(self) -> list[Swing]:
        """Those that are drawn."""
        return self.swings[:SHOWN]

    @property
    def unit(self) -> str:
        """The unit of all of them."""
        return self.swings[0].unit if self.swings else ""

    @property
    def digits(self) -> int:
        """Decimals that such a number deserves."""
        return 4 if self.unit == "mm" else 2

    @property
    def surprising(self) -> list[Swing]:
        """Those that move otherwise than their like."""
        return [one for one in self.swings if one.surprising]

    @property
    def places(self) -> list[Place]:
        """Room by room, where they move most first."""
        inside = defaultdict(list)
        for one in self.swings:
            inside[one.building, one.room].append(abs(one.mean))
        found = [Place(*name, len(sizes), fmean(sizes)) for name, sizes in inside.items()]
        return sorted(found, key=lambda place: (-place.mean, place.building, place.room))

    def figure(self) -> dict[str, Any] | None:
        """Return a point with its interval for each of those shown, and the interval usual for its like."""
        if not self.shown:
            return None
        return {
            "form": "intervals",
            "title": _("Which instruments move most with the weather?"),
            "axis": _("for each percent of humidity"),
            "unit": self.unit,
            "digits": self.digits,
            "rows": [f"{one.tag} · {one.room}" for one in self.shown],
            "mean": [one.mean for one in self.shown],
            "low": [one.low for one in self.shown],
            "high": [one.high for one in self.shown],
            "usual": [one.usual for one in self.shown],
            "usual_low": [one.usual_low for one in self.shown],
            "usual_high": [one.usual_high for one in self.shown],
            "few": [one.few for one in self.shown],
            "words": {
                "learned": _("learned, 80 %"),
                "few": _("hardly anything learned yet"),
                "usual": _("usual for its like, 80 %"),
            },
        }

    def sheet(self) -> Sheet:
        """Return every instrument."""
        unit = f"{self.unit}/%" if self.unit else ""
        head: Line = [
            *("tag", "kind", "room", "building", "values_learned_from"),
            *(f"{name}, {unit}" for name in ("mean", "low_10", "high_90", "usual", "usual_10", "usual_90")),
        ]
        lines: list[Line] = [
            [
                *(one.tag, one.kind, one.room, one.building, one.found),
                *(
                    _decimal(value)
                    for value in (one.mean, one.low, one.high, one.usual, one.usual_low, one.usual_high)
                ),
            ]
            for one in self.swings
        ]
        return Sheet(_("moving with the weather"), [head, *lines])


def weather_leaf(site: Site, asked: QueryDict, today: date) -> WeatherLeaf:
    """Read what was learned of every instrument in service, in one query beside that for the services."""
    kinds, kind = service_asked(site, asked)
    found = (
        Forecast.objects.of_site(site)
        .filter(kind=kind, instrument__retired_on__isnull=True)
        .values_list(
            *("instrument_id", "instrument__tag", "instrument__kind", "instrument__room__name"),
            *("instrument__room__building", "unit", "learned_from", "sensitivities"),
        )
    )
    swings = [
        Swing(*facts, *numbers)
        for *facts, sensitivities in found
        for name, *numbers in sensitivities
        if name == HUMIDITY
    ]
    return WeatherLeaf(kinds, kind, sorted(swings, key=lambda one: (-abs(one.mean), one.tag)))


def _decimal(value: float) -> Decimal:
    return Decimal(value).quantize(Decimal("0.00001"))
