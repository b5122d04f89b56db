"""Words for the kinds of facts that the history speaks of."""

from __future__ import annotations

from django import template
from django.apps import apps

from fleet.history_words import SUBJECTS

register = template.Library()


@register.filter
def subject_word(label: str) -> str:
    """Return what a fact is, from the name of its model; the name itself where the model is gone."""
    if label in SUBJECTS:
        return str(SUBJECTS[label])
    try:
        return str(apps.get_model(label)._meta.verbose_name)
    except (LookupError, ValueError):
        return label
