"""What the end of a run must say: every test that was left out on this machine, and why."""

from __future__ import annotations

from collections import Counter


def pytest_terminal_summary(terminalreporter):
    reasons = Counter(report.longrepr[2] for report in terminalreporter.stats.get("skipped", []))
    for reason, number in sorted(reasons.items()):
        terminalreporter.write_line(
            f"Left out here: {number} × {reason.removeprefix('Skipped: ')}", yellow=True
        )
