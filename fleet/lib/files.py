"""Which files people may put on file: told from their first bytes, never from the name or what the browser claims."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.lib.errors import DomainError

MIB = 1024 * 1024
HEAD_BYTES = 4096


@dataclass(frozen=True, slots=True)
class FileKind:
    """One kind of file that is taken: its endings, its media type, and the bytes it begins with (none: plain text)."""

    label: str
    endings: tuple[str, ...]
    content_type: str
    begins: tuple[bytes, ...]


PDF = FileKind("PDF", ("pdf",), "application/pdf", (b"%PDF-",))
PNG = FileKind("PNG picture", ("png",), "image/png", (b"\x89PNG\r\n\x1a\n",))
JPEG = FileKind("JPEG picture", ("jpg", "jpeg"), "image/jpeg", (b"\xff\xd8\xff",))
XLSX = FileKind(
    "Excel workbook",
    ("xlsx",),
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    (b"PK\x03\x04",),
)
DOCX = FileKind(
    "Word document",
    ("docx",),
    "application/vnd.openxmlformats-officedocument.wordprocessingml.document",
    (b"PK\x03\x04",),
)
CSV = FileKind("CSV table", ("csv",), "text/csv", ())
TEXT = FileKind("plain text", ("txt",), "text/plain", ())

DOCUMENTS = (PDF, PNG, JPEG, XLSX, DOCX, CSV, TEXT)
TABLES = (XLSX, CSV)
DOCUMENT_LIMIT_BYTES = 20 * MIB
TABLE_LIMIT_BYTES = 50 * MIB


class FileError(DomainError):
    """A file that is not taken, and what to do instead."""


def file_kind(name: str, head: bytes, kinds: tuple[FileKind, ...] = DOCUMENTS) -> FileKind:
    """The kind of a file by its ending and its first `HEAD_BYTES` bytes; both must agree. Raises FileError."""
    ending = name.rpartition(".")[2].lower() if "." in name else ""
    kind = next((each for each in kinds if ending in each.endings), None)
    if kind is None:
        raise FileError(
            "file.kind",
            "'{name}' is of a kind that is not taken. Taken are: {kinds}.",
            name=name,
            kinds=", ".join(each.label for each in kinds),
        )
    if not head:
        raise FileError("file.empty", "'{name}' is empty. Choose the file again.", name=name)
    agrees = head.startswith(kind.begins) if kind.begins else _is_text(head)
    if not agrees:
        raise FileError(
            "file.not_its_kind",
            "'{name}' is no {kind}, although its name says so. Save it again from the program that made it.",
            name=name,
            kind=kind.label,
        )
    return kind


def check_size(name: str, size_bytes: int, limit_bytes: int) -> None:
    """Raises FileError when the file is larger than `limit_bytes`."""
    if size_bytes > limit_bytes:
        raise FileError(
            "file.too_large",
            "'{name}' has {size} MB; at most {limit} MB are taken. Make it smaller, or split it.",
            name=name,
            size=f"{size_bytes / MIB:.1f}",
            limit=f"{limit_bytes / MIB:.0f}",
        )


def _is_text(head: bytes) -> bool:
    return b"\x00" not in head or head[:2] in (b"\xff\xfe", b"\xfe\xff")
