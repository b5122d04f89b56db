"""Who is acting, and by which way in, for the history of facts."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from celery import current_task


class Way:
    """The ways by which facts change."""

    PAGE = "page"
    ADMIN = "admin"
    IMPORT = "import"
    COMMAND = "command"
    WORKER = "worker"


@dataclass(frozen=True)
class Acting:
    """Somebody at work; ``user`` is asked only when something is noted, since a page may change nothing."""

    way: str
    user: Callable[[], Any] | None = None

    def who(self) -> tuple[str, int | None]:
        """Return the name as it is kept, empty where nobody signed in, and the number of the login."""
        user = self.user() if self.user else None
        if user is None or not user.is_authenticated:
            return "", None
        return (user.get_full_name() or user.get_username())[:150], user.pk


_acting: ContextVar[Acting | None] = ContextVar("acting", default=None)


def acting_now() -> Acting:
    """Return who is acting; outside a request it is a worker's task or a command."""
    known = _acting.get()
    if known is not None:
        return known
    return Acting(Way.WORKER if current_task else Way.COMMAND)


@contextmanager
def acting(way: str, user: Callable[[], Any] | None = None) -> Iterator[None]:
    """Let somebody act by a way; within another, the way is another and the person the same."""
    outer = _acting.get()
    inner = replace(outer, way=way) if outer is not None and user is None else Acting(way, user)
    token = _acting.set(inner)
    try:
        yield
    finally:
        _acting.reset(token)


def command_name() -> str:
    """Return the command that runs, empty where none does."""
    program = Path(sys.argv[0]).name if sys.argv else ""
    return f"{program} {sys.argv[1]}" if program == "manage.py" and len(sys.argv) > 1 else ""
