"""Reading and writing the workbooks and delimited files that people really keep, without trusting them.

A file from outside may be a bomb: before anything is parsed, the unpacked size, the ratio and the number of parts are
checked, and any document type or entity declaration is refused. Rows are streamed; nothing here guesses what a cell
means, it only says what stands in it. Text that goes out is never a formula.
"""

from fleet.lib.sheets.reading import open_book
from fleet.lib.sheets.values import BadCell, Book, Limits, Measured, RawRow, Sheet, SheetError, Value
from fleet.lib.sheets.workbook import format_hints
from fleet.lib.sheets.writing import FORMULA_STARTS, OutSheet, export_safe, write_csv, write_xlsx

__all__ = [
    "FORMULA_STARTS",
    "BadCell",
    "Book",
    "Limits",
    "Measured",
    "OutSheet",
    "RawRow",
    "Sheet",
    "SheetError",
    "Value",
    "export_safe",
    "format_hints",
    "open_book",
    "write_csv",
    "write_xlsx",
]
