"""What the frame around every page of a site needs."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest


def site_frame(request: HttpRequest) -> dict[str, Any]:
    """Give templates the membership and site of the request, or none of them to a stranger."""
    membership = getattr(request, "membership", None)
    return {"membership": membership, "site": membership.site if membership else None}
