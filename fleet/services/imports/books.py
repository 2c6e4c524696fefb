"""Workbooks that go out: templates with example rows, what is on file, and the rows of a file that have faults."""

from __future__ import annotations

import datetime as dt
import io
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop as no_op

from fleet.domain.intake import ColumnSpec, SheetData, SheetSpec, shown
from fleet.lib.errors import DomainError, Fault
from fleet.lib.quantities import UNITS
from fleet.lib.sheets import BadCell, Measured, OutSheet, write_csv, write_xlsx
from fleet.services.imports.kinds import SheetKind, kind_named, kinds_in_order

FAULT_COLUMNS = ("Row", "What is wrong", "How to mend it")


def template_book(names: Sequence[str] = ()) -> bytes:
    """A workbook with one sheet for each kind: the header, one example row, and a list of all columns at the end.

    The example row may stay: it is recognised and left out.
    """
    specs = [kind_named(name).spec for name in names] if names else [kind.spec for kind in kinds_in_order()]
    out = io.BytesIO()
    write_xlsx(out, [*(_template(spec) for spec in specs), _columns(specs)])
    return out.getvalue()


def template_text(name: str) -> bytes:
    """The template of one kind of sheet as CSV."""
    sheet = _template(kind_named(name).spec)
    out = io.BytesIO()
    write_csv(out, sheet.header, sheet.rows)
    return out.getvalue()


def export_book(names: Sequence[str] = ()) -> bytes:
    """What is on file as sheets that can be brought in again: of some kinds, or of all that go out.

    Raises DomainError for a kind that does not go out.
    """
    kinds = [exported(name) for name in names] or [kind for kind in kinds_in_order() if kind.exports]
    out = io.BytesIO()
    write_xlsx(out, [_on_file(kind) for kind in kinds])
    return out.getvalue()


def export_text(name: str) -> bytes:
    """What is on file of one kind of sheet as CSV, as `export_book`."""
    sheet = _on_file(exported(name))
    out = io.BytesIO()
    write_csv(out, sheet.header, sheet.rows)
    return out.getvalue()


def exported(name: str) -> SheetKind:
    """A kind of sheet that goes out. Raises DomainError for any other."""
    kind = kind_named(name)
    if not kind.exports:
        raise DomainError(
            "import.no_export", no_op("There is no export of '{label}'."), label=kind.spec.label
        )
    return kind


def _on_file(kind: SheetKind) -> OutSheet:
    columns = kind.spec.columns
    header = [heading(each) for each in columns]
    rows = ([kind.told(obj, each.name) for each in columns] for obj in kind.to_export())
    return OutSheet(
        kind.spec.label, header, rows, widths=[max(12, min(40, len(text) + 2)) for text in header]
    )


def _template(spec: SheetSpec) -> OutSheet:
    header = [heading(each) for each in spec.columns]
    example = [spec.example.get(each.name, "") for each in spec.columns]
    return OutSheet(
        spec.label, header, [example], widths=[max(12, min(40, len(text) + 2)) for text in header]
    )


def heading(column: ColumnSpec) -> str:
    """The header of a column in a template; a number without a unit is in the unit named here."""
    symbol = UNITS[column.unit].symbol if column.kind == "quantity" else ""
    return f"{column.label} ({symbol})" if symbol else column.label


def _columns(specs: Iterable[SheetSpec]) -> OutSheet:
    rows = [
        (
            spec.label,
            heading(each),
            _("key") if each.name in spec.key else (_("needed") if each.required else ""),
            _words(each),
            each.example,
        )
        for spec in specs
        for each in spec.columns
    ]
    header = (_("Sheet"), _("Column"), _("Needed to add a row"), _("What may stand there"), _("Example"))
    return OutSheet(_("About the columns"), header, rows, widths=(22, 34, 20, 70, 26))


def _words(column: ColumnSpec) -> str:
    if column.kind == "choice":
        return ", ".join(words[0] if words else code for code, words in column.choices.items())
    about = {
        "reference": _("the code of a row of the sheet it belongs to"),
        "quantity": _("a number, with its unit if it is another one"),
        "date": _("a day, or a month for its last day"),
        "instant": _("a day and a time in the place's own zone"),
        "flag": _("yes or no"),
        "integer": _("a whole number"),
        "number": _("a number"),
        "latitude": _("degrees, or degrees minutes seconds with N or S"),
        "longitude": _("degrees, or degrees minutes seconds with E or W"),
    }.get(column.kind, _("text"))
    return f"{about}. {column.help}" if column.help else about


def fault_book(sheets: Sequence[SheetData], faults: Sequence[Fault]) -> bytes:
    """The faulty rows as they stand in the file, each with what is wrong and how to mend it.

    Mended there, the workbook can be brought in as it is: the added columns are not read.
    """
    out = io.BytesIO()
    by_sheet: dict[str, dict[int, list[Fault]]] = defaultdict(lambda: defaultdict(list))
    for fault in faults:
        by_sheet[fault.sheet][fault.row].append(fault)
    write_xlsx(out, [_faulty_rows(data, by_sheet[data.title]) for data in sheets if by_sheet.get(data.title)])
    return out.getvalue()


def _faulty_rows(data: SheetData, faults: dict[int, list[Fault]]) -> OutSheet:
    width = max([len(data.header), *(len(row.cells) for row in data.rows if row.number in faults)])
    header = [*data.header, *[""] * (width - len(data.header)), *FAULT_COLUMNS]

    def rows() -> Iterator[list[Any]]:
        for row in data.rows:
            if row.number in faults:
                cells = [_cell(value) for value in row.cells]
                found = faults[row.number]
                wrong = "\n".join(
                    f"{fault.column}: {fault.message}" if fault.column else fault.message for fault in found
                )
                mend = "\n".join(fault.mend for fault in found)
                yield [*cells, *[None] * (width - len(cells)), row.number, wrong, mend]
        for fault in faults.get(data.header_row, []):
            if not any(row.number == data.header_row for row in data.rows):
                yield [*[None] * width, data.header_row, fault.message, fault.mend]

    return OutSheet(data.title, header, rows())


def _cell(value: Any) -> Any:
    if isinstance(value, BadCell | Measured):
        return shown(value)
    if isinstance(value, dt.timedelta):
        return f"{value.total_seconds() / 3600:.6g} h"
    return value
