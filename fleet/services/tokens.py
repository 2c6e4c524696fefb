"""Keys for machines. Only the hash is kept; the key itself is shown once, when it is made."""

from __future__ import annotations

import hashlib
import secrets
from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import ApiToken, User
from fleet.services.audit import audit_record

SCOPES = ("read", "readings:write", "samples:write")
SEEN_EVERY = timedelta(minutes=10)


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


def token_create(
    *, user: User, name: str, scopes: tuple[str, ...], actor: User | None, expires_on: date | None = None
) -> tuple[ApiToken, str]:
    """A new key for a user, with the words it may do; returns the row and the key, which is not kept anywhere."""
    if unknown := sorted(set(scopes) - set(SCOPES)):
        raise DomainError(
            "token.scope",
            _("A key cannot be given '{unknown}'. Known are: {known}."),
            unknown=", ".join(unknown),
            known=", ".join(SCOPES),
        )
    if not scopes or not name.strip():
        raise DomainError("token.incomplete", _("A key needs a name and at least one thing it may do."))
    key = f"mw_{secrets.token_urlsafe(32)}"
    with transaction.atomic():
        row = ApiToken.objects.create(
            user=user, name=name.strip(), hash=_hash(key), scope=" ".join(scopes), expires_on=expires_on
        )
        audit_record(
            actor=actor,
            action="token.create",
            subject=row,
            after={"user": user, "scope": row.scope, "expires_on": expires_on},
        )
    return row, key


def token_revoke(*, token: ApiToken, actor: User | None, now: datetime | None = None) -> ApiToken:
    with transaction.atomic():
        if token.revoked_at is None:
            token.revoked_at = now or timezone.now()
            token.save(update_fields=["revoked_at"])
            audit_record(actor=actor, action="token.revoke", subject=token)
    return token


def token_use(*, key: str, now: datetime | None = None) -> ApiToken | None:
    """The live row of a key with its user, or None. Notes at most every ten minutes that it was used."""
    instant = now or timezone.now()
    row = ApiToken.objects.select_related("user").filter(hash=_hash(key), revoked_at__isnull=True).first()
    if row is None or not row.user.is_active:
        return None
    if row.expires_on is not None and row.expires_on < instant.date():
        return None
    if row.last_used_at is None or instant - row.last_used_at > SEEN_EVERY:
        ApiToken.objects.filter(pk=row.pk).update(last_used_at=instant)
    return row
