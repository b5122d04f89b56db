"""Names as people type them."""

from __future__ import annotations


def name_of(text: str) -> str:
    """Return a name as it is kept: on one line, and without a NUL, which PostgreSQL does not hold."""
    return " ".join(text.replace("\0", " ").split())
