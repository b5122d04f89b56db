"""The order of the trade where it matters: bed, regulate, tune, judge tone. Common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

# By kind: what comes before it, and what the order means for this piece of work.
ORDER: dict[str, tuple[tuple[str, ...], Any]] = {
    "bedding": (
        (),
        gettext_lazy(
            "The frame is bedded first; then regulate, tune, judge tone. Whatever changes the height of the "
            "balance rail changes the key dip, so measure the dip again afterwards."
        ),
    ),
    "regulation": (
        ("bedding",),
        gettext_lazy("An action is regulated on a bedded frame; tuning and tone come after it."),
    ),
    "tuning": (
        ("regulation",),
        gettext_lazy("Tune after bedding and regulating, before judging tone."),
    ),
    "voicing": (
        ("regulation", "tuning"),
        gettext_lazy(
            "Tone is judged on a regulated, freshly tuned instrument, and the tuning touched up after it. "
            "Judging tires the ear: stop after two hours and compare with the marks you wrote down."
        ),
    ),
}


def order_words(kind: str, last: Mapping[str, date], today: date) -> list[str]:
    """Return sentences on what comes before a kind of service, and when that was last done here."""
    before, sentence = ORDER.get(kind, ((), ""))
    words = [str(sentence)] if sentence else []
    return words + [_last_done(one, last[one], today) for one in before if one in last]


def _last_done(kind: str, day: date, today: date) -> str:
    days = (today - day).days
    if days <= 0:
        return _("Last %(kind)s: today.") % {"kind": kind}
    ago = ngettext("one day ago", "%(days)d days ago", days) % {"days": days}
    return _("Last %(kind)s: %(day)s, %(ago)s.") % {
        "kind": kind,
        "day": date_format(day, _("j F Y")),
        "ago": ago,
    }
