"""Reading published tables that are shipped as CSV beside the code.

A table has a header row of column names; lines whose first character is ``#`` are comments (source, edition).
Whatever is missing is named with file, line and column, so that an editor of the table finds it at once.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from functools import cache
from importlib import resources
from pathlib import Path
from typing import NoReturn

from fleet.lib.errors import DomainError


class TableError(DomainError):
    """A published table is missing, or a line of it cannot be used."""


class Row(dict[str, str]):
    """One line of a table. Values are text; a missing column is an error that says where."""

    __slots__ = ("file", "line")

    def __init__(self, values: dict[str, str], file: str, line: int) -> None:
        super().__init__(values)
        self.file = file
        self.line = line

    def __missing__(self, column: str) -> NoReturn:
        raise TableError(
            "table.column_missing",
            "Table {file}, line {line}: there is no column '{column}'. Its columns are: {columns}.",
            file=self.file,
            line=self.line,
            column=column,
            columns=", ".join(self),
        )

    def number(self, column: str) -> float:
        """The value of ``column`` as a float; an empty or wrong cell is an error that names it."""
        text = self[column].strip()
        try:
            return float(text)
        except ValueError:
            raise self._bad_cell(column, text, "a number") from None

    def optional_number(self, column: str) -> float | None:
        """Like :meth:`number`, but an empty cell is None."""
        return self.number(column) if self[column].strip() else None

    def integer(self, column: str) -> int:
        """The value of ``column`` as an int."""
        text = self[column].strip()
        try:
            return int(text)
        except ValueError:
            raise self._bad_cell(column, text, "a whole number") from None

    def flag(self, column: str) -> bool:
        """The value of ``column`` as a bool: yes/no, true/false, 1/0."""
        text = self[column].strip().lower()
        if text in {"yes", "true", "1", "y"}:
            return True
        if text in {"no", "false", "0", "n"}:
            return False
        raise self._bad_cell(column, text, "yes or no")

    def _bad_cell(self, column: str, text: str, wanted: str) -> TableError:
        return TableError(
            "table.bad_cell",
            "Table {file}, line {line}, column '{column}': '{text}' is not {wanted}.",
            file=self.file,
            line=self.line,
            column=column,
            text=text,
            wanted=wanted,
        )


def read_table(package: str, name: str, columns: Sequence[str] = ()) -> list[Row]:
    """Read ``name`` (``.csv`` may be left out) from ``package``, for instance ``"fleet.domain.tables"``.

    Returns the rows in file order; the file is read once. ``columns`` lists columns that must be there.

    Raises TableError naming file, line and column when the file or a column is missing or a line is too long or short.
    """
    rows = _read(package, name if name.endswith(".csv") else f"{name}.csv")
    for column in columns:
        if rows:
            rows[0][column]
    return list(rows)


def read_table_file(path: Path) -> list[Row]:
    """Like :func:`read_table`, for a table outside the packages (rows that are seeded, then edited on the site)."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TableError("table.file_missing", "Table {file} does not exist.", file=path.name) from None
    return list(_rows(text, path.name))


def read_table_text(text: str, name: str) -> list[Row]:
    """Like :func:`read_table`, for the text of a file that a person brought in; ``name`` is what the sentences call it.

    Raises TableError also for what is no comma-separated text at all.
    """
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    if ";" in first and "," not in first:
        raise TableError(
            "table.semicolons",
            "Table {file}: its cells are separated by semicolons. Save it with commas.",
            file=name,
        )
    if "\0" in text:
        raise TableError("table.not_text", "{file} is no text file. Save the table as CSV.", file=name)
    try:
        return list(_rows(text.removeprefix("\ufeff"), name))
    except csv.Error as error:
        raise TableError(
            "table.not_csv",
            "Table {file} cannot be read as comma-separated text ({why}). Save it as CSV once more.",
            file=name,
            why=str(error),
        ) from None


@cache
def _read(package: str, name: str) -> tuple[Row, ...]:
    file = f"{package.replace('.', '/')}/{name}"
    try:
        source = resources.files(package).joinpath(name)
        text = source.read_text(encoding="utf-8-sig")
    except (FileNotFoundError, ModuleNotFoundError):
        raise TableError("table.file_missing", "Table {file} does not exist.", file=file) from None
    return tuple(_rows(text, file))


def _rows(text: str, file: str) -> Iterator[Row]:
    header: list[str] | None = None
    lines = text.splitlines(keepends=True)
    kept = ["\n" if line.startswith("#") else line for line in lines]
    reader = csv.reader(kept, strict=True)
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if header is None:
            header = [cell.strip() for cell in cells]
            _check_header(header, file, reader.line_num)
            continue
        if len(cells) != len(header):
            raise TableError(
                "table.ragged",
                "Table {file}, line {line}: {found} cells where the header has {wanted} (last column '{column}').",
                file=file,
                line=reader.line_num,
                found=len(cells),
                wanted=len(header),
                column=header[-1],
            )
        yield Row(dict(zip(header, (cell.strip() for cell in cells), strict=True)), file, reader.line_num)
    if header is None:
        raise TableError("table.empty", "Table {file} has no header row.", file=file)


def _check_header(header: list[str], file: str, line: int) -> None:
    for position, column in enumerate(header, start=1):
        if not column or header.count(column) > 1:
            raise TableError(
                "table.header",
                "Table {file}, line {line}, column {position}: the header '{column}' is empty or there twice.",
                file=file,
                line=line,
                position=position,
                column=column,
            )
