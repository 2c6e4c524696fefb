"""A document of a unit, and the certificate or weighing it belongs to: both are put on file, or neither."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.core.files.base import File
from django.db import transaction
from django.utils.translation import gettext as _

from fleet.models import Attachment, Certificate, PackedForm, Unit, User, Weighing
from fleet.services.attachments import attachment_add
from fleet.services.records import local_day
from fleet.services.units import certificate_record, weighing_record


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


def unit_weighing_add(
    *,
    unit: Unit,
    packed_form: PackedForm,
    mass_kg: float,
    happened_at: datetime,
    actor: User | None,
    upload: File[bytes] | None = None,
    method: str = "",
    kit_aboard: bool | None = None,
    water_inside: bool | None = None,
    fuel_l: float | None = None,
    confirmed: bool = False,
    token: UUID | None = None,
    now: datetime | None = None,
) -> tuple[Weighing, Attachment | None]:
    """A weighing [kg, L], and the slip or photo of it among the documents of the unit, if there is one."""
    with transaction.atomic():
        row = weighing_record(
            unit=unit,
            packed_form=packed_form,
            mass_kg=mass_kg,
            happened_at=happened_at,
            actor=actor,
            method=method,
            kit_aboard=kit_aboard,
            water_inside=water_inside,
            fuel_l=fuel_l,
            confirmed=confirmed,
            token=token,
            now=now,
        )
        if upload is None:
            return row, None
        title = _("Weighing %(day)s: %(mass)s kg, %(form)s") % {
            "day": local_day(row.happened_at, unit.home.time_zone).isoformat(),
            "mass": f"{row.mass_kg:g}",
            "form": row.packed_form.code,
        }
        return row, attachment_add(upload=upload, actor=actor, unit=unit, title=title)
