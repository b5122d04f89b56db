"""The day and the small fleet that the tests of the generator share."""

from datetime import date

from fleet.demo.spec import FleetSpec

TODAY = date(2026, 11, 25)
SMALL = FleetSpec(n_instruments=9, n_rooms=7, seed=3, years=1, reading_minutes=60)
