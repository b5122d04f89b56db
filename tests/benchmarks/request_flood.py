"""A thousand reports a minute from one address against a live server: what database and readers feel.

Run from the repository's root: ``python tests/benchmarks/request_flood.py [--posts 1000] [--seconds 60]``;
``DATABASE_URL`` chooses the kind of database, and a database of its own is made and dropped. The server is
the one that is used in earnest, as a process of its own. The rival is the same reader without a flood: a
player who opens the page of another instrument once a second, first in quiet and then beside the flood.
"""

from __future__ import annotations

import argparse
import http.client
import os
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

ROOT = Path(__file__).resolve().parents[2]
SETTING_UP = """
from tests import factories as make
room = make.make_room(make.make_site("Flooded House"), "Hall")
for tag in ("G-1", "G-2"):
    print(make.make_instrument(room, tag, "grand").public_id)
"""
COUNTING = """
from fleet.models import FactChange, NoteRequest, PublicPost
print(NoteRequest.objects.count(), PublicPost.objects.count(), FactChange.objects.count())
"""


def free_port() -> int:
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        return int(door.getsockname()[1])


def ask(port: int, method: str, path: str, body: str = "", cookie: str = "") -> tuple[int, str, float]:
    """Return status, text and seconds of one request."""
    began = time.perf_counter()
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    kind = {"Content-Type": "application/x-www-form-urlencoded", "Cookie": cookie}
    line.request(method, path, body or None, kind)
    answer = line.getresponse()
    text = answer.read().decode()
    token = answer.getheader("Set-Cookie", "")
    line.close()
    return answer.status, text + "\n" + token, time.perf_counter() - began


def form_of(port: int, path: str) -> tuple[dict[str, str], str]:
    """Walk to the form as a browser does, and return its fields and the cookie that goes with it."""
    _, text, _ = ask(port, "GET", path)
    state = re.search(r'name="s" value="([^"]+)"', text)[1]
    _, text, _ = ask(port, "GET", f"{path}?{urlencode({'s': state, 'describe': 1})}")
    token = re.search(r'csrfmiddlewaretoken" value="(\w+)"', text)[1]
    cookie = re.search(r"csrftoken=\w+", text)[0]
    return {"csrfmiddlewaretoken": token}, cookie


def fresh_states(port: int, path: str, count: int) -> list[str]:
    """Return so many states of forms that were never sent."""
    return [re.search(r'name="s" value="([^"]+)"', ask(port, "GET", path)[1])[1] for _ in range(count)]


def flood(port: int, path: str, posts: int, span: float, answers: Counter[int], waits: list[float]) -> None:
    """Send reports that differ, evenly over a span, eight at a time."""
    fields, cookie = form_of(port, path)
    states = fresh_states(port, path, 30)
    began, numbers, lock = time.perf_counter(), iter(range(posts)), threading.Lock()

    def sender() -> None:
        while True:
            with lock:
                number = next(numbers, None)
            if number is None:
                return
            time.sleep(max(0.0, began + number * span / posts - time.perf_counter()))
            body = {**fields, "s": states[number % 30], "symptom": "buzzes", "words": f"report {number}"}
            status, _, seconds = ask(port, "POST", path, urlencode(body), cookie)
            with lock:
                answers[status] += 1
                waits.append(seconds)

    threads = [threading.Thread(target=sender) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def reads(port: int, path: str, until: threading.Event, waits: list[float]) -> None:
    """Open a page once a second until told to stop."""
    while not until.wait(1.0):
        status, _, seconds = ask(port, "GET", path)
        assert status == 200, status
        waits.append(seconds)


def reader_beside(port: int, path: str, work: Callable[[], object]) -> list[float]:
    """Return what a reader waited while something else went on."""
    waits: list[float] = []
    stop = threading.Event()
    reader = threading.Thread(target=reads, args=(port, path, stop, waits))
    reader.start()
    work()
    stop.set()
    reader.join()
    return waits


def at(share: float, waits: list[float]) -> float:
    """Return the wait that a share of them do not exceed [ms]."""
    return 1000 * sorted(waits)[min(len(waits) - 1, int(share * len(waits)))]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--posts", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.db import connection

    from tests.stage import staged, wait_for

    quietly = {"BROKER_URL": "memory://", "LOG_LEVEL": "ERROR"}
    with tempfile.TemporaryDirectory() as name, staged(Path(name), **quietly) as stage:
        manage(stage, "migrate", "--verbosity", "0")
        made = manage(stage, "shell", "-v", "0", "-c", SETTING_UP)
        flooded, other = (f"/i/{word}" for word in made.split())
        port = free_port()
        stage.python("-m", "waitress", f"--listen=127.0.0.1:{port}", "config.wsgi:application")
        wait_for(lambda: _answers(port), why=stage.log)
        answers: Counter[int] = Counter()
        waits: list[float] = []
        quiet = reader_beside(port, other, lambda: time.sleep(min(20.0, options.seconds)))
        during = reader_beside(
            port, other, lambda: flood(port, flooded, options.posts, options.seconds, answers, waits)
        )
        rows = manage(stage, "shell", "-v", "0", "-c", COUNTING).split()
    print(f"{options.posts:,} reports in {options.seconds:g} s from one address, on {connection.vendor}")
    print(f"answers: {dict(sorted(answers.items()))}")
    print(f"rows after it: {rows[0]} requests, {rows[1]} of the limits, {rows[2]} notes of changed facts")
    print(f"{'':34}{'median ms':>10}{'95 % ms':>10}")
    lines = {"a report, answered": waits, "reader in quiet": quiet, "reader beside the flood": during}
    for what, seen in lines.items():
        print(f"{what:34}{at(0.5, seen):>10.1f}{at(0.95, seen):>10.1f}")
    ratio = statistics.median(during) / statistics.median(quiet)
    print(f"{'reader beside the flood to quiet':34}{ratio:>10.2f}")


def manage(stage: Any, *words: str) -> str:
    """Run a command of the project to its end and return what it printed."""
    command = [sys.executable, "manage.py", *words]
    done = subprocess.run(command, cwd=ROOT, env=stage.env, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


def _answers(port: int) -> bool:
    try:
        return ask(port, "GET", "/login/")[0] == 200
    except OSError:
        return False


if __name__ == "__main__":
    main()
