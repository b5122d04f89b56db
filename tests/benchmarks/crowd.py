"""Fifty people at once, alone and while forecasts are refreshed and readings imported; memory over a while.

Run from the repository's root: ``python -m tests.benchmarks.crowd [--people 50] [--seconds 60]
[--instruments 200] [--soak MINUTES]``. It starts a PostgreSQL, a Redis and the three processes of the
grown-up default of its own. A person asks for one of the pages that the head of a page leads to, reads it
for one to three seconds and asks for the next; each page is shown with its median and its 95th percentile,
the busy stretch also as a ratio to the quiet one of the same run.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from tests.faults.house import House, Logger, Visitor, on_servers  # noqa: E402

READS = (1.0, 3.0)
# From the middle third to the last, beyond which a process is taken to keep on growing.
GROWTH = 1.05
LINES_IMPORTED = 400_000


@dataclass
class Seen:
    """What people saw in a stretch: seconds by page, and how often each status."""

    seconds: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    answers: Counter[int] = field(default_factory=Counter)

    @property
    def all(self) -> list[float]:
        """Seconds of every page."""
        return [one for page in self.seconds.values() for one in page]


def share(values: list[float], of: float) -> float:
    """Return a quantile in milliseconds."""
    return 1000 * statistics.quantiles(values, n=100)[round(of * 100) - 1]


class Person(threading.Thread):
    """Somebody who goes from page to page until the stretch is over."""

    def __init__(self, visitor: Visitor, pages: list[str], seen: Seen, until: float, seed: int) -> None:
        super().__init__(daemon=True)
        self.visitor, self.pages, self.seen, self.until = visitor, pages, seen, until
        self.chance = random.Random(seed)

    def run(self) -> None:
        time.sleep(self.chance.uniform(0, READS[1]))
        while time.monotonic() < self.until:
            page, begun = self.chance.choice(self.pages), time.monotonic()
            status, _ = self.visitor.ask(page)
            self.seen.seconds[page].append(time.monotonic() - begun)
            self.seen.answers[status] += 1
            time.sleep(self.chance.uniform(*READS))


def stretch(people: list[Visitor], pages: list[str], seconds: float, seed: int) -> Seen:
    """Let everybody read for a while."""
    seen, until = Seen(), time.monotonic() + seconds
    crowd = [Person(one, pages, seen, until, seed + number) for number, one in enumerate(people)]
    for person in crowd:
        person.start()
    for person in crowd:
        person.join()
    return seen


def memory(house: House) -> dict[str, float]:
    """Return the resident memory of each process that was started, with its children [MiB]."""
    names = ("web", "beat", "worker")
    return {
        name: sum(_resident(one) for one in (process.pid, *_children(process.pid)))
        for name, process in zip(names, house.stage.started, strict=False)
    }


def _children(process: int) -> list[int]:
    return [int(one) for one in Path(f"/proc/{process}/task/{process}/children").read_text().split()]


def _resident(process: int) -> float:
    found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{process}/status").read_text())
    return int(found[1]) / 1024 if found else 0.0


def crowd(house: House, people: int, seconds: float) -> None:
    """Measure the quiet stretch and the busy one."""
    visitors = [house.visitor() for _ in range(people)]
    _, home = visitors[0].ask("/")
    head = home[home.index("<header") : home.index("</header>")]
    pages = sorted({link for link in re.findall(r'href="(/[^"#?]*)"', head) if "static" not in link})
    for page in pages:
        visitors[0].ask(page)
    quiet = stretch(visitors, pages, seconds, 1)
    house.stage.act(f"ask_for_much {LINES_IMPORTED}")
    logger = Logger(house)
    logger.start()
    busy = stretch(visitors, pages, seconds, 1000)
    logger.stop()
    print(f"{'page':28}{'quiet: ms':>12}{'95 of 100':>12}{'busy: ms':>12}{'95 of 100':>12}")
    for page in pages:
        one, other = quiet.seconds[page], busy.seconds[page]
        figures = (share(one, 0.5), share(one, 0.95), share(other, 0.5), share(other, 0.95))
        print(f"{page:28}" + "".join(f"{figure:12.0f}" for figure in figures))
    for name, seen in (("quiet", quiet), ("busy", busy)):
        print(
            f"{name}: {len(seen.all)} pages by {people} people in {seconds:.0f} s,"
            f" median {share(seen.all, 0.5):.0f} ms, 95 of 100 within {share(seen.all, 0.95):.0f} ms,"
            f" answers {dict(seen.answers)}"
        )
    print(f"ratio busy to quiet: median {share(busy.all, 0.5) / share(quiet.all, 0.5):.2f},"
          f" 95th percentile {share(busy.all, 0.95) / share(quiet.all, 0.95):.2f}")  # fmt: skip
    print(f"readings posted meanwhile {logger.taken}, answers {dict(Counter(logger.answers))}")


def soak(house: House, people: int, minutes: float) -> bool:
    """Let people read while refreshes follow each other; return whether no process kept on growing."""
    visitors = [house.visitor() for _ in range(people)]
    _, home = visitors[0].ask("/")
    pages = sorted(set(re.findall(r'href="(/[^"#?]*/)"', home)))
    logger = Logger(house)
    logger.start()
    rows: list[dict[str, float]] = []
    answers = Counter[int]()
    begun = time.monotonic()
    while time.monotonic() < begun + 60 * minutes:
        seen = stretch(visitors, pages, 20, len(rows))
        house.stage.act("age")
        rows.append(memory(house))
        told = ", ".join(f"{name} {size:.0f} MiB" for name, size in rows[-1].items())
        answers += seen.answers
        elapsed = (time.monotonic() - begun) / 60
        print(f"{elapsed:5.1f} min: {told}; answers {dict(seen.answers)}", flush=True)
    logger.stop()
    print(f"pages read {answers.total():,}, answers {dict(answers)}, readings posted {logger.taken:,}")
    third = max(1, len(rows) // 3)
    bounded = True
    for name, first in rows[0].items():
        parts = (rows[third:-third] or rows, rows[-third:])
        middle, last = (statistics.mean(row[name] for row in part) for part in parts)
        print(f"{name}: {first:.0f} MiB at first, {middle:.0f} in the middle, {last:.0f} in the last third")
        bounded &= last <= GROWTH * middle
    return bounded


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--instruments", type=int, default=200)
    parser.add_argument("--soak", type=float, default=0, help="minutes of watching the memory instead")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o755)
        with on_servers(folder) as house:
            house.furnish(asked.instruments)
            house.open()
            if not asked.soak:
                crowd(house, asked.people, asked.seconds)
            elif not soak(house, asked.people, asked.soak):
                sys.exit("the memory of a process grows")


if __name__ == "__main__":
    main()
