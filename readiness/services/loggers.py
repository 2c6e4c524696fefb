"""What people settle about loggers: how often one is to be heard, whether it is still on, and which keys may write."""

from __future__ import annotations

import datetime as dt
import hashlib

from django.core.files.base import ContentFile
from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import ApiToken, Attachment, BatteryBank, User
from fleet.services.tokens import token_create, token_revoke
from fleet.services.versions import save_versioned
from readiness.models import BankLogger, LoggerKey

SCOPE = "samples:write"


def logger_edit(
    *,
    logger: BankLogger,
    seen_version: int,
    label: str,
    expected_min: int,
    off_at: dt.datetime | None,
    actor: User | None,
) -> BankLogger:
    """Saves what is stated of a logger; `off_at` None: it is on."""
    changes = {"label": label.strip(), "expected_min": expected_min, "off_at": off_at}
    return save_versioned(
        instance=logger, seen_version=seen_version, changes=changes, actor=actor, action="logger.edit"
    )


def logger_key_create(
    *, user: User, name: str, bank: BatteryBank | None, actor: User | None, expires_on: dt.date | None = None
) -> tuple[LoggerKey, str]:
    """A key that may write samples, about one bank or about all that its user keeps; returns the row and the key itself."""
    with transaction.atomic():
        token, key = token_create(user=user, name=name, scopes=(SCOPE,), actor=actor, expires_on=expires_on)
        return LoggerKey.objects.create(token=token, bank=bank), key


def logger_key_revoke(*, key: LoggerKey, actor: User | None, now: dt.datetime | None = None) -> ApiToken:
    """From now on nothing is taken under this key. Twice is once."""
    return token_revoke(token=key.token, actor=actor, now=now)


def samples_file_keep(*, name: str, content: bytes, actor: User | None) -> Attachment:
    """Keeps an uploaded file between the look and the yes. The same content under the same name is one file."""
    if not content:
        raise DomainError(
            "samples.empty", _("There is nothing in it. Send a header row and at least one row of values.")
        )
    digest = hashlib.sha256(content).hexdigest()
    there = Attachment.objects.filter(sha256=digest, name=name[:200], added_by=actor).first()
    if there is not None and there.file.storage.exists(str(there.file.name)):
        return there
    row = Attachment(
        sha256=digest,
        name=name[:200] or "samples",
        content_type="text/plain",
        size_bytes=len(content),
        added_by=actor,
    )
    row.file.save(row.name, ContentFile(content), save=False)
    row.save()
    return row
