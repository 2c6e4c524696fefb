"""How a depot charges, as its people state it: bays, terms, the crew's week, odd days, hours of the supply, storage.

Rows hold from a day on; what held before ends the day before, so that what was planned stays explained. What has not begun
yet may be taken back. Each change is audited; what a page showed is named by `setting_shown`, and a clash is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from hashlib import sha256
from typing import Any

from django.db import IntegrityError, models, transaction
from django.db.models import ProtectedError
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import DepotTerms, Place, User
from fleet.selectors.touched import units_touched
from fleet.services.audit import audit_record
from fleet.services.changes import units_changed
from fleet.services.records import check_row, facts, from_integrity
from fleet.services.versions import last_editor
from readiness.models import BayTerms, ChargerBay, StoragePolicy, SupplyHours
from readiness.services.bay_checks import check_setting

DAY = timedelta(days=1)
# What makes a row the row of the same thing; the rest of its columns is what is said of it.
KEYS: dict[type[models.Model], tuple[str, ...]] = {
    ChargerBay: ("name",),
    BayTerms: (),
    StoragePolicy: ("chemistry",),
    DepotTerms: (),
}
BEARS_ON_UNITS = (StoragePolicy, DepotTerms)
BOOKKEEPING = frozenset({"id", "place", "valid_from", "valid_to", "version", "updated_at", "chosen_by"})
Check = Callable[[Any], None]


class SettingChanged(DomainError):
    """Somebody else saved this setting after the page was opened. Nothing was written."""

    def __init__(self, by: User | None) -> None:
        super().__init__(
            "setting.changed",
            _("{who} changed this while you had it open. Look at what changes now, then save again."),
            who=str(by) if by else "Someone else",
        )


def said_columns(model: type[models.Model]) -> tuple[str, ...]:
    """The columns in which a row says something, in the order of the model."""
    left = BOOKKEEPING | set(KEYS.get(model, ()))
    return tuple(field.name for field in model._meta.fields if field.name not in left)


def setting_shown(rows: Sequence[models.Model]) -> str:
    """What a page remembers of the rows it showed; '' while there are none."""
    if not rows:
        return ""
    told = [
        str(getattr(row, field.attname))
        for row in rows
        for field in row._meta.fields
        if field.name != "updated_at"
    ]
    return sha256("|".join(told).encode()).hexdigest()[:16]


def span_latest(model: Any, place: Place, **key: Any) -> Any:
    """The row of one thing that begins last, or None. One query."""
    return model.objects.filter(place=place, **key).order_by("-valid_from").first()


def span_write(
    model: Any,
    *,
    place: Place,
    key: Mapping[str, Any],
    values: Mapping[str, Any],
    valid_from: date,
    today: date,
    actor: User | None,
    shown: str,
) -> Any:
    """What holds of a thing from a day on; what held before ends the day before. `values`: all of `said_columns`.

    The first row of a thing may begin on any day, a later one from `today` on. The same values sent twice are one row.
    Raises SettingChanged; DomainError where a rule refuses. Nothing is half-saved.
    """
    try:
        with transaction.atomic():
            return _span_write(model, place, dict(key), dict(values), valid_from, today, actor, shown)
    except IntegrityError as error:
        raise from_integrity(error) from error


def _span_write(
    model: Any,
    place: Place,
    key: dict[str, Any],
    values: dict[str, Any],
    valid_from: date,
    today: date,
    actor: User | None,
    shown: str,
) -> Any:
    Place.objects.select_for_update().get(pk=place.pk)
    latest = span_latest(model, place, **key)
    same_day = latest is not None and latest.valid_from == valid_from and latest.valid_to is None
    holds = latest is not None and latest.valid_to is None and _says(latest, values)
    if holds and same_day:
        return latest
    if shown != setting_shown([latest] if latest else []):
        raise SettingChanged(last_editor(latest) if latest is not None else None)
    if latest is not None:
        _require_day(valid_from, today)
        if latest.valid_from > valid_from or (
            latest.valid_to is not None and latest.valid_from == valid_from
        ):
            raise DomainError(
                "setting.later_on_file",
                _("{what}: what holds from {since} on is on file already. Choose a later day."),
                what=str(latest),
                since=latest.valid_from.isoformat(),
            )
        if holds:
            raise DomainError("setting.same", _("Nothing changes by that. Type what is to be otherwise."))
    if same_day:
        return _change(latest, values, actor, "edit")
    if latest is not None and (latest.valid_to is None or latest.valid_to >= valid_from):
        _change(latest, {"valid_to": valid_from - DAY}, actor, "end")
    row = model(place=place, valid_from=valid_from, **key, **values)
    if isinstance(row, StoragePolicy):
        row.chosen_by = actor
    return _add(row, actor)


def _require_day(day: date, today: date) -> None:
    if day < today:
        raise DomainError(
            "setting.in_past",
            _("{day} has passed. This changes from today on, so that what was planned stays explained."),
            day=day.isoformat(),
        )


def _says(row: models.Model, values: Mapping[str, Any]) -> bool:
    return all(getattr(row, name) == value for name, value in values.items())


def _add(row: Any, actor: User | None) -> Any:
    check_setting(row)
    check_row(row)
    row.save(force_insert=True)
    _note(row, "add", actor, after=facts(row))
    return row


def _change(row: Any, changes: Mapping[str, Any], actor: User | None, verb: str) -> Any:
    before = {name: getattr(row, name) for name in changes}
    for name, value in changes.items():
        setattr(row, name, value)
    if isinstance(row, StoragePolicy) and verb == "edit":
        row.chosen_by = actor
    if hasattr(row, "version"):
        row.version += 1
    check_setting(row)
    check_row(row)
    row.save()
    _note(row, verb, actor, before=before, after=changes)
    return row


def _note(
    row: Any,
    verb: str,
    actor: User | None,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> None:
    """The audit line. How full banks are kept and what a depot promises bear on its units; the rest on plans."""
    audit_record(
        actor=actor,
        action=f"{row._meta.model_name}.{verb}",
        subject=row,
        before=before,
        after=after,
        place=row.place,
    )
    if isinstance(row, BEARS_ON_UNITS):
        units_changed(units_touched(row))


def span_end(*, row: Any, last_day: date, today: date, actor: User | None) -> Any:
    """It holds through `last_day` and no longer; not before yesterday. Ended twice is ended once."""
    with transaction.atomic():
        fresh = _locked(row)
        if fresh.valid_to == last_day:
            return fresh
        if last_day < today - DAY:
            raise DomainError(
                "setting.end_in_past",
                _("{day} has passed. It can end yesterday at the earliest."),
                day=last_day.isoformat(),
            )
        if last_day < fresh.valid_from:
            raise DomainError(
                "setting.end_before_start",
                _("It holds only from {since} on. Take it back instead of ending it before it begins."),
                since=fresh.valid_from.isoformat(),
            )
        if fresh.valid_to is not None and fresh.valid_to < today:
            raise DomainError(
                "setting.ended", _("It ended on {day} already."), day=fresh.valid_to.isoformat()
            )
        return _change(fresh, {"valid_to": last_day}, actor, "end")


def span_reopen(*, row: Any, actor: User | None) -> Any:
    """Takes an end back, while nothing of the same thing has come after it."""
    with transaction.atomic():
        fresh = _locked(row)
        if fresh.valid_to is None:
            return fresh
        if _siblings(fresh).filter(valid_from__gt=fresh.valid_from).exists():
            raise DomainError(
                "setting.followed",
                _("Something else holds after it. Take that back first."),
            )
        try:
            with transaction.atomic():
                return _change(fresh, {"valid_to": None}, actor, "restore")
        except IntegrityError as error:
            raise from_integrity(error) from error


def span_take_back(*, row: Any, today: date, actor: User | None) -> None:
    """Takes back what has begun today at the earliest; what it had ended goes on. Older rows are ended instead."""
    with transaction.atomic():
        fresh = _locked(row)
        if fresh.valid_from < today:
            raise DomainError(
                "setting.began",
                _("It has held since {since}. End it instead, so that what was planned stays explained."),
                since=fresh.valid_from.isoformat(),
            )
        before = (
            _siblings(fresh).filter(valid_to=fresh.valid_from - DAY).first() if type(fresh) in KEYS else None
        )
        _delete(fresh, actor)
        if before is not None and not _siblings(before).filter(valid_from__gt=before.valid_from).exists():
            _change(before, {"valid_to": None}, actor, "restore")


def _delete(row: Any, actor: User | None) -> None:
    gone, key = facts(row), row.pk
    touched = units_touched(row) if isinstance(row, BEARS_ON_UNITS) else set()
    try:
        row.delete()
    except ProtectedError as error:
        raise DomainError(
            "setting.planned", _("A plan of charges stands on it already. End it instead.")
        ) from error
    row.pk = key
    audit_record(
        actor=actor, action=f"{row._meta.model_name}.remove", subject=row, before=gone, place=row.place
    )
    units_changed(touched)


def _siblings(row: Any) -> Any:
    """Rows of the same thing, it left out."""
    key = {name: getattr(row, name) for name in KEYS.get(type(row), ())}
    if type(row) not in KEYS:
        return type(row).objects.none()
    return type(row).objects.filter(place_id=row.place_id, **key).exclude(pk=row.pk)


def _locked(row: Any) -> Any:
    found = (
        type(row).objects.select_for_update(of=("self",)).select_related("place").filter(pk=row.pk).first()
    )
    if found is None:
        raise DomainError("setting.gone", _("Somebody took it back just now. Nothing is left to change."))
    return found


def supply_hours_add(
    *, place: Place, values: Mapping[str, Any], valid_from: date, actor: User | None
) -> SupplyHours:
    """Hours in which the supply allows another power. Several may hold at once: the least counts. Sent twice it is one."""
    with transaction.atomic():
        Place.objects.select_for_update().get(pk=place.pk)
        there = SupplyHours.objects.filter(
            place=place, valid_from=valid_from, valid_to=None, **values
        ).first()
        if there is not None:
            return there
        added: SupplyHours = _add(SupplyHours(place=place, valid_from=valid_from, **values), actor)
        return added
