"""What a survey found, written down in one go: every line by the service of its own kind, all of them or none."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BatteryBank, SupplyState, Unit, User
from fleet.services.corrections import record_supersede
from fleet.services.records import moment_or_now
from fleet.services.units import certificate_record, unit_move, wet_state_record
from fleet.services.versions import save_versioned
from readiness.models import Charge, Fault, InspectionType, Reading
from readiness.services.upkeep import charge_record, inspection_record, reading_record, supply_state_record


@dataclass(frozen=True)
class Entry:
    """One line of a survey sheet: the fact (`key`, `subject` as in the survey) of a unit, and what was typed."""

    unit: Unit
    key: str
    subject: str
    values: Mapping[str, Any]
    token: UUID | None = None


class SurveyRefused(DomainError):
    """Nothing was written; `errors` says by number of the entry why not."""

    def __init__(self, errors: Mapping[int, DomainError]) -> None:
        super().__init__(
            "survey.refused",
            _("Nothing was saved: what is marked below cannot be right. Mend it and send the sheet again."),
        )
        self.errors = dict(errors)


@dataclass(frozen=True)
class _When:
    at: datetime
    actor: User | None
    now: datetime


def survey_record(
    *, entries: Sequence[Entry], at: datetime, actor: User | None, now: datetime | None = None
) -> list[Any]:
    """Writes every entry as found out at `at`; raises SurveyRefused, with nothing written, if any is refused."""
    when = _When(at, actor, moment_or_now(now))
    errors: dict[int, DomainError] = {}
    written = []
    with transaction.atomic():
        for number, entry in enumerate(entries):
            try:
                with transaction.atomic():
                    written.append(_WRITE[entry.key](entry, when))
            except DomainError as error:
                errors[number] = error
        if errors:
            raise SurveyRefused(errors)
    return written


def _bank(entry: Entry) -> BatteryBank:
    bank: BatteryBank | None = BatteryBank.objects.filter(pk=entry.subject).first()
    if bank is None:
        raise DomainError("survey.no_bank", _("That bank is not on file any more. Open the sheet again."))
    return bank


def _reading(entry: Entry, when: _When) -> Reading:
    return reading_record(
        bank=_bank(entry),
        happened_at=when.at,
        actor=when.actor,
        now=when.now,
        token=entry.token,
        **entry.values,
    )


def _supply(entry: Entry, when: _When) -> SupplyState:
    values = dict(entry.values)
    bank, draw_ma = _bank(entry), values.pop("standby_ma", None)
    if draw_ma is not None and draw_ma != bank.standby_ma:
        save_versioned(
            instance=bank,
            seen_version=bank.version,
            changes={"standby_ma": draw_ma, "standby_measured_on": when.at.date()},
            actor=when.actor,
        )
    return supply_state_record(
        bank=bank, happened_at=when.at, actor=when.actor, now=when.now, token=entry.token, **values
    )


def _charge(entry: Entry, when: _When) -> Charge:
    values = dict(entry.values)
    ended_at, hours = values.pop("ended_at"), values.pop("hours")
    return charge_record(
        bank=_bank(entry),
        happened_at=ended_at - timedelta(hours=hours),
        ended_at=ended_at,
        actor=when.actor,
        now=when.now,
        token=entry.token,
        **values,
    )


def _wet(entry: Entry, when: _When) -> Any:
    return wet_state_record(
        unit=entry.unit,
        happened_at=when.at,
        actor=when.actor,
        now=when.now,
        token=entry.token,
        **entry.values,
    )


def _certificate(entry: Entry, when: _When) -> Any:
    return certificate_record(
        unit=entry.unit,
        kind=entry.subject,
        happened_at=when.at,
        actor=when.actor,
        now=when.now,
        token=entry.token,
        **entry.values,
    )


def _inspection(entry: Entry, when: _When) -> Any:
    type_ = InspectionType.objects.filter(pk=entry.subject).first()
    if type_ is None:
        raise DomainError(
            "survey.no_type", _("That inspection is not on file any more. Open the sheet again.")
        )
    return inspection_record(
        unit=entry.unit, type=type_, actor=when.actor, now=when.now, token=entry.token, **entry.values
    )


def _hours(entry: Entry, when: _When) -> Any:
    fault = Fault.objects.filter(pk=entry.subject).first()
    if fault is None:
        raise DomainError("survey.no_fault", _("That fault is not on file any more. Open the sheet again."))
    return record_supersede(record=fault, changes=entry.values, actor=when.actor, now=when.now)


def _place(entry: Entry, when: _When) -> Any:
    return unit_move(unit=entry.unit, at=when.at, actor=when.actor, now=when.now, **entry.values)


_WRITE: dict[str, Callable[[Entry, _When], Any]] = {
    "reading": _reading,
    "supply": _supply,
    "charge": _charge,
    "wet": _wet,
    "certificate": _certificate,
    "inspection": _inspection,
    "hours": _hours,
    "place": _place,
}
TYPED_IN = frozenset(_WRITE)
