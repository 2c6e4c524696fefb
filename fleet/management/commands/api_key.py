"""Makes or revokes a key for a machine: `manage.py api_key NAME --user LOGIN --scope read readings:write`."""

from __future__ import annotations

import datetime as dt
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet.lib.errors import DomainError
from fleet.models import ApiToken, User
from fleet.services.tokens import SCOPES, token_create, token_revoke


class Command(BaseCommand):
    help = "Makes a key for a machine and prints it once, or revokes the keys of a name."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="what the key is for")
        parser.add_argument("--user", help="login whose rights the key has")
        parser.add_argument("--scope", nargs="+", default=["read"], help=f"of: {', '.join(SCOPES)}")
        parser.add_argument("--until", type=dt.date.fromisoformat, help="last day it works, YYYY-MM-DD")
        parser.add_argument("--revoke", action="store_true", help="revoke every live key of this name")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["revoke"]:
            rows = list(ApiToken.objects.filter(name=options["name"], revoked_at__isnull=True))
            for row in rows:
                token_revoke(token=row, actor=None)
            self.stdout.write(f"{len(rows)} revoked.")
            return
        user = User.objects.filter(username=options["user"] or "").first()
        if user is None:
            raise CommandError(f"There is no login '{options['user']}'. Name one with --user.")
        try:
            _row, key = token_create(
                user=user,
                name=options["name"],
                scopes=tuple(options["scope"]),
                actor=None,
                expires_on=options["until"],
            )
        except DomainError as error:
            raise CommandError(error.sentence) from error
        self.stdout.write(key)
