"""Opening a file from outside, told apart by content."""

from __future__ import annotations

import os
from pathlib import Path
from typing import IO

from fleet.lib.sheets.delimited import open_delimited
from fleet.lib.sheets.values import Book, Limits, SheetError
from fleet.lib.sheets.workbook import open_workbook


def open_book(
    source: str | os.PathLike[str] | IO[bytes], name: str = "", limits: Limits | None = None
) -> Book:
    """Open a workbook (XLSX) or a delimited text file, told apart by content.

    Raises SheetError with a sentence when the file is too large, not readable, or not what it says.
    """
    bounds = limits or Limits()
    if isinstance(source, (str, os.PathLike)):
        path = Path(os.fspath(source))
        stream: IO[bytes] = path.open("rb")  # closed by Book.close or below
        title = name or path.name
    else:
        stream, title = source, name or "file"
    try:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(0)
        if size > bounds.file_bytes:
            raise SheetError(
                "sheet.file_too_large",
                "The file has {size} MB; at most {most} MB can be read.",
                size=size // 1_000_000,
                most=bounds.file_bytes // 1_000_000,
            )
        if size == 0:
            raise SheetError("sheet.empty", "The file is empty.")
        head = stream.read(8)
        stream.seek(0)
        if head.startswith(b"PK"):
            return open_workbook(stream, title, bounds)
        if head.startswith(b"\xd0\xcf\x11\xe0"):
            raise SheetError(
                "sheet.old_format",
                "This is an old or password-protected workbook. Save it as .xlsx without a password and bring it again.",
            )
        return open_delimited(stream, title, bounds)
    except BaseException:
        stream.close()
        raise
