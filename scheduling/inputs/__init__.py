"""The only reader of facts for the engine: rows of the database in, the engine's own arrays out."""

from scheduling.inputs.air import air_sources, room_airs
from scheduling.inputs.demand import Performance, booked_solid, held_visits, performances, silent_performances
from scheduling.inputs.drying import wet_all_week, wet_on, wet_until
from scheduling.inputs.hours import Away, HoursOffered, hours_offered, visit_measures, with_more
from scheduling.inputs.requests import Report, open_reports, share_true
from scheduling.inputs.subjects import Catalogue, FleetFacts, Line, fleet_facts, read_catalogue
from scheduling.inputs.terms import playing, weight_factors
from scheduling.inputs.touched import OF_THE_WHOLE_SITE, changes_reaching, instruments_touched

__all__ = [
    "Away",
    "Catalogue",
    "OF_THE_WHOLE_SITE",
    "air_sources",
    "FleetFacts",
    "HoursOffered",
    "Line",
    "Performance",
    "Report",
    "booked_solid",
    "changes_reaching",
    "fleet_facts",
    "held_visits",
    "hours_offered",
    "instruments_touched",
    "open_reports",
    "performances",
    "playing",
    "read_catalogue",
    "room_airs",
    "share_true",
    "silent_performances",
    "visit_measures",
    "weight_factors",
    "wet_all_week",
    "wet_on",
    "wet_until",
    "with_more",
]
