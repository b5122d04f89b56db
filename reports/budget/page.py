"""What the budget's page shows: a statement with its bars drawn to one scale, and what has to be said."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from reports.budget.ledger import Ledger
from reports.budget.statement import QUESTIONS, Row, Statement, set_out


@dataclass(frozen=True)
class Line:
    """A row of a statement with the lengths of its bars, in percent of the longest."""

    row: Row
    planned: float
    done: float
    put_off: float


@dataclass(frozen=True)
class BudgetPage:
    """A budget as its page shows it; hours without minutes or without a price are said below."""

    ledger: Ledger
    statement: Statement
    words: str
    lines: tuple[Line, ...]
    longest: Decimal
    assumed: Decimal
    unpriced: Decimal
    priced: bool
    tells_offered: bool


def budget_page(ledger: Ledger, by: str) -> BudgetPage:
    """Lay out a ledger by one question."""
    statement = set_out(ledger, by)
    total = statement.total
    longest = max(
        (found.hours for row in statement.rows for found in (row.planned, row.done, row.put_off)),
        default=Decimal(0),
    )
    return BudgetPage(
        ledger=ledger,
        statement=statement,
        words=str(QUESTIONS[by].words),
        lines=tuple(_line(row, longest) for row in statement.rows),
        longest=longest,
        assumed=sum((entry.hours for entry in ledger.entries if entry.assumed), Decimal(0)),
        unpriced=total.planned.unpriced + total.done.unpriced + total.put_off.unpriced,
        priced=any(entry.cost is not None for entry in ledger.entries),
        tells_offered=any(row.offered is not None for row in statement.rows),
    )


def _line(row: Row, longest: Decimal) -> Line:
    lengths = (
        float(100 * found.hours / longest) if longest else 0.0
        for found in (row.planned, row.done, row.put_off)
    )
    return Line(row, *(round(length, 1) for length in lengths))
