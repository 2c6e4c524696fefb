"""What the documented JSON API shares: who asks, what a key may do, and how a refusal looks.

A key is sent as `Authorization: Bearer mw_...`. The rights are those of its user, narrowed to the scopes of the key.
"""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from ninja import Schema
from ninja.security import HttpBearer

from fleet.models import ApiToken, User
from fleet.permissions import Rights, request_rights, rights_of
from fleet.services.tokens import token_use


class ApiRefusal(Schema):
    """Every refusal: a stable key and a sentence that says what to do."""

    key: str
    message: str


class KeyAuth(HttpBearer):
    """A machine's key with one scope; `request.user` and `request.rights` are those of the key's user."""

    def __init__(self, scope: str) -> None:
        super().__init__()
        self.scope = scope

    def authenticate(self, request: HttpRequest, token: str) -> ApiToken | None:
        row = token_use(key=token)
        if row is None:
            return None
        if self.scope not in row.scope.split():
            raise PermissionDenied(f"This key may not do this: it lacks '{self.scope}'.")
        request.user = row.user
        rights = rights_of(row.user)
        if not rights.can("view"):
            raise PermissionDenied(
                "The account of this key has no role. Ask an administrator to give it one."
            )
        request.rights = rights  # type: ignore[attr-defined]
        return row


def asked_by(request: HttpRequest) -> tuple[User, Rights]:
    user: Any = request.user
    return user, request_rights(request)
