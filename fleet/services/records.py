"""What every written record passes through: written once, at a moment that can be, by the rules of its own row."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, TypeVar
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.db.models.fields.files import FieldFile
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import BatteryBank, Place, Unit, User
from fleet.selectors.touched import unit_of, units_touched
from fleet.services.audit import audit_record
from fleet.services.changes import units_changed

Row = TypeVar("Row", bound=models.Model)

CLOCK_SLACK = timedelta(minutes=5)
BOOKKEEPING = frozenset(
    {
        "id",
        "recorded_at",
        "recorded_by",
        "end_recorded_at",
        "token",
        "struck_at",
        "struck_by",
        "struck_reason",
        "superseded_by",
        "version",
        "updated_at",
    }
)

_ON_FILE = _("That is on file already for the same moment. Correct the record on file, or change the time.")
SENTENCES: dict[str, str] = {
    "reading_once": _("A reading of this bank at that moment is on file already. Correct that one instead."),
    "charge_once": _("A charge of this bank that began at that moment is on file already."),
    "charge_one_open": _("A charge of this bank is running already: end that first."),
    "bank_test_once": _ON_FILE,
    "inspection_once": _ON_FILE,
    "certificate_once": _(
        "This certificate of the unit is on file already, with the same number and day of issue."
    ),
    "day_log_once": _("The log of that day is on file already. Correct that one instead."),
    "reading_has_its_value": _("The value itself is missing: type what was measured."),
    "bank_test_has_its_value": _("The result of the test is missing: type what was measured, more than 0."),
    "charge_in_order": _("The charge ends before it begins. Check both times."),
    "fault_in_order": _("The fault is closed before it was found. Check both times."),
    "certificate_in_order": _("The certificate expires before it was issued. Check both dates."),
    "weighing_mass_positive": _("The mass must be more than 0 kg."),
    "unit_stay_one_open": _("The unit was moved by someone else just now. Look again before you move it."),
    "absence_one_open": _("The unit is away already: end that absence first."),
    "bank_stay_one_open": _("The bank was moved by someone else just now. Look again before you move it."),
    "bank_position_holds_one": _("That position of the unit holds a bank already: swap the two instead."),
    "block_position_holds_one": _("That position of the bank holds a block already: take it out first."),
    "leg_sequence_once": _("A leg with that number is on file already."),
}


@dataclass(frozen=True, slots=True)
class Birth:
    """From which day on a record about a thing can be true (None: not known), and in whose time zone days count."""

    label: str
    since: date | None
    zone: str = "UTC"


def birth_of_unit(unit: Unit) -> Birth:
    """Queries the home depot if it is not loaded."""
    return Birth(unit.tag, unit.commissioned_on, unit.home.time_zone)


def birth_of_bank(bank: BatteryBank, at: datetime) -> Birth:
    """A bank exists from the day it was made; else from the day its first unit was commissioned. One query."""
    stays = list(bank.stays.select_related("unit__home", "place").order_by("started_at"))
    here = [stay for stay in stays if stay.started_at <= at] or stays[:1]
    unit = here[-1].unit if here else None
    place = unit.home if unit else (here[-1].place if here else None)
    since = bank.made_on
    if since is None and unit is not None and len(here) == 1:
        since = unit.commissioned_on
    return Birth(bank.serial, since, place.time_zone if place else "UTC")


def said(moment: datetime, zone: str) -> str:
    """A moment as a sentence tells it: in the place's own time, to the minute."""
    return f"{moment.astimezone(find_zone(zone)):%Y-%m-%d %H:%M}"


def local_day(moment: datetime, zone: str) -> date:
    return moment.astimezone(find_zone(zone)).date()


def check_moment(moment: datetime, *, now: datetime, birth: Birth) -> None:
    """Refuses a moment that has not come yet, or lies before the thing existed."""
    if moment.tzinfo is None:
        raise ValueError("instants are aware")
    if moment > now + CLOCK_SLACK:
        raise DomainError(
            "record.in_future",
            _("{when} has not come yet ({zone} time). Check the date and the time."),
            when=said(moment, birth.zone),
            zone=birth.zone,
        )
    if birth.since is not None and local_day(moment, birth.zone) < birth.since:
        raise DomainError(
            "record.before_birth",
            _(
                "{label} exists since {since}; a record of {when} cannot be about it. Check the date and the name."
            ),
            label=birth.label,
            since=birth.since.isoformat(),
            when=said(moment, birth.zone),
        )


