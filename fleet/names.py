"""Names as people type them, and the words that are stored in English."""

from __future__ import annotations

from django.utils.translation import gettext_noop

# Kinds of service and of instrument, shown in the reader's language; what a site adds is shown as written.
STORED_WORDS = (
    gettext_noop("tuning"),
    gettext_noop("bedding"),
    gettext_noop("regulation"),
    gettext_noop("voicing"),
    gettext_noop("grand"),
    gettext_noop("upright"),
    gettext_noop("harpsichord"),
    gettext_noop("fortepiano"),
    gettext_noop("celesta"),
)


def name_of(text: str) -> str:
    """Return a name as it is kept: on one line, and without a NUL, which PostgreSQL does not hold."""
    return " ".join(text.replace("\0", " ").split())
