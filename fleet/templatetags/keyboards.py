"""Keyboards in templates: a small drawing of the compass with marks, and notes as people read them."""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache

from django import template
from django.template.loader import render_to_string

from fleet import drawing
from fleet.keyboard import Compass, compass_of, shown
from fleet.models import Instrument
from fleet.notes import note_number

register = template.Library()


@register.simple_tag
def keyboard_map(
    compass: Compass, marked: Collection[int], label: str, neighbours: bool = False, near: bool = False
) -> str:
    """Draw a compass small: diamonds over the marked keys and, where asked, rings over their neighbours.

    Where asked, only the octaves near the marked keys are drawn.
    """
    return _keyboard_map(compass, tuple(marked), label, neighbours, near)


# Lists of requests draw the same keyboards each time they are read.
@lru_cache(maxsize=1024)
def _keyboard_map(compass: Compass, marked: tuple[int, ...], label: str, neighbours: bool, near: bool) -> str:
    compass = drawing.part(compass, marked) if near else compass
    ringed = [key.number for key in drawing.around(marked, compass)] if neighbours else ()
    drawn = {"map": drawing.keyboard_map(compass, marked, ringed), "label": label}
    return render_to_string("fleet/keyboard_map.html", drawn)


@register.filter
def note(name: str) -> str:
    """Write the name of a note with a sharp sign."""
    return shown(name)


@register.filter
def place(name: str, instrument: Instrument) -> str:
    """Write in words where the key of a note lies on an instrument, nothing where it has no such key."""
    compass = compass_of(instrument.kind, instrument.compass)
    number = note_number(name)
    return compass.key(number).place if number in compass else ""
