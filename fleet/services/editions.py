"""Editions of the dangerous-goods rules that the owner loads: loaded by one person, released by a second, withdrawn.

What a release would change is counted by an upper app, which registers its counter here (`count_changes_with`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_noop as _

from fleet.domain.dangerous_goods.loaded import LoadedTables, check_tables
from fleet.domain.dangerous_goods.rules import Rules
from fleet.lib.errors import DomainError
from fleet.models import RuleEdition, User
from fleet.permissions import rights_of
from fleet.selectors.editions import (
    fingerprint_of,
    rules_in_force,
    rules_with,
    rules_without,
)
from fleet.services.audit import audit_record
from fleet.services.records import moment_or_now

# The rules before and after, and the moment: what changes, as plain JSON with a `digest` of the whole list.
Progress = Callable[[int, int], None]
Counter = Callable[[Rules, Rules, datetime, Progress | None], Mapping[str, Any]]
LOADERS = ("admin",)
RELEASERS = ("admin", "dispatch")
State = RuleEdition.State
_counters: list[Counter] = []


def count_changes_with(counter: Counter) -> Counter:
    """Registers what counts the changes; the last one registered counts."""
    _counters[:] = [counter]
    return counter


def may_load(user: User) -> bool:
    """Whether a person may load editions. One query."""
    return bool(rights_of(user).everywhere & set(LOADERS))


def may_release(user: User) -> bool:
    """Whether a person may release and withdraw editions, apart from whose they are. One query."""
    return bool(rights_of(user).everywhere & set(RELEASERS))


def edition_load(
    *,
    name: str,
    editions_csv: str,
    actor: User,
    goods_csv: str = "",
    note: str = "",
    now: datetime | None = None,
) -> RuleEdition:
    """Keeps tables that join the rules in force; nothing follows from them until they are released.

    Raises TableFaults with everything that is wrong with the tables, DomainError for what was loaded already.
    """
    if not may_load(actor):
        raise DomainError("edition.may_not_load", _("Only an administrator of all depots loads editions."))
    _check_words(name, note)
    checked = check_tables(rules_in_force(), LoadedTables(name.strip(), editions_csv, goods_csv))
    kept = checked.tables
    row = RuleEdition(
        name=kept.name,
        editions_csv=kept.editions_csv,
        goods_csv=kept.goods_csv,
        covers=[list(pair) for pair in kept.covers],
        fingerprint=fingerprint_of(kept.editions_csv, kept.goods_csv),
        note=note.strip(),
        loaded_at=moment_or_now(now),
        loaded_by=actor,
    )
    try:
        with transaction.atomic():
            _check_new(row)
            row.save(force_insert=True)
            after = {"covers": row.covers, "fingerprint": row.fingerprint, "with_goods": bool(row.goods_csv)}
            audit_record(actor=actor, action="ruleedition.load", subject=row, after=after, note=row.note)
    except IntegrityError:
        _check_new(row)
        raise
    return row


def _check_words(name: str, note: str) -> None:
    if not name.strip():
        raise DomainError("edition.no_name", _("Give the edition a name, such as ADR 2027."))
    if len(name.strip()) > 120 or len(note.strip()) > 400:
        raise DomainError("edition.long_words", _("The name has at most 120 letters, the note at most 400."))


def _check_new(row: RuleEdition) -> None:
    there = RuleEdition.objects.filter(fingerprint=row.fingerprint).select_related("loaded_by").first()
    if there is not None:
        raise DomainError(
            "edition.loaded_already",
            _("The same tables were loaded on {day} by {who}: '{name}' ({state}). Nothing was loaded again."),
            day=there.loaded_at.date().isoformat(),
            who=str(there.loaded_by),
            name=there.name,
            state=there.get_state_display(),
        )


def edition_count(
    *, edition: RuleEdition, now: datetime | None = None, progress: Progress | None = None
) -> RuleEdition:
    """Counts what the edition would change now, and keeps the list on its row. Raises DomainError if it cannot join."""
    changes = _changes(rules_in_force(), _joined(edition), moment_or_now(now), progress)
    RuleEdition.objects.filter(pk=edition.pk, state=State.LOADED).update(changes=changes)
    edition.refresh_from_db()
    return edition


def edition_release(
    *,
    edition: RuleEdition,
    seen: str,
    actor: User,
    now: datetime | None = None,
    progress: Progress | None = None,
) -> RuleEdition:
    """Puts an edition into force. `seen`: the digest of the list of changes that was shown.

    The list is counted anew: if it is another one by now, that is kept to be looked at, and nothing is released.
    """
    instant = moment_or_now(now)
    check_releaser(edition, actor)
    before, after = rules_in_force(), _joined(edition)
    changes = _changes(before, after, instant, progress)
    if changes["digest"] != seen:
        RuleEdition.objects.filter(pk=edition.pk, state=State.LOADED).update(changes=changes)
        raise DomainError(
            "edition.list_changed",
            _(
                "What '{name}' changes is not what was shown: units, goods or rules were changed since. Look again."
            ),
            name=edition.name,
        )
    with transaction.atomic():
        row = _locked(edition)
        check_releaser(row, actor)
        if rules_in_force() != before:
            raise DomainError(
                "edition.overtaken",
                _("Other rules came into force just now. Look at the list of changes again."),
            )
        row.state = State.RELEASED
        row.released_at, row.released_by = instant, actor
        row.changes = dict(changes)
        row.save(update_fields=["state", "released_at", "released_by", "changes"])
        after_words = {"state": row.state, "digest": seen, "units_changed": changes.get("units_changed")}
        audit_record(
            actor=actor,
            action="ruleedition.release",
            subject=row,
            before={"state": State.LOADED},
            after=after_words,
        )
    return row


def check_releaser(edition: RuleEdition, actor: User) -> None:
    """Raises DomainError unless this person may release this edition now. One query."""
    if edition.state != State.LOADED:
        raise DomainError(
            "edition.not_waiting",
            _("'{name}' does not wait for release: it is {state}."),
            name=edition.name,
            state=edition.get_state_display(),
        )
    if edition.loaded_by_id == actor.pk:
        raise DomainError(
            "edition.same_person", _("Whoever loaded the edition cannot release it: a second person does.")
        )
    if not may_release(actor):
        raise DomainError(
            "edition.may_not_release",
            _("Only an administrator or a dispatcher of all depots releases editions."),
        )


def edition_withdraw(
    *, edition: RuleEdition, reason: str, actor: User, now: datetime | None = None
) -> RuleEdition:
    """Takes an edition back, with the reason: the rules are as they were without it. The same tables may be loaded anew.

    Raises DomainError while a later released edition rests on it.
    """
    if not reason.strip():
        raise DomainError("edition.no_reason", _("Say why the edition is withdrawn."))
    if len(reason.strip()) > 400:
        raise DomainError("edition.long_reason", _("The reason has at most 400 letters."))
    with transaction.atomic():
        row = _locked(edition)
        if row.state == State.WITHDRAWN:
            raise DomainError("edition.withdrawn", _("'{name}' is withdrawn already."), name=row.name)
        own = row.state == State.LOADED and row.loaded_by_id == actor.pk
        if not own and not may_release(actor):
            raise DomainError(
                "edition.may_not_withdraw",
                _("Only an administrator or a dispatcher of all depots withdraws editions."),
            )
        if row.state == State.RELEASED:
            _check_nothing_rests_on(row)
        before = {"state": row.state, "fingerprint": row.fingerprint}
        row.state = State.WITHDRAWN
        row.withdrawn_at, row.withdrawn_by = moment_or_now(now), actor
        row.withdrawn_reason = reason.strip()
        # Its tables are free to be loaded again, by whom it may concern.
        row.fingerprint = hashlib.sha256(f"{row.fingerprint} withdrawn {row.pk}".encode()).hexdigest()
        row.save()
        audit_record(
            actor=actor,
            action="ruleedition.withdraw",
            subject=row,
            before=before,
            after={"state": row.state},
            note=row.withdrawn_reason,
        )
    return row


def _check_nothing_rests_on(edition: RuleEdition) -> None:
    known = {(fault.name, fault.mode, fault.first_day) for fault in rules_in_force().faults}
    left = [
        fault.name
        for fault in rules_without(edition).faults
        if (fault.name, fault.mode, fault.first_day) not in known
    ]
    if left:
        raise DomainError(
            "edition.rested_on",
            _("Later released editions rest on '{name}': {later}. Withdraw those first."),
            name=edition.name,
            later=", ".join(dict.fromkeys(left)),
        )


def _joined(edition: RuleEdition) -> Rules:
    """The rules with this edition. Raises DomainError if it does not join those in force (any more)."""
    known = set(rules_in_force().faults)
    rules = rules_with(edition)
    new = [fault for fault in rules.faults if fault not in known]
    if new:
        raise DomainError(
            "edition.does_not_join",
            _("'{name}' does not follow on what is in force: {why} Withdraw it and load it as it should be."),
            name=edition.name,
            why=new[0].sentence,
        )
    return rules


def _changes(before: Rules, after: Rules, now: datetime, progress: Progress | None) -> Mapping[str, Any]:
    if not _counters:
        raise LookupError("nothing counts what an edition changes: count_changes_with was never called")
    return _counters[0](before, after, now, progress)


def _locked(edition: RuleEdition) -> RuleEdition:
    """The row as it stands, with all others kept from changing: editions stand or fall together."""
    rows = {row.pk: row for row in RuleEdition.objects.select_for_update().order_by("pk")}
    return rows[edition.pk]
