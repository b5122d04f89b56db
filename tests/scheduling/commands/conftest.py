"""Runs a command as a shell would: what it prints, what it says on the side, and its exit code."""

import io
import json
from dataclasses import dataclass

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError


@dataclass(frozen=True)
class Ran:
    out: str
    err: str
    code: int

    @property
    def json(self):
        return json.loads(self.out)


@pytest.fixture
def run():
    """Return a function that runs a command; a refusal gives 1 and wrong usage 2, as from the shell."""

    def run(*words: str) -> Ran:
        out, err = io.StringIO(), io.StringIO()
        try:
            call_command(*words, stdout=out, stderr=err)
        except CommandError as error:
            # the parser's own errors carry no code when a command is called from code; the shell gives 2
            usage = str(error).startswith("Error:")
            return Ran(out.getvalue(), f"{err.getvalue()}{error}", 2 if usage else error.returncode)
        return Ran(out.getvalue(), err.getvalue(), 0)

    return run
