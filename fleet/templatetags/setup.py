"""The way from one page of the settings to the others."""

from __future__ import annotations

from typing import Any

from django import template
from django.template import Context
from django.utils.translation import gettext_lazy as _

register = template.Library()

PAGES = (
    ("settings", _("The site")),
    ("set_services", _("Kinds of service")),
    ("set_people", _("People")),
    ("set_terms", _("Terms")),
    ("set_days", _("Days off")),
    ("letter_choices", _("Letters")),
)
FOR_ADMINISTRATORS = (("members", _("Members")),)


@register.inclusion_tag("setup/parts.html", takes_context=True)
def setup_parts(context: Context, here: str) -> dict[str, Any]:
    """Show the pages of the settings, and who may change what stands on them."""
    may_set = bool(context.get("may_set"))
    return {
        "setup_pages": PAGES + (FOR_ADMINISTRATORS if may_set else ()),
        "here": here,
        "may_set": may_set,
    }
