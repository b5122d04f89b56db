"""What people are told when a page cannot be made: what is safe, and when to try again."""

from __future__ import annotations

import errno
import json
import shutil
import sqlite3
from types import SimpleNamespace

import psycopg
import pytest
from django.db import OperationalError
from django.db import connection as database

from fleet import trouble
from tests import factories


@pytest.fixture
def site(db):
    return factories.make_site()


@pytest.fixture
def told(client, site):
    """Return what is answered where the first question to the database ends in an error."""
    client.force_login(factories.make_user(site))
    client.raise_request_exception = False

    def ask(
        error: Exception, address: str = "/", method: str = "get", **more: object
    ) -> tuple[int, str, str]:

        def fails(*_: object, **__: object) -> None:
            raise error

        with database.execute_wrapper(fails):
            answer = getattr(client, method)(address, **more)
        return answer.status_code, answer.content.decode(), answer.get("Retry-After", "")

    return ask


def of_postgresql(kind: type[psycopg.Error]) -> OperationalError:
    error = OperationalError("as the server words it, in whatever language")
    error.__cause__ = kind()
    return error


@pytest.mark.parametrize(
    ("error", "heading"),
    [
        (OperationalError("database or disk is full"), "The disk is full"),
        (of_postgresql(psycopg.errors.DiskFull), "The disk is full"),
        (OperationalError("connection failed: FATAL:  could not write init file"), "The disk is full"),
        (OSError(errno.ENOSPC, "No space left on device"), "The disk is full"),
        (OperationalError("connection to server failed: refused"), "The database does not answer"),
        (of_postgresql(psycopg.errors.AdminShutdown), "The database does not answer"),
        (OperationalError("database is locked"), "Too much is being stored at once"),
    ],
)
def test_what_passes_by_itself_is_503_with_when_to_try_again(told, error, heading):
    status, said, again = told(error)
    assert (status, again) == (503, "30")
    assert f"<h1>{heading}</h1>" in said
    assert "half a minute" in said
    assert "Nothing of what you sent" not in said


def test_who_sent_something_is_told_that_it_was_not_stored(told):
    status, said, _ = told(OperationalError("database or disk is full"), "/login/", "post")
    assert status == 503
    assert "Nothing of what you sent was stored. Go back" in said


def test_an_error_of_our_own_is_500_and_says_so(told):
    status, said, again = told(ZeroDivisionError())
    assert (status, again) == (500, "")
    assert "An error of the almanac itself" in said


def test_a_logger_is_told_in_its_own_language(told):
    status, said, again = told(
        OperationalError("database or disk is full"),
        "/api/readings",
        "post",
        headers={"Authorization": "Bearer a"},
    )
    assert (status, again) == (503, "30")
    assert "no room left" in json.loads(said)["error"]


def test_what_sqlite_says_of_a_full_disk_is_known_as_such():
    store = sqlite3.connect(":memory:")
    store.execute("PRAGMA max_page_count = 4")
    store.execute("CREATE TABLE words (word TEXT)")
    with pytest.raises(sqlite3.OperationalError) as raised:
        store.executemany("INSERT INTO words VALUES (?)", [("x" * 1000,)] * 100)
    assert trouble.kind_of(OperationalError(*raised.value.args)) == trouble.FULL


@pytest.mark.parametrize(("free", "kind"), [(0, trouble.FULL), (10**9, trouble.AWAY)])
def test_a_file_that_finds_no_room_beside_the_database_is_a_full_disk(monkeypatch, free, kind):
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=free))
    assert trouble.kind_of(OperationalError("disk I/O error")) == kind
