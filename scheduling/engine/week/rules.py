"""The rules of a week by name, each with its reason in words, and the figures that go with them."""

from dataclasses import dataclass

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


SKILLS = "skills"
WORKING_HOURS = "working hours"
ABSENCE = "absence"
LUNCH = "lunch"
BEGUN = "time passed"
BOOKINGS = "room booked"
CONCERT = "tuning before a performance"
HARDENER = "no hardener before a performance"
HOURS = "hours offered"
ONE_THING = "one thing at a time"
QUIET = "quiet room"
WALKING = "way between buildings"
ORDER = "order of work"
NEEDS = "work it rests on"
DRYING = "drying"
EAR_RESTS = "rest for the ear"
EAR_TIRES = "ear of the day"

RULES = tuple(
    Rule(*words)
    for words in (
        (SKILLS, "whoever does a service has learnt it, and a held visit keeps its person"),
        (WORKING_HOURS, "work lies within the days and the hours of the day of whoever does it"),
        (ABSENCE, "nobody works on a day away"),
        (LUNCH, "everybody's lunch stays free"),
        (BEGUN, "what has passed cannot be planned"),
        (BOOKINGS, "an instrument is worked on while its room is free and nobody else plays it"),
        (CONCERT, "an instrument is tuned within the 48 hours before it is played in public"),
        (HARDENER, "nothing is played in public while a hardener dries, so none two days before"),
        (HOURS, "nobody works more hours than offered, and the reserve stays free for what turns up"),
        (ONE_THING, "a person does one thing at a time, and an instrument is worked on by one person"),
        (QUIET, "who tunes or voices has to hear, so nobody else works in the room"),
        (WALKING, "going to another building takes a quarter of an hour"),
        (ORDER, "bed the frame, regulate, tune, judge tone"),
        (NEEDS, "work that rests on other work of the week is not done without it"),
        (DRYING, "nothing is judged while a hardener dries, so a voicing goes on twelve hours later"),
        (EAR_RESTS, "judging tone tires the ear: two hours at a stretch at most, then half an hour of rest"),
        (EAR_TIRES, "judging tone tires the ear: four hours a day"),
    )
)
NAMES = frozenset(rule.name for rule in RULES)
REASONS = {rule.name: rule.reason for rule in RULES}
