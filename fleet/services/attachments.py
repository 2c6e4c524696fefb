"""Files put on file: checked, stored by the hash of their content, audited."""

from __future__ import annotations

import hashlib
from pathlib import PurePosixPath

from django.core.files.base import File
from django.core.files.storage import default_storage
from django.db import transaction

from fleet.lib.files import DOCUMENT_LIMIT_BYTES, DOCUMENTS, HEAD_BYTES, FileKind, check_size, file_kind
from fleet.models import Attachment, Place, Unit, User
from fleet.models.office import attachment_path
from fleet.services.records import facts, note_change

NAME_LENGTH = 200


def attachment_add(
    *,
    upload: File[bytes],
    actor: User | None,
    unit: Unit | None = None,
    place: Place | None = None,
    title: str = "",
    kinds: tuple[FileKind, ...] = DOCUMENTS,
    limit_bytes: int = DOCUMENT_LIMIT_BYTES,
) -> Attachment:
    """Puts a file on file. The same content for the same unit or place twice is one; raises FileError with a sentence."""
    name = file_name(upload.name or "")
    check_size(name, upload.size, limit_bytes)
    upload.seek(0)
    kind = file_kind(name, upload.read(HEAD_BYTES), kinds)
    sha256 = content_hash(upload)
    with transaction.atomic():
        there = Attachment.objects.filter(sha256=sha256, unit=unit, place=place, name=name).first()
        if there is not None:
            return there
        row = Attachment(
            sha256=sha256,
            name=name,
            content_type=kind.content_type,
            size_bytes=upload.size,
            unit=unit,
            place=place,
            title=title.strip()[:NAME_LENGTH],
            added_by=actor,
        )
        row.file.name = store(row, upload)
        row.save(force_insert=True)
        note_change(row, action="attachment.add", actor=actor, after=facts(row), place=place)
        return row


def file_name(typed: str) -> str:
    """The last part of the name a browser sent, without control characters, short enough to keep."""
    last = PurePosixPath(typed.replace("\\", "/")).name
    kept = "".join(sign for sign in last if sign.isprintable()).strip() or "file"
    stem, dot, ending = kept.rpartition(".")
    return f"{stem[: NAME_LENGTH - len(ending) - 1]}{dot}{ending}" if dot else kept[:NAME_LENGTH]


def content_hash(upload: File[bytes]) -> str:
    upload.seek(0)
    digest = hashlib.sha256()
    for chunk in upload.chunks():
        digest.update(chunk)
    upload.seek(0)
    return digest.hexdigest()


def store(row: Attachment, upload: File[bytes]) -> str:
    """The storage's name for this content; equal content is kept once."""
    path = attachment_path(row, row.name)
    return path if default_storage.exists(path) else default_storage.save(path, upload)
