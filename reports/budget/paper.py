"""The budget as a paper: one PDF with a table for each question an administrator takes to a meeting."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any
from xml.sax.saxutils import escape

from django.utils.formats import date_format, number_format
from django.utils.translation import gettext as _
from font_source_serif_pro import font_directory
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from reports.budget.ledger import Ledger
from reports.budget.statement import QUESTIONS, Row, Statement, Sum, set_out
from reports.tables import Cell, Sheet

ON_PAPER = ("month", "service", "use", "building")
INK, RULE = HexColor("#1c2430"), HexColor("#999999")
FACE, SLANTED = "Source Serif Pro", "Source Serif Pro Italic"
BODY = ParagraphStyle("body", fontName=FACE, fontSize=10, leading=13, textColor=INK)
TITLE = ParagraphStyle("title", BODY, fontSize=20, leading=24, spaceAfter=4)
HEADING = ParagraphStyle("heading", BODY, fontSize=13, leading=16, spaceBefore=10, spaceAfter=3)
CELL = ParagraphStyle("cell", BODY, fontSize=9, leading=11)
NUMBER = ParagraphStyle("number", CELL, alignment=2)
WIDTHS = [50 * mm, *[22 * mm] * 6]
UPRIGHT_COLUMNS = 7
RULED = TableStyle(
    [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
        ("LINEABOVE", (0, -1), (-1, -1), 0.8, INK),
        ("LINEBELOW", (0, 1), (-1, -2), 0.25, RULE),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
    ]
)


def paper(ledger: Ledger, by: str) -> bytes:
    """Write the budget by the question asked and by those that every meeting asks, on A4.

    A letter that the face does not have is printed as a question mark.
    """
    _learn_faces()
    title = _("Budget of %(site)s") % {"site": ledger.site.name}
    return _printed(title, list(_story(ledger, by, title)), A4)


def report_paper(title: str, lead: str, sheets: Sequence[Sheet], notes: Sequence[str]) -> bytes:
    """Write a report's tables one after another, on A4 turned where a table is wide."""
    _learn_faces()
    widest = max(len(sheet.lines[0]) for sheet in sheets)
    size = A4 if widest <= UPRIGHT_COLUMNS else landscape(A4)
    story: list[Flowable] = [Paragraph(_text(title), TITLE), Paragraph(_text(lead), BODY)]
    for sheet in sheets:
        story += [Paragraph(_text(sheet.title), HEADING), _sheet_table(sheet, size[0] - 28 * mm)]
    story += [Spacer(1, 4 * mm), *(Paragraph(_text(note), BODY) for note in notes)]
    return _printed(title, story, size)


def _learn_faces() -> None:
    for name, cut in ((FACE, "Regular"), (SLANTED, "It")):
        pdfmetrics.registerFont(TTFont(name, f"{font_directory}/SourceSerifPro-{cut}.ttf"))


def _printed(title: str, story: list[Flowable], size: tuple[float, float]) -> bytes:
    file = io.BytesIO()
    margins = {"leftMargin": 14 * mm, "rightMargin": 14 * mm, "topMargin": 16 * mm, "bottomMargin": 16 * mm}
    SimpleDocTemplate(file, pagesize=size, title=title, **margins).build(
        story, onFirstPage=_foot, onLaterPages=_foot
    )
    return file.getvalue()


def _sheet_table(sheet: Sheet, width: float) -> Table:
    """A sheet as it is, texts to the left and numbers to the right."""
    head, *lines = sheet.lines
    first = min(0.3, 2.2 / (len(head) + 1.2)) * width
    rest = (width - first) / max(len(head) - 1, 1)
    rows = [[Paragraph(_text(str(words)), CELL if n == 0 else NUMBER) for n, words in enumerate(head)]]
    rows += [[_cell(cell) for cell in line] for line in lines]
    table = Table(rows, colWidths=[first, *[rest] * (len(head) - 1)], repeatRows=1, hAlign="LEFT")
    table.setStyle(RULED)
    return table


def _cell(cell: Cell) -> Paragraph:
    if cell is None:
        return Paragraph("\N{EN DASH}", NUMBER)
    if isinstance(cell, Decimal):
        return Paragraph(_number(cell, -int(cell.as_tuple().exponent)), NUMBER)
    return Paragraph(_text(str(cell)), NUMBER if isinstance(cell, int) else CELL)


def _story(ledger: Ledger, by: str, title: str) -> Iterator[Flowable]:
    yield Paragraph(_text(title), TITLE)
    days = {"first": date_format(ledger.first, _("j F Y")), "last": date_format(ledger.last, _("j F Y"))}
    yield Paragraph(_text(_("From %(first)s to %(last)s, in whole weeks.") % days), BODY)
    for name in dict.fromkeys([by, *ON_PAPER]):
        statement = set_out(ledger, name)
        heading = _("By %(question)s") % {"question": QUESTIONS[name].words}
        table = _table(ledger, statement)
        yield KeepTogether([Paragraph(_text(heading), HEADING), table]) if len(statement.rows) < 20 else table
    yield Spacer(1, 4 * mm)
    yield Paragraph(_text(_notes(ledger)), BODY)


def _notes(ledger: Ledger) -> str:
    total = set_out(ledger, "service").total
    words = [_("Put off: services without a visit in the plans of these weeks, at their usual hours.")]
    assumed = sum((entry.hours for entry in ledger.entries if entry.assumed), Decimal(0))
    if assumed:
        words.append(
            _("%(hours)s h were done without a record of minutes; usual hours stand in.")
            % {"hours": _number(assumed)}
        )
    unpriced = total.planned.unpriced + total.done.unpriced + total.put_off.unpriced
    if unpriced:
        words.append(_("For %(hours)s h nobody has said what an hour costs.") % {"hours": _number(unpriced)})
    return " ".join(words)


def _table(ledger: Ledger, statement: Statement) -> Table:
    head: list[Any] = [Paragraph(_text(str(QUESTIONS[statement.by].words)), CELL)]
    for words in (_("planned"), _("done"), _("put off")):
        head += [Paragraph(_text(f"{words}, {unit}"), NUMBER) for unit in ("h", ledger.currency)]
    rows = [_line(row) for row in [*statement.rows, statement.total]]
    table = Table([head, *rows], colWidths=WIDTHS, repeatRows=1, hAlign="LEFT")
    table.setStyle(RULED)
    return table


def _line(row: Row) -> list[Paragraph]:
    cells = [Paragraph(_text(row.name), CELL)]
    for found in (row.planned, row.done, row.put_off):
        cells += [Paragraph(_number(found.hours), NUMBER), Paragraph(_money(found), NUMBER)]
    return cells


def _money(found: Sum) -> str:
    return (
        "\N{EN DASH}"
        if found.services and found.unpriced == found.hours and found.hours
        else _number(found.cost)
    )


def _number(value: Decimal, digits: int = 2) -> str:
    return str(number_format(value, digits, use_l10n=True, force_grouping=True))


def _text(words: str) -> str:
    return escape(_known(words))


def _known(words: str) -> str:
    """Replace the letters that the face does not have."""
    known = pdfmetrics.getFont(FACE).face.charToGlyph
    return "".join(letter if ord(letter) in known else "?" for letter in words)


def _foot(canvas: Any, page: Any) -> None:
    canvas.setFont(SLANTED, 8)
    canvas.drawString(14 * mm, 9 * mm, _known(_("Forecasts advise; they do not replace an inspection.")))
    canvas.drawRightString(page.pagesize[0] - 14 * mm, 9 * mm, str(page.page))
