"""What the stores put right themselves after facts about units changed. Repeats do no harm."""

from __future__ import annotations

import logging
from collections.abc import Collection

from django.db import DatabaseError

from fleet.lib.errors import DomainError
from inventory.services.debts import bank_debts_review
from inventory.services.parts import carried_recompute

log = logging.getLogger(__name__)


def after_units_changed(unit_ids: Collection[int]) -> None:
    """Carried hours of pieces that moved on, and debts of banks that are there again."""
    try:
        carried_recompute(unit_ids=unit_ids)
        bank_debts_review(unit_ids)
    except (DomainError, DatabaseError):
        log.exception("Carried use or debts of units %s were not brought up to date.", sorted(unit_ids)[:20])
