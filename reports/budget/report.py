"""A report of a few tables, carried into every form in which it can be taken along."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import Http404, HttpResponse

from reports import tables
from reports.budget.paper import report_paper
from reports.tables import CSV_TYPE, WORKBOOK_TYPE, Sheet


@dataclass(frozen=True)
class Report:
    """What a report says: tables of exact numbers, sentences around them, and the same as plain values."""

    name: str
    title: str
    lead: str
    sheets: Sequence[Sheet]
    notes: Sequence[str]
    document: dict[str, Any]


@dataclass(frozen=True)
class ReportFile:
    """A form in which a report can be taken away."""

    words: str
    content_type: str
    write: Callable[[Report], bytes]


def _as_document(report: Report) -> bytes:
    return json.dumps(report.document, ensure_ascii=False, indent=1).encode()


def _as_paper(report: Report) -> bytes:
    return report_paper(report.title, report.lead, report.sheets, report.notes)


# CSV knows no sheets: it holds the first table, which is the fullest.
REPORT_FILES = {
    "csv": ReportFile("CSV", CSV_TYPE, lambda report: tables.as_csv(report.sheets[0].lines)),
    "xlsx": ReportFile("XLSX", WORKBOOK_TYPE, lambda report: tables.as_workbook(report.sheets)),
    "pdf": ReportFile("PDF", "application/pdf", _as_paper),
    "json": ReportFile("JSON", "application/json", _as_document),
}


def handed_out(report: Report | None, form_name: str) -> HttpResponse:
    """Answer with a report as a file.

    Raises
    ------
    django.http.Http404
        Where there is no such form, or nothing to report yet.
    """
    file = REPORT_FILES.get(form_name)
    if file is None or report is None:
        raise Http404("no such file")
    answer = HttpResponse(file.write(report), content_type=file.content_type)
    answer["Content-Disposition"] = f'attachment; filename="{report.name}.{form_name}"'
    return answer
