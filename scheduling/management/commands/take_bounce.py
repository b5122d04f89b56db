"""Take in a returned mail from standard input, so that its letter is shown as refused with the reason."""

from __future__ import annotations

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.refusal import Refused
from scheduling.letter_trouble import LARGEST_BOUNCE, take_bounce


class Command(BaseCommand):
    help = "Takes in a returned mail (RFC 3464) from standard input; for the alias of the sender's address."

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            letter = take_bounce(sys.stdin.buffer.read(LARGEST_BOUNCE + 1))
        except Refused as refused:
            raise CommandError(str(refused)) from refused
        self.stdout.write(f"{letter}: {letter.trouble}")
