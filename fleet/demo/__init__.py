"""The invented conservatory: a fleet, its air, people and records, to try the almanac and to judge it.

The papers are written from a truth of the generator's own, which owes nothing to the forecast that will read
them. Outdoor air has a yearly swing, cold spells and fronts; rooms are heated, breathed in, ventilated and in
part humidified, hour by hour. Soundboards, key frames and key beds are slabs of several layers through which
water diffuses (finite differences, Crank-Nicolson, faster where wetter, behind varnish), driven every three
hours through a sorption curve of another form than the forecast's. Pitch by register follows the board (bent
a little differently on the damp side than on the dry) and the warmth of the strings, creeps with the log of
age, sinks with hours played, wanders, and now and then takes a knock. The gap under a key frame follows
frame against bed and settles less after every bedding; dip follows worn felt (hours to a power, not in
proportion), moisture gone up and down, and the gap itself; tone goes with hours to a power above one. Every
sensitivity is drawn log-normally for each instrument, around medians that are not the forecast's.

What is written is what technicians saw: they come about by interval, always before a concert, sooner after a
complaint, later when the week was full; they measure with error, round, record registers only at times, and
leave the found value empty at times. Sensors have offsets and noise; one was stuck for three weeks, one was
silent for three, one jumps, and one room has none.

The truth stays in memory. :func:`fleet.demo.folder.write_fleet` returns it beside the folder, so that a plan
can be judged by what would really have happened under its visits, not by the forecast it was made from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from fleet.demo.folder import Progress
    from fleet.demo.loading import DemoLogin


def load(today: date, progress: Progress | None = None) -> DemoLogin:
    """Load the demo as :func:`fleet.demo.loading.load` does."""
    # Imported here so that the generator can be used where no Django is set up.
    from fleet.demo import loading

    return loading.load(today, progress) if progress else loading.load(today)
