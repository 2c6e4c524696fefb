"""Delimited text (CSV) of many makes: encoding and delimiter found out, quotation marks that do not close named."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from fleet.lib.sheets.values import (
    CHUNK,
    ERROR_VALUES,
    BadCell,
    Book,
    Limits,
    RawRow,
    Sheet,
    SheetError,
    Source,
    Value,
    too_many_rows,
)
from fleet.lib.sheets.writing import unescaped

DELIMITERS = (";", ",", "\t", "|")


def open_delimited(stream: IO[bytes], name: str, limits: Limits) -> Book:
    encoding = _encoding(stream)
    source = _DelimitedSource(stream, encoding, limits)
    title = Path(name).stem or "file"
    return Book(name, [Sheet(title, source)], None, typed_text=True, close=stream.close)


def _encoding(stream: IO[bytes]) -> str:
    head = stream.read(4)
    stream.seek(0)
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    decoder = codecs.getincrementaldecoder("utf-8")()
    plain = True
    try:
        while chunk := stream.read(CHUNK):
            if b"\x00" in chunk:
                raise SheetError(
                    "sheet.binary", "This is neither a workbook nor a text file. Save it as .xlsx or .csv."
                )
            if plain:
                try:
                    decoder.decode(chunk)
                except UnicodeDecodeError:
                    plain = False
        if plain:
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        plain = False
    stream.seek(0)
    return "utf-8" if plain else "cp1252"


class _DelimitedSource(Source):
    def __init__(self, stream: IO[bytes], encoding: str, limits: Limits) -> None:
        self.stream = stream
        self.encoding = encoding
        self.limits = limits

    def rows(self, sheet: Sheet) -> Iterator[RawRow]:
        self.stream.seek(0)
        text = io.TextIOWrapper(self.stream, encoding=self.encoding, errors="replace", newline="")
        try:
            yield from self._parsed(text, sheet)
        finally:
            text.detach()

    def _parsed(self, text: io.TextIOWrapper, sheet: Sheet) -> Iterator[RawRow]:
        delimiter, skip = _delimiter(text)
        text.seek(0)
        reader = csv.reader(text, delimiter=delimiter, strict=True)
        count = 0
        number = 0
        while True:
            start = reader.line_num + 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                raise SheetError(
                    "sheet.quotes",
                    "Line {line}: the quotation marks do not close ({why}). Mend that line and bring the file again.",
                    line=start,
                    why=str(error),
                ) from None
            number += 1
            if start <= skip:
                continue
            row = _text_cells(cells, start, self.limits)
            if row is None:
                continue
            count += 1
            if count > self.limits.rows:
                raise too_many_rows(sheet.title, self.limits)
            yield RawRow(number, row)


def _text_cells(cells: list[str], line: int, limits: Limits) -> tuple[Value, ...] | None:
    row: list[Value] = [unescaped(cell.replace("\x00", "").strip()) or None for cell in cells]
    while row and row[-1] is None:
        row.pop()
    if not row:
        return None
    if len(row) > limits.columns:
        raise SheetError(
            "sheet.too_many_columns", "Line {row} has over {most} cells.", row=line, most=limits.columns
        )
    return tuple(
        BadCell("error", cell) if isinstance(cell, str) and cell in ERROR_VALUES else cell for cell in row
    )


def _delimiter(text: io.TextIOWrapper) -> tuple[str, int]:
    sample: list[str] = []
    for line in text:
        stripped = line.strip("\r\n\ufeff")
        if not sample and (match := re.fullmatch(r"sep=(.)", stripped, re.IGNORECASE)):
            return match[1], 1
        if stripped.strip():
            sample.append(re.sub(r'"[^"]*"', "", stripped))
        if len(sample) >= 40:
            break
    best, best_score = ",", (0.0, 0)
    for candidate in DELIMITERS:
        counts = [line.count(candidate) for line in sample]
        usual = max(set(counts), key=lambda each: (counts.count(each), each)) if counts else 0
        if usual:
            score = (counts.count(usual) / len(counts), usual)
            if score > best_score:
                best, best_score = candidate, score
    return best, 0