def check_row(row: models.Model) -> None:
    """The row's own field rules and constraints, told as one sentence. Queries once per constraint."""
    check_finite(row)
    relations = {field.name for field in row._meta.fields if field.is_relation}
    try:
        row.clean_fields(exclude=relations)
    except ValidationError as error:
        field, messages = next(iter(error.message_dict.items()))
        raise DomainError(
            "record.field", "{field}: {message}", field=field_label(row, field), message=messages[0]
        ) from error
    for model, constraints in row.get_constraints():
        for constraint in constraints:
            check_constraint(constraint, model, row)


def check_constraint(constraint: models.BaseConstraint, model: type[models.Model], row: models.Model) -> None:
    try:
        constraint.validate(model, row)
    except ValidationError as error:
        sentence = SENTENCES.get(constraint.name)
        if sentence is not None:
            raise DomainError(f"record.{constraint.name}", sentence) from error
        raise DomainError("record.refused", "{message}", message=error.messages[0]) from error


def check_finite(row: models.Model) -> None:
    for each in row._meta.fields:
        value = getattr(row, each.attname)
        if isinstance(value, float) and not math.isfinite(value):
            raise DomainError(
                "record.not_a_number", _("{field}: this is not a number."), field=str(each.verbose_name)
            )


def field_label(row: models.Model, name: str) -> str:
    """What the page calls a field."""
    return str(getattr(row._meta.get_field(name), "verbose_name", name))


def written_once(model: type[Row], token: UUID | None, write: Callable[[], Row]) -> Row:
    """Runs `write` in a transaction, or returns the row that an earlier submission with this token wrote."""
    try:
        with transaction.atomic():
            return _with_token(model, token) or write()
    except (IntegrityError, DomainError) as error:
        # The same submission may have been written by another process between the look and the write.
        there = _with_token(model, token)
        if there is not None:
            return there
        if isinstance(error, DomainError):
            raise
        raise from_integrity(error) from error


def from_integrity(error: IntegrityError) -> DomainError:
    """What the database itself refused because someone else was quicker."""
    text = str(error)
    for name, sentence in SENTENCES.items():
        if name in text:
            return DomainError(f"record.{name}", sentence)
    return DomainError(
        "record.overtaken",
        _("Someone else saved something that excludes this just now. Look again, then repeat."),
    )


def _with_token(model: type[Row], token: UUID | None) -> Row | None:
    if token is None:
        return None
    return model._default_manager.filter(token=token).first()


def facts(row: models.Model) -> dict[str, Any]:
    """What the audit keeps of a row: its filled fields without the bookkeeping ones."""
    kept = {}
    for field in row._meta.concrete_fields:
        value = getattr(row, field.attname)
        if field.name not in BOOKKEEPING and value not in (None, "", [], {}):
            kept[field.name] = str(value) if isinstance(value, FieldFile) else value
    return kept


def save_record(
    row: Row, *, action: str, actor: User | None, now: datetime, note: str = "", place: Place | None = None
) -> Row:
    """Checks, saves and audits a new record, and tells who computes. Call inside the transaction of the change."""
    row.recorded_at = now  # type: ignore[attr-defined]
    row.recorded_by = actor  # type: ignore[attr-defined]
    check_row(row)
    row.save(force_insert=True)
    note_change(row, action=action, actor=actor, after=facts(row), note=note, place=place)
    return row


def note_change(
    row: models.Model,
    *,
    action: str,
    actor: User | None,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
    note: str = "",
    place: Place | None = None,
) -> None:
    """The audit line of a change, and the word to those who compute for every unit it touches."""
    audit_record(
        actor=actor,
        action=action,
        subject=row,
        before=before,
        after=after,
        note=note,
        unit=unit_of(row),
        place=place,
    )
    units_changed(units_touched(row))


def moment_or_now(now: datetime | None) -> datetime:
    return now or timezone.now()


def locked(row: Row) -> Row:
    """The row as it stands now, kept from others until the transaction ends."""
    fresh: Row = type(row)._base_manager.select_for_update().get(pk=row.pk)
    return fresh
