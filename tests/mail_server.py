"""A real mail server on this machine that accepts, refuses, defers, or hangs up at a chosen point."""

from __future__ import annotations

import asyncio
import email
import logging
import socket
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from email.policy import default
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, syntax

# It would write every line of every conversation into the log of a failed test.
logging.getLogger("mail.log").setLevel(logging.WARNING)


class Manners:
    """How the server behaves, changed by a test while it runs, and what it took in."""

    def __init__(self) -> None:
        self.to_recipient = "250 OK"
        self.after_data = "250 OK"
        self.hang_up_at_data = False
        self.hang_up_inside_data = False
        self.hang_up_after_data = False
        self.seconds_a_letter = 0.0
        self.seconds_before_data = 0.0
        self.refused = ""
        self.tries = 0
        self.connections = 0
        self.taken: list[EmailMessage] = []

    @property
    def ids(self) -> Counter[str]:
        """How often each Message-ID was taken in."""
        return Counter(str(message["Message-ID"]) for message in self.taken)


class Server(SMTP):
    """aiosmtpd's server with a way to hang up inside DATA."""

    @syntax("DATA")
    async def smtp_DATA(self, arg: str) -> None:  # noqa: N802 - the name aiosmtpd looks for
        manners = self.event_handler.manners
        if manners.hang_up_at_data:
            self.transport.abort()
            return
        if manners.hang_up_inside_data:
            await self.push("354 go on")
            await self._reader.readuntil(b"\n")
            self.transport.abort()
            return
        await super().smtp_DATA(arg)


class Handler:
    """What aiosmtpd asks at each step."""

    def __init__(self, manners: Manners) -> None:
        self.manners = manners

    async def handle_EHLO(  # noqa: N802
        self, server: Any, session: Any, envelope: Any, hostname: str, responses: list[str]
    ) -> list[str]:
        self.manners.connections += 1
        session.host_name = hostname
        return responses

    async def handle_RCPT(  # noqa: N802
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        self.manners.tries += 1
        if self.manners.seconds_before_data:
            await asyncio.sleep(self.manners.seconds_before_data)
        if address == self.manners.refused:
            return "550 nobody here"
        if self.manners.to_recipient.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.manners.to_recipient

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        if self.manners.seconds_a_letter:
            await asyncio.sleep(self.manners.seconds_a_letter)
        if self.manners.after_data.startswith("250"):
            self.manners.taken.append(email.message_from_bytes(envelope.content, policy=default))
        if self.manners.hang_up_after_data:
            server.transport.abort()
        return self.manners.after_data


class Post(Controller):
    """The controller with the server above."""

    def factory(self) -> Server:
        """Return one connection's server."""
        return Server(self.handler, hostname="mail.example")


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(manners: Manners, port: int = 0) -> Iterator[int]:
    """Run a mail server, at a port where one is named, and yield its port."""
    port = port or free_port()
    controller = Post(Handler(manners), hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield port
    finally:
        controller.stop()
