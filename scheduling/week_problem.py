"""A week's facts as the engine's problem: what each visit waits for and rests on, and who there is."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from itertools import groupby

from fleet.models import Booking
from scheduling.due_work import WORK_ORDER
from scheduling.engine.said import Figure, On, Term, joined, worded
from scheduling.engine.week import Closed, Span, Visit, WeekProblem, Worker, parts
from scheduling.engine.week.rules import BOOKINGS, DRYING, HARDENER, SLOT_MINUTES
from scheduling.inputs.week import Offer, Played, WeekFacts, Work

TUNING, VOICING, REGULATION, BEDDING = "tuning", "voicing", "regulation", "bedding"
WHOLE = (TUNING, BEDDING)  # never divided
LISTENS = (TUNING, VOICING)
RESTS_ON = {REGULATION: BEDDING, VOICING: TUNING}
# A kind that the site has added is divided where it is longer than this [slots]; common practice, no source.
LONGEST_UNKNOWN = 12
# A hardener of one sitting dries before the next is judged [slots]; common practice, no source.
DRYING_WAIT = 12 * 60 // SLOT_MINUTES
TUNED_WITHIN = timedelta(hours=48)
SERVES_DAYS = 2
HARDENER_DAYS = 2
UNNAMED = "the unnamed technician"
# Working hours of somebody of whom nothing is known; common practice, no source.
DAY, LUNCH_FROM, LUNCH_MINUTES = (time(8), time(17)), time(12), 60


@dataclass
class Piece:
    """One service to be laid out: its work, and the performances it is for if it is a tuning before some."""

    work: Work
    number: int
    before: list[Played] = field(default_factory=list)

    @property
    def kind(self) -> str:
        """Kind of service."""
        return self.work.visit.kind


@dataclass(frozen=True)
class WeekSetup:
    """The problem, and what its indices mean: pieces of work, offers of people; and sentences to say."""

    problem: WeekProblem
    pieces: tuple[Piece, ...]
    offers: tuple[Offer, ...]
    notes: tuple[str, ...]


def week_setup(facts: WeekFacts, apart: Collection[int] = ()) -> WeekSetup:
    """Return a week's facts as a problem.

    Pieces of work whose numbers are in ``apart`` take their full hours, although the season plan has them
    short beside other work; so does what is planned beside work that the week no longer has.
    """
    pieces, notes = _pieces(facts)
    for number in sorted(apart):
        notes.append(_full_hours(pieces[number]))
    rooms = {piece.work.room.pk: piece.work.room for piece in pieces}
    buildings = sorted({room.building for room in rooms.values()})
    room_number = {pk: number for number, pk in enumerate(rooms)}
    order = _order(pieces)
    problem = WeekProblem(
        visits=tuple(
            _visit(
                facts,
                piece,
                room_number[piece.work.room.pk],
                *order[number],
                beside=None if number in apart else _beside(pieces, piece),
            )
            for number, piece in enumerate(pieces)
        ),
        workers=tuple(_worker(facts, offer) for offer in facts.offers),
        days=facts.clock.days,
        buildings=tuple(buildings.index(room.building) for room in rooms.values()),
        begins=min(max(facts.clock.slot(facts.now, up=True), 0), facts.clock.days[-1]),
    )
    return WeekSetup(problem, tuple(pieces), facts.offers, (*facts.silent_concerts, *notes))


def _pieces(facts: WeekFacts) -> tuple[list[Piece], list[str]]:
    """Return every service still to be done, tunings with the performances of the week they are for."""
    pieces: list[Piece] = []
    notes: list[str] = []
    for work in facts.work:
        demands = _demands(facts, work.visit.instrument_id) if work.visit.kind == TUNING else []
        for number in range(work.times):
            pieces.append(Piece(work, number + 1, demands[number] if number < len(demands) else []))
        if work.visit.kind == TUNING:
            for demand in demands[work.times :]:
                notes.append(
                    worded(
                        "%(tag)s has no tuning of its own before %(title)s on %(day)s",
                        tag=work.visit.instrument.tag,
                        title=demand[0].title,
                        day=On(demand[0].day, "weekday"),
                    )
                )
    return pieces, notes


def _demands(facts: WeekFacts, instrument: int) -> list[list[Played]]:
    """Return the performances of the week to come, those that one tuning serves together."""
    monday = facts.clock.monday
    found: list[list[Played]] = []
    for played in facts.played.get(instrument, ()):
        tuned = facts.tuned.get(instrument)
        if not monday <= played.day < monday + timedelta(days=7) or played.begins <= facts.now:
            continue
        if tuned is not None and 0 <= (played.day - tuned).days < SERVES_DAYS:
            continue
        if found and (played.day - found[-1][0].day).days < SERVES_DAYS:
            found[-1].append(played)
        else:
            found.append([played])
    return found


def _order(pieces: Sequence[Piece]) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Return, for each piece, those to be finished before it and those without which it is not done.

    Of several tunings in the week the last comes after bedding and regulation, the first before voicing.
    """
    found: list[tuple[tuple[int, ...], tuple[int, ...]]] = [((), ())] * len(pieces)
    numbers = sorted(range(len(pieces)), key=lambda n: pieces[n].work.visit.instrument_id)
    for _, group in groupby(numbers, key=lambda n: pieces[n].work.visit.instrument_id):
        here = list(group)
        for number in here:
            needs = [other for other in here if pieces[other].kind == RESTS_ON.get(pieces[number].kind)]
            after = [other for other in here if _before(pieces[other], pieces[number])]
            found[number] = tuple(after), tuple(needs[:1])
    return found


