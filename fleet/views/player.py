"""The page behind the code on an instrument: open to everybody who stands before it, and to nobody else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import wraps
from typing import Any

from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods

from fleet import requests
from fleet.keyboard import Compass, Key, frequencies
from fleet.models import Instrument, NoteRequest, RequestState
from fleet.notes import note_number
from fleet.picking import Picked, begin, unsealed
from fleet.refusal import Refused
from fleet.symptoms import symptoms_for
from fleet.throttle import TooMany, sender_of

View = Callable[..., HttpResponse]
Screen = tuple[str, dict[str, Any]]

LARGEST_POST = 16_384  # bytes; a report in the longest words takes less than half
SENT_SALT = "fleet.player.sent"
# What was looked at longer ago than this is no news to players.
NEWS_FOR = timedelta(days=60)
MOST_NEWS = 6


def open_door(view: View) -> View:
    """Let everybody in, with small posts only; nothing is kept on the way or listed by engines."""
    guarded = csrf_protect(view)

    @wraps(view)
    def door(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        length = request.META.get("CONTENT_LENGTH") or "0"
        if not length.isdecimal() or int(length) > LARGEST_POST:
            return HttpResponse("Too much at once.", status=413, content_type="text/plain")
        answer = guarded(request, *args, **kwargs)
        answer["X-Robots-Tag"] = "noindex, nofollow"
        return answer

    return csrf_exempt(never_cache(require_http_methods(["GET", "HEAD", "POST"])(door)))


@open_door
def player(request: HttpRequest, public_id: str) -> HttpResponse:
    """Let a player say which notes are in trouble; picking only reads, sending stores."""
    rows = Instrument.objects.filter(retired_on=None).select_related("site", "room")
    instrument = get_object_or_404(rows, public_id=public_id)
    timezone.activate(instrument.site.zone)
    if request.method == "POST":
        return _send(request, instrument)
    if "sent" in request.GET:
        return _answer(request, instrument, _thanks(request, instrument))
    return _answer(request, instrument, _picking(request, instrument))


def _answer(request: HttpRequest, instrument: Instrument, screen: Screen, status: int = 200) -> HttpResponse:
    name, context = screen
    member = request.user.is_authenticated and Instrument.objects.for_user(request.user).filter(
        pk=instrument.pk
    )
    context |= {"instrument": instrument, "member": bool(member), "here": request.path}
    return render(request, f"fleet/player/{name}.html", context, status=status)


STEPS: dict[str, Callable[[Picked, int, Compass], Picked]] = {
    "key": lambda picked, number, compass: picked.ask(number, compass),
    "yes": lambda picked, number, compass: picked.confirm(number),
    "drop": lambda picked, number, compass: picked.drop(number),
}


def _picking(request: HttpRequest, instrument: Instrument) -> Screen:
    """Return the screen that the address asks for: the keyboard, the question, the list, or the words."""
    compass, picked, trouble = instrument.keyboard(), begin(instrument.pk), None
    try:
        if "s" in request.GET:
            picked = unsealed(request.GET["s"], instrument.pk)
        for name, step in STEPS.items():
            if name in request.GET:
                picked = step(picked, _number(request.GET[name]), compass)
    except Refused as refusal:
        trouble = refusal
    context: dict[str, Any] = {"trouble": trouble, "compass": compass, "picked": picked}
    if picked.asked is not None:
        return "question", context | _question(instrument, compass, picked)
    context |= {"state": picked.sealed(), "notes": [compass.key(number) for number in picked.notes]}
    if "describe" in request.GET:
        return "words", context | _words_context(instrument)
    if picked.notes and "more" not in request.GET:
        return "list", context
    return "keyboard", context | _keyboard(instrument, compass)


def _number(text: str) -> int:
    return int(text) if text.isdecimal() and len(text) < 4 else 0


def _keyboard(instrument: Instrument, compass: Compass) -> dict[str, Any]:
    """Return the keys by octave, each with what it sounds at, and what has been looked at lately."""
    hz = frequencies(compass, instrument.pitch_hz)
    since = timezone.now() - NEWS_FOR
    closed = instrument.requests.exclude(state=RequestState.OPEN).filter(closed_at__gte=since)
    return {
        "octaves": [
            (octave, [(key, hz[key.number], octave.step(key)) for key in octave.keys])
            for octave in compass.octaves
        ],
        "news": closed.order_by("-closed_at")[:MOST_NEWS],
    }


def _question(instrument: Instrument, compass: Compass, picked: Picked) -> dict[str, Any]:
    """Return the key that is asked about between its neighbours, each with what it sounds at."""
    asked = picked.asked or 0
    hz = frequencies(compass, instrument.pitch_hz)
    keys: list[Key] = sorted([compass.key(asked), *compass.neighbours(asked)], key=lambda key: key.number)
    return {
        "asked": compass.key(asked),
        "keys": [(key, hz[key.number]) for key in keys],
        "state": picked.sealed(),
        "without": replace(picked, asked=None).sealed(),
        "marked": [asked],
    }


def _words_context(instrument: Instrument) -> dict[str, Any]:
    return {"symptoms": symptoms_for(instrument.kind), "most_words": requests.MOST_WORDS}


def _send(request: HttpRequest, instrument: Instrument) -> HttpResponse:
    """Store what was confirmed and say so; where it is not taken, give everything back with the reason."""
    picked = begin(instrument.pk)
    said = {name: request.POST.get(name, "") for name in ("symptom", "words")}
    try:
        picked = unsealed(request.POST.get("s", ""), instrument.pk)
        _no_robot(request)
        taken = requests.take_request(
            instrument, picked, **said, sender=sender_of(request), now=timezone.now()
        )
    except Refused as refusal:
        return _give_back(request, instrument, picked, said, refusal)
    mark = signing.dumps([taken.request.pk, taken.again], salt=SENT_SALT)
    return redirect(f"{reverse('player', args=[instrument.public_id])}?sent={mark}")


def _give_back(
    request: HttpRequest, instrument: Instrument, picked: Picked, said: dict[str, str], why: Refused
) -> HttpResponse:
    compass = instrument.keyboard()
    context = {
        "trouble": why,
        "compass": compass,
        "picked": picked,
        "state": picked.sealed(),
        "notes": [compass.key(number) for number in picked.notes],
        "said": said,
        **_words_context(instrument),
    }
    wait = why.minutes if isinstance(why, TooMany) else None
    answer = _answer(request, instrument, ("words", context), 429 if wait else 400)
    if wait:
        answer["Retry-After"] = str(60 * wait)
    return answer


def _no_robot(request: HttpRequest) -> None:
    """Refuse a form whose hidden field is filled, in words, since a browser may have filled it by itself."""
    if request.POST.get("website"):
        raise Refused(
            _("a field that stays empty was filled, as machines do"), accepted=_("the form sent again")
        )


def _thanks(request: HttpRequest, instrument: Instrument) -> Screen:
    """Return the thanks for what this visitor sent, and what has become of it."""
    try:
        pk, again = signing.loads(request.GET["sent"], salt=SENT_SALT, max_age=NEWS_FOR)
    except signing.BadSignature:
        return _picking(request, instrument)
    sent = get_object_or_404(NoteRequest, pk=pk, instrument=instrument)
    compass = instrument.keyboard()
    numbers = [note_number(name) for name in sent.notes]
    keys = [compass.key(number) for number in numbers if number in compass]
    return "thanks", {"sent": sent, "again": again, "compass": compass, "notes": keys, "marked": numbers}
