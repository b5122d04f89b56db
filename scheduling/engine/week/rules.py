"""The rules of a week by name, each with its reason in words, and the figures that go with them."""

from dataclasses import dataclass

from scheduling.engine.said import worded

SLOT_MINUTES = 15
"""Length of a slot, the unit of time of a week's layout [min]."""

# The figures below are priors: common practice, no source.
EAR_STRETCH = 120 // SLOT_MINUTES
"""Longest stretch of judging tone [slots]."""
EAR_BREAK = 30 // SLOT_MINUTES
"""Rest of the ear between two stretches [slots]."""
EAR_DAY = 240 // SLOT_MINUTES
"""Most judging of tone in a day of one person [slots]."""
WALK = 15 // SLOT_MINUTES
"""Way from one building to another, with the tools [slots]."""


@dataclass(frozen=True)
class Rule:
    """A rule in short, and why it is there."""

    name: str
    reason: str


SKILLS = worded("skills")
WORKING_HOURS = worded("working hours")
ABSENCE = worded("absence")
LUNCH = worded("lunch")
BEGUN = worded("time passed")
BOOKINGS = worded("room booked")
CONCERT = worded("tuning before a performance")
HARDENER = worded("no hardener before a performance")
HOURS = worded("hours offered")
ONE_THING = worded("one thing at a time")
QUIET = worded("quiet room")
WALKING = worded("way between buildings")
ORDER = worded("order of work")
NEEDS = worded("work it rests on")
BESIDE = worded("action out")
DRYING = worded("drying")
EAR_RESTS = worded("rest for the ear")
EAR_TIRES = worded("ear of the day")

RULES = tuple(
    Rule(*words)
    for words in (
        (SKILLS, worded("whoever does a service has learnt it, and a held visit keeps its person")),
        (WORKING_HOURS, worded("work lies within the days and the hours of the day of whoever does it")),
        (ABSENCE, worded("nobody works on a day away")),
        (LUNCH, worded("everybody's lunch stays free")),
        (BEGUN, worded("what has passed cannot be planned")),
        (BOOKINGS, worded("an instrument is worked on while its room is free and nobody else plays it")),
        (CONCERT, worded("an instrument is tuned within the 48 hours before it is played in public")),
        (HARDENER, worded("nothing is played in public while a hardener dries, so none two days before")),
        (HOURS, worded("nobody works more hours than offered, and the reserve stays free for what turns up")),
        (
            ONE_THING,
            worded("a person does one thing at a time, and an instrument is worked on by one person"),
        ),
        (QUIET, worded("who tunes or voices has to hear, so nobody else works in the room")),
        (WALKING, worded("going to another building takes a quarter of an hour")),
        (ORDER, worded("bed the frame, regulate, tune, judge tone")),
        (NEEDS, worded("work that rests on other work of the week is not done without it")),
        (
            BESIDE,
            worded("it is short because the action is out for other work: the same person, the same day"),
        ),
        (DRYING, worded("nothing is judged while a hardener dries, so a voicing goes on twelve hours later")),
        (
            EAR_RESTS,
            worded("judging tone tires the ear: two hours at a stretch at most, then half an hour of rest"),
        ),
        (EAR_TIRES, worded("judging tone tires the ear: four hours a day")),
    )
)
NAMES = frozenset(rule.name for rule in RULES)
REASONS = {rule.name: rule.reason for rule in RULES}
