"""A document of a unit, and the certificate it may be: both are put on file, or neither."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.core.files.base import File
from django.db import transaction

from fleet.models import Attachment, Certificate, Unit, User
from fleet.services.attachments import attachment_add
from fleet.services.units import certificate_record


@dataclass(frozen=True, slots=True)
class CertificateFacts:
    """What a certificate says about itself. `expires_on` None: it has no end."""

    kind: str
    issued_on: date
    expires_on: date | None = None
    number: str = ""
    issuer: str = ""


def unit_document_add(
    *,
    unit: Unit,
    upload: File[bytes] | None,
    actor: User | None,
    title: str = "",
    certificate: CertificateFacts | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> tuple[Attachment | None, Certificate | None]:
    """Puts the file and, if it is one, the certificate on file. Either may be left out, not both."""
    with transaction.atomic():
        file = attachment_add(upload=upload, actor=actor, unit=unit, title=title) if upload else None
        if certificate is None:
            return file, None
        row = certificate_record(
            unit=unit,
            kind=certificate.kind,
            issued_on=certificate.issued_on,
            expires_on=certificate.expires_on,
            number=certificate.number,
            issuer=certificate.issuer,
            file=file,
            actor=actor,
            token=token,
            now=now,
        )
        return file, row
