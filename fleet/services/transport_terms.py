"""The owner's transport terms: how long checks count, how much room is kept free. Rows by day, each one audited."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from hashlib import sha256
from typing import Any

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import TransportTerms, User
from fleet.services.records import check_row, facts, field_label, from_integrity, note_change
from fleet.services.versions import last_editor

TERMS = tuple(
    field.name
    for field in TransportTerms._meta.fields
    if field.name not in {"id", "valid_from", "valid_to", "source"}
)
TIMES = tuple(name for name in TERMS if name.endswith(("_days", "_hours")))


class TermsChanged(DomainError):
    """Somebody else saved terms after the page was opened. Nothing was written."""

    def __init__(self, by: User | None) -> None:
        super().__init__(
            "terms.changed",
            _("{who} changed the terms while you had them open. Look at what changes now, then save again."),
            who=str(by) if by else "Someone else",
        )
        self.by = by


def terms_shown(latest: TransportTerms | None) -> str:
    """What a page remembers of the terms it showed: a mark of the latest row; '' while none is on file."""
    if latest is None:
        return ""
    values = [str(getattr(latest, name)) for name in ("pk", "valid_from", *TERMS, "source")]
    return sha256("|".join(values).encode()).hexdigest()[:16]


def stricter(name: str, old: float, new: float) -> bool:
    """Whether a changed term permits less: a check that counts for less time, more room, heavier gear."""
    return new < old if name in TIMES else new > old


def transport_terms_save(
    *,
    values: Mapping[str, Any],
    valid_from: date,
    today: date,
    actor: User | None,
    shown: str,
    source: str,
) -> TransportTerms:
    """The terms from a day on, `today` or later; those in force end the day before. `values`: all of `TERMS`.

    Days that have passed keep their terms: what was decided on them stays explained. `shown`: see `terms_shown`.
    Raises TermsChanged if somebody else saved since then; the same values sent twice are one row.
    """
    if set(values) != set(TERMS):
        raise ValueError(f"terms are {', '.join(TERMS)}; given: {', '.join(sorted(values))}")
    wanted = dict(values) | {"source": source.strip()}
    _check(wanted, valid_from, today)
    try:
        return _save(wanted, valid_from, actor, shown)
    except IntegrityError as error:
        raise from_integrity(error) from error


def _save(wanted: dict[str, Any], valid_from: date, actor: User | None, shown: str) -> TransportTerms:
    with transaction.atomic():
        latest = TransportTerms.objects.select_for_update().order_by("-valid_from").first()
        same_day = latest is not None and latest.valid_from == valid_from
        if latest is not None and same_day and _holds(latest, wanted):
            return latest
        if shown != terms_shown(latest):
            raise TermsChanged(last_editor(latest) if latest is not None else None)
        if latest is not None and latest.valid_from > valid_from:
            raise DomainError(
                "terms.later_on_file",
                _("Terms from {since} on are on file already. Choose that day, or a later one."),
                since=latest.valid_from.isoformat(),
            )
        if latest is not None and _holds(latest, wanted | {"source": latest.source}):
            raise DomainError(
                "terms.nothing_changes", _("Nothing changes by that. Type what is to be otherwise.")
            )
        if latest is not None and same_day:
            return _set(latest, wanted, actor, "transportterms.edit")
        if latest is not None and (latest.valid_to is None or latest.valid_to >= valid_from):
            _set(latest, {"valid_to": valid_from - timedelta(days=1)}, actor, "transportterms.end")
        row = TransportTerms(valid_from=valid_from, **wanted)
        check_row(row)
        row.save(force_insert=True)
        note_change(row, action="transportterms.add", actor=actor, after=facts(row))
        return row


def _check(wanted: Mapping[str, Any], valid_from: date, today: date) -> None:
    if valid_from < today:
        raise DomainError(
            "terms.in_past",
            _("{day} has passed. Terms change from today on, so that what was decided stays explained."),
            day=valid_from.isoformat(),
        )
    if not wanted["source"]:
        raise DomainError("terms.no_source", _("Say who decided it, and where that is written."))
    for name in TIMES:
        if wanted[name] < 1:
            raise DomainError(
                "terms.no_time",
                _("{field}: type at least 1. What counts for no time at all can never be known."),
                field=field_label(TransportTerms(), name),
            )


def _holds(row: TransportTerms, wanted: Mapping[str, Any]) -> bool:
    return all(getattr(row, name) == value for name, value in wanted.items())


def _set(row: TransportTerms, changes: Mapping[str, Any], actor: User | None, action: str) -> TransportTerms:
    before = {name: getattr(row, name) for name in changes}
    for name, value in changes.items():
        setattr(row, name, value)
    check_row(row)
    row.save()
    note_change(row, action=action, actor=actor, before=before, after=changes)
    return row
