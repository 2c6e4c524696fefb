"""Documents of units and depots, and who may fetch one."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import QuerySet

from fleet.models import Attachment, Certificate, Unit, User
from fleet.permissions import Rights


@dataclass(frozen=True)
class UnitDocuments:
    attachments: list[Attachment]
    certificates: list[Certificate]


def unit_documents(unit: Unit) -> UnitDocuments:
    """Everything on file for a unit, newest first; certificates that count, with their file. Two queries."""
    return UnitDocuments(
        attachments=list(
            Attachment.objects.filter(unit=unit).select_related("added_by").order_by("-added_at", "-id")
        ),
        certificates=list(
            Certificate.objects.counting()
            .filter(unit=unit)
            .select_related("file")
            .order_by("kind", "-issued_on")
        ),
    )


def attachments_for(user: User, rights: Rights) -> QuerySet[Attachment]:
    """What this person may fetch: documents of units and places as every member; other files (of imports) only what
    they brought in themselves, unless they may bring in files everywhere."""
    if not rights.can("view"):
        return Attachment.objects.none()
    everything = Attachment.objects.all()
    if rights.depots("import") is None:
        return everything
    documents = everything.filter(unit__isnull=False) | everything.filter(place__isnull=False)
    return documents | everything.filter(added_by=user) | everything.filter(certificates__isnull=False)
