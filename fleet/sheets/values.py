"""Words of the trade in a table's cells, matched to the few words that the almanac knows."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass


def plain(text: str) -> str:
    """Return a text in small letters without accents, marks and doubled spaces, to be compared."""
    letters = unicodedata.normalize("NFKD", text.lower())
    letters = "".join(letter for letter in letters if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[^a-z0-9]+", " ", letters).split())


@dataclass(frozen=True)
class Words:
    """The words known, each with others that mean it; the longest that stands in a cell decides."""

    known: Mapping[str, tuple[str, ...]]

    def guess(self, text: str) -> str:
        """Return the known word that a cell means, empty where it cannot be told."""
        cell = f" {plain(text)} "
        hits = [
            (len(other), word)
            for word, others in self.known.items()
            for other in (word, *others)
            if f" {other} " in cell
        ]
        longest = max(hits, default=(0, ""))
        rivals = {word for length, word in hits if length == longest[0]}
        return longest[1] if len(rivals) == 1 else ""


INSTRUMENT_KINDS = Words(
    {
        "grand": ("grands", "grand piano", "concert grand", "baby grand", "wing", "flugel", "konzertflugel")
        + ("stutzflugel", "parlour grand", "parlor grand"),
        "upright": (
            "uprights",
            "upright piano",
            "vertical",
            "cottage",
            "console",
            "studio upright",
            "pianino",
        )
        + ("klavier", "wall piano"),
        "harpsichord": ("harpsichords", "cembalo", "spinet", "virginal", "clavecin", "kielflugel"),
        "fortepiano": ("forte piano", "hammerflugel", "hammerklavier", "early piano", "square piano"),
        "celesta": ("celeste", "celestas"),
    }
)
USES = Words(
    {
        "concert": ("concerts", "concert hall", "stage", "konzert", "konzertsaal", "buhne", "performance"),
        "recital": ("recitals", "recital room", "chamber", "kammermusik", "audition", "small hall"),
        "teaching": ("lessons", "lesson", "class", "classroom", "studio", "unterricht", "teacher"),
        "practice": ("practise", "practice room", "students", "uben", "ubung", "ubezimmer", "rehearsal"),
        "store": ("storage", "stored", "lager", "depot", "spare", "unused"),
    }
)
SERVICE_KINDS = Words(
    {
        "tuning": ("tune", "tuned", "tunings", "pitch", "pitch raise", "stimmen", "stimmung", "gestimmt"),
        "bedding": ("bedded", "bed", "key frame", "keyframe", "glides", "frame bedding"),
        "regulation": ("regulate", "regulated", "regulating", "action", "regulieren", "regulierung"),
        "voicing": ("voiced", "voice", "intonation", "intonieren", "needling", "hammers"),
    }
)
