"""What Django's own checks say of a database that has lost a guard."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Tags, Warning, register

from fleet.services.guards import guards_missing


@register(Tags.database)
def guards_are_there(*, databases: Sequence[str] | None, **_: Any) -> list[CheckMessage]:
    """One warning a database: `migrate` runs these checks as well, and it is what mends it."""
    found: list[CheckMessage] = []
    for using in databases or ():
        if missing := guards_missing(using):
            found.append(
                Warning(
                    f"Guards of database '{using}' are missing, so that kept rows could be deleted: {', '.join(missing)}.",
                    hint="Run: manage.py migrate. It puts them back.",
                    id="fleet.W001",
                )
            )
    return found