def _before(one: Piece, other: Piece) -> bool:
    """Return whether one piece has to be finished before another of the same instrument is begun."""
    if one.kind == other.kind:
        return one.number < other.number
    ranks = WORK_ORDER.get(one.kind), WORK_ORDER.get(other.kind)
    if ranks[0] is None or ranks[1] is None or ranks[0] > ranks[1]:
        return False
    last = other.number == other.work.times
    return (one.kind != TUNING or one.number == 1) and (other.kind != TUNING or last)


def _beside(pieces: Sequence[Piece], piece: Piece) -> int | None:
    """Return the number of the piece for which the action is out, so that this one is short."""
    visit = piece.work.visit
    here = (n for n, one in enumerate(pieces) if one.work.visit.instrument_id == visit.instrument_id)
    return next((n for n in here if visit.beside and pieces[n].kind == visit.beside), None)


def _full_hours(piece: Piece) -> str:
    visit = piece.work.visit
    return worded(
        "%(service)s of %(tag)s takes its full %(hours)s h: it is not done together with the %(other)s",
        service=Term(visit.kind),
        tag=visit.instrument.tag,
        hours=Figure(piece.work.hours + visit.shared_hours, ".3g"),
        other=Term(visit.beside),
    )


def _visit(
    facts: WeekFacts,
    piece: Piece,
    room: int,
    after: tuple[int, ...],
    needs: tuple[int, ...],
    beside: int | None,
) -> Visit:
    work, visit = piece.work, piece.work.visit
    able = [n for n, offer in enumerate(facts.offers) if not offer.person or offer.person.can_do(visit.kind)]
    planned = next((n for n in able if facts.offers[n].person_pk == visit.technician_id), None)
    hours = work.hours + (visit.shared_hours if beside is None else 0.0)
    minutes = max(round(60 * hours), 1)
    slots = -(-minutes // SLOT_MINUTES)
    return Visit(
        label=worded("%(service)s of %(tag)s", service=Term(visit.kind), tag=visit.instrument.tag),
        instrument=visit.instrument_id,
        room=room,
        sittings=_sittings(visit.kind, slots),
        minutes=minutes,
        worth=work.worth,
        people=(planned,) if visit.held and planned is not None else tuple(able),
        planned=planned,
        held=visit.held,
        concert=_window(facts, piece.before),
        occasion=joined(", ", [_played(one) for one in piece.before]),
        plays_on=_plays_on(facts, visit.instrument_id),
        closed=tuple(_closed(facts, work)),
        listens=visit.kind in LISTENS,
        tires=visit.kind == VOICING,
        wait=DRYING_WAIT if visit.kind == VOICING else 0,
        after=after,
        needs=needs,
        beside=beside,
    )


def _sittings(kind: str, slots: int) -> tuple[int, ...]:
    known = kind in WORK_ORDER
    if kind in WHOLE or (not known and slots <= LONGEST_UNKNOWN):
        return (slots,)
    return parts(slots)


def _window(facts: WeekFacts, before: Sequence[Played]) -> Span | None:
    """Return the slots within 48 hours before all of some performances and before the first begins."""
    if not before:
        return None
    first = facts.clock.slot(max(one.begins for one in before) - TUNED_WITHIN, up=True)
    last = facts.clock.slot(min(one.begins for one in before))
    return Span(max(first, 0), min(max(last, first, 1), facts.clock.days[-1]))


def _plays_on(facts: WeekFacts, instrument: int) -> int | None:
    days = [one.day for one in facts.played.get(instrument, ()) if one.begins > facts.now]
    return (min(days) - facts.clock.monday).days if days else None


def _closed(facts: WeekFacts, work: Work) -> Iterator[Closed]:
    """Give the stretches in which a visit cannot be done, with the occasion of each."""
    visit, clock = work.visit, facts.clock
    here = facts.rooms.get(work.room.pk, [])
    there = [one for one in facts.elsewhere.get(visit.instrument_id, []) if one.room_id != work.room.pk]
    for booking in (*here, *there):
        span = clock.taken(booking.starts_at, booking.ends_at)
        if span is not None:
            yield Closed(span, BOOKINGS, _occasion(facts, booking))
    wet = facts.wet_until.get(visit.instrument_id)
    if wet is not None and visit.kind in LISTENS:
        span = clock.taken(clock.begins, wet)
        if span is not None:
            yield Closed(span, DRYING, worded("a hardener of %(tag)s dries", tag=visit.instrument.tag))
    if visit.kind == VOICING:
        for played in facts.played.get(visit.instrument_id, ()):
            dry_from = clock.instant(played.day - timedelta(days=HARDENER_DAYS), time.min)
            span = clock.taken(dry_from, played.ends)
            if span is not None:
                yield Closed(span, HARDENER, _played(played))


def _occasion(facts: WeekFacts, booking: Booking) -> str:
    when = facts.clock.in_words(booking.starts_at, booking.ends_at)
    return joined(", ", [booking.title or worded("booked"), when])


def _played(one: Played) -> str:
    return worded("%(title)s on %(day)s", title=one.title, day=On(one.day, "short"))


def _worker(facts: WeekFacts, offer: Offer) -> Worker:
    person, clock = offer.person, facts.clock
    numbers = person.working_days if person else range(5)
    days = [clock.monday + timedelta(days=number) for number in sorted(numbers)]
    hours = (person.day_from, person.day_until) if person else DAY
    return Worker(
        name=person.name if person else UNNAMED,
        shifts=tuple(span for day in days if (span := clock.work(day, *hours)) is not None),
        lunches=tuple(span for day in days if (span := _lunch(facts, offer, day)) is not None),
        away=tuple(
            span
            for first, last in offer.away
            if (
                span := clock.taken(
                    clock.instant(first, time.min), clock.instant(last + timedelta(days=1), time.min)
                )
            )
            is not None
        ),
        minutes=round(60 * offer.hours),
    )


def _lunch(facts: WeekFacts, offer: Offer, day: date) -> Span | None:
    begins = facts.clock.instant(day, offer.person.lunch_from if offer.person else LUNCH_FROM)
    minutes = offer.person.lunch_minutes if offer.person else LUNCH_MINUTES
    return facts.clock.taken(begins, begins + timedelta(minutes=minutes))
