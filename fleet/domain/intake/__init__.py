"""What a sheet that people bring in may hold, and how its cells become typed values.

An app declares its sheets as :class:`SheetSpec`; this package finds the header, settles nothing by guessing, and turns
rows into values with a fault for every cell that cannot be used. An empty cell means *unchanged*, the word ``clear``
empties. It knows no database: references stay as the codes people typed.
"""

from fleet.domain.intake.cells import shown
from fleet.domain.intake.header import choose_spec, find_header, match_header, open_sheet
from fleet.domain.intake.rows import parse_sheet, settle
from fleet.domain.intake.spec import (
    CLEAR,
    UNCHANGED,
    ColumnSpec,
    Conventions,
    HeaderCell,
    LeftOut,
    ParsedRow,
    ParsedSheet,
    SheetData,
    SheetSpec,
    fold,
)

__all__ = [
    "CLEAR",
    "UNCHANGED",
    "ColumnSpec",
    "Conventions",
    "HeaderCell",
    "LeftOut",
    "ParsedRow",
    "ParsedSheet",
    "SheetData",
    "SheetSpec",
    "choose_spec",
    "find_header",
    "fold",
    "match_header",
    "open_sheet",
    "parse_sheet",
    "settle",
    "shown",
]
