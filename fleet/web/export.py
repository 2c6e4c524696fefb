"""What is on screen as a file: the same filters, the same order, every page of it."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse

from fleet.lib.sheets import OutSheet, write_csv, write_xlsx

from .page import with_query

FORMATS = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


@dataclass(frozen=True)
class ExportLinks:
    """Addresses for ``components/export_links.html``."""

    csv_url: str
    xlsx_url: str


def export_links(request: HttpRequest) -> ExportLinks:
    return ExportLinks(
        csv_url=with_query(request, format="csv", page=None),
        xlsx_url=with_query(request, format="xlsx", page=None),
    )


def export_format(request: HttpRequest) -> str | None:
    """``csv`` or ``xlsx`` when the address asks for a file, else None."""
    wanted = request.GET.get("format", "")
    return wanted if wanted in FORMATS else None


def file_response(
    *, name: str, kind: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]
) -> HttpResponse:
    """A download called ``name`` in format ``kind`` (``csv`` or ``xlsx``); values are numbers, dates or text."""
    content = io.BytesIO()
    if kind == "csv":
        write_csv(content, columns, rows)
    else:
        write_xlsx(content, [OutSheet(name, columns, rows)])
    response = HttpResponse(content.getvalue(), content_type=FORMATS[kind])
    response["Content-Disposition"] = f'attachment; filename="{name}.{kind}"'
    return response
