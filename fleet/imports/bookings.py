"""Bookings against the tables: their records, and storing what is new and what differs."""

from __future__ import annotations

from fleet.imports.calendar import KEY
from fleet.imports.merge import BATCH, Difference, compare_by_key, ids_of
from fleet.imports.rows import Row
from fleet.imports.tables import Key, Record
from fleet.models import Booking, Site

PLAIN = ("uid", "occurrence", "starts_at", "ends_at", "title", "performance", "pitch_hz")
NAMES = ("instruments", "room")


def stored_bookings(site: Site | None) -> dict[Key, tuple[int, Record]]:
    """Return the stored bookings by UID and occurrence, from the first to start."""
    if site is None:
        return {}
    tags: dict[int, list[str]] = {}
    links = Booking.instruments.through.objects.filter(booking__site=site)
    for booking, tag in links.order_by("instrument__tag").values_list("booking_id", "instrument__tag"):
        tags.setdefault(booking, []).append(tag)
    found: dict[Key, tuple[int, Record]] = {}
    rows = Booking.objects.of_site(site).order_by("starts_at", "uid", "occurrence")
    for pk, room, *values in rows.values_list("pk", "room__name", *PLAIN):
        record = dict(zip(PLAIN, values, strict=True)) | {"room": room, "instruments": tags.get(pk, [])}
        found[tuple(record[name] for name in KEY)] = (pk, record)
    return found


def compare_bookings(rows: list[Row], site: Site | None) -> Difference:
    """Return how the events of a calendar differ from the stored bookings."""
    keyed = ((tuple(row.record[name] for name in KEY), row) for row in rows)
    return compare_by_key(keyed, stored_bookings(site))


def store_bookings(difference: Difference, site: Site) -> None:
    """Store new and changed bookings."""
    rooms, instruments = ids_of("room", site), ids_of("instrument", site)

    def attributes(record: Record) -> Record:
        return {name: record[name] for name in PLAIN if name in record} | {"room_id": rooms[record["room"]]}

    made = Booking.objects.bulk_create(
        [Booking(site=site, **attributes(row.record)) for row in difference.new], batch_size=BATCH
    )
    link = Booking.instruments.through
    link.objects.bulk_create(
        [
            link(booking_id=booking.pk, instrument_id=instruments[tag])
            for booking, row in zip(made, difference.new, strict=True)
            for tag in row.record.get("instruments", [])
        ],
        batch_size=BATCH,
    )
    for change in difference.changed:
        booking = Booking(pk=change.pk, site=site)
        Booking.objects.filter(pk=change.pk).update(**attributes(change.row.record))
        if "instruments" in change.columns:
            booking.instruments.set([instruments[tag] for tag in change.row.record["instruments"]])
