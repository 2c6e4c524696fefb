"""Passwords of the ready logins: made new for each install, kept beside its database, so that they can be shown again."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from django.db import transaction
from django.utils.crypto import get_random_string

from fleet.models import Membership, User

FILE = "demo-logins.txt"
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


@dataclass(frozen=True)
class Login:
    username: str
    password: str
    what: str

    def __str__(self) -> str:
        return f"{self.username:<14} {self.password:<16} {self.what}"


def make_logins(usernames: list[str], folder: Path) -> list[Login]:
    """Sets a new password for each of these users, none for the crew's accounts; the list is the owner's to read."""
    logins = []
    with transaction.atomic():
        for user in User.objects.exclude(username__in=usernames).filter(password="", is_active=False):
            user.set_unusable_password()
            user.save(update_fields=["password"])
        for user in User.objects.filter(username__in=usernames).order_by("pk"):
            password = "-".join(get_random_string(4, LETTERS) for _ in range(3))
            user.set_password(password)
            user.save(update_fields=["password"])
            logins.append(Login(user.username, password, what_of(user)))
    keep(logins, folder)
    return logins


def what_of(user: User) -> str:
    memberships = Membership.objects.filter(user=user).select_related("depot")
    return ", ".join(
        f"{member.get_role_display()}, {member.depot.name if member.depot else 'all depots'}"
        for member in memberships
    )


def keep(logins: list[Login], folder: Path) -> None:
    path = folder / FILE
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as out:
        out.write("".join(f"{login}\n" for login in logins))


def kept(folder: Path) -> list[str]:
    path = folder / FILE
    return path.read_text(encoding="utf-8").splitlines() if path.exists() else []
