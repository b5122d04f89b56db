"""The trusted readings of a room over a stretch of days, corrected for the sensor, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from fleet import bulk
from fleet.daily import local_days
from fleet.intake import sensor_corrections
from fleet.local_time import DAY, LocalClock, day_number
from fleet.models import Room
from fleet.quality import TRUSTED
from scheduling.engine.psychrometrics import dew_point

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Record:
    """Readings in rising order; all arrays of shape (n,).

    Attributes
    ----------
    local : what the site's wall showed, from 1970 on [µs]
    at : the same instants as days from 1970 in UTC [d], for windows of time
    temp_c : [degC]
    rh : [fraction]
    """

    local: NDArray[np.int64]
    at: Floats
    temp_c: Floats
    rh: Floats

    def stamps(self) -> list[str]:
        """Return the local times as texts."""
        stamps = self.local.astype("datetime64[us]").astype("datetime64[m]")
        return [str(one) for one in np.datetime_as_string(stamps)]

    def dew_points(self) -> list[float]:
        """Return the dew points [degC]."""
        found: list[float] = dew_point(np.maximum(self.temp_c, -30.0), np.maximum(self.rh, 0.005)).tolist()
        return found


def record_of(room: Room, first: date, last: date) -> Record:
    """Return the trusted readings of a room from one local day to another, both included: three queries."""
    clock = LocalClock(room.site.zone, first, last)
    bounds = clock.midnight(np.array([day_number(first), day_number(last + timedelta(days=1))]))
    series = bulk.read_series(room.pk, int(bounds[0]), int(bounds[1]) - 1)
    good = series.doubt == TRUSTED
    times = series.times[good]
    slope, offset = sensor_corrections(room.pk, local_days(times, clock))
    return Record(
        local=clock.to_local(times),
        at=times / DAY,
        temp_c=series.temp_c[good],
        rh=np.clip(slope * series.rh[good] + offset, 0, 1),
    )
