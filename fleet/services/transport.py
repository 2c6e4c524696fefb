"""What decides how a unit may travel and is no dated record: facts of its banks, and what differs from its design."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BankTransport, BatteryBank, PackedForm, Unit, UnitForm, User
from fleet.services.measures import MEASURES, Problem, measure_problems, measures_on, refuse_problems
from fleet.services.records import (
    check_row,
    facts,
    local_day,
    locked,
    moment_or_now,
    note_change,
)
from fleet.services.versions import save_versioned

BANK_FACTS = frozenset(
    field.name
    for field in BankTransport._meta.fields
    if field.name not in {"id", "bank", "version", "updated_at"}
)


def bank_transport_save(
    *,
    bank: BatteryBank,
    values: Mapping[str, Any],
    actor: User | None,
    seen_version: int | None = None,
) -> BankTransport:
    """Says what a bank is to the transport rules. `values` by name of BankTransport; what is not named stays.

    `seen_version` of the row shown; None: there was none. Raises Conflict if someone else saved in between.
    """
    if unknown := sorted(set(values) - BANK_FACTS):
        raise ValueError(f"BankTransport has no fact called {', '.join(unknown)}")
    with transaction.atomic():
        locked(bank)
        there = BankTransport.objects.filter(bank=bank).first()
        if there is not None:
            return save_versioned(
                instance=there,
                seen_version=seen_version or 0,
                changes=values,
                actor=actor,
                action="banktransport.edit",
            )
        row = BankTransport(bank=bank, **values)
        check_row(row)
        row.save(force_insert=True)
        note_change(row, action="banktransport.add", actor=actor, after=facts(row))
        return row


def unit_form_save(
    *,
    unit: Unit,
    packed_form: PackedForm,
    measures: Mapping[str, Any],
    reason: str,
    valid_from: date,
    actor: User | None,
    valid_to: date | None = None,
    confirmed: bool = False,
    seen_version: int | None = None,
    now: datetime | None = None,
) -> UnitForm:
    """What was measured on the unit and differs from its packed form, from a day on; the one in force ends the day before.

    A measure that is not named or None is as the design says. `valid_to`: the last day of a new one. `confirmed`: what is
    out of the ordinary was measured twice. `seen_version` of the one that begins on the same day, which is then edited.
    """
    if unknown := sorted(set(measures) - MEASURES):
        raise ValueError(f"UnitForm has no measure called {', '.join(unknown)}")
    check_form_of_unit(packed_form, unit)
    check_measured_on(unit, valid_from, moment_or_now(now))
    refuse_problems(own_problems(packed_form, measures, confirmed=confirmed), "unit_form.confirm")
    values = {name: measures.get(name) for name in sorted(MEASURES)} | {"reason": reason.strip()}
    with transaction.atomic():
        locked(unit)
        latest = UnitForm.objects.filter(unit=unit, packed_form=packed_form).order_by("-valid_from").first()
        if latest is not None and latest.valid_from == valid_from:
            return save_versioned(
                instance=latest,
                seen_version=seen_version or 0,
                changes=values,
                actor=actor,
                action="unitform.edit",
            )
        check_differs(measures, in_force=latest is not None and latest.valid_to is None)
        _end_before(latest, valid_from, actor)
        row = UnitForm(unit=unit, packed_form=packed_form, valid_from=valid_from, valid_to=valid_to, **values)
        check_row(row)
        row.save(force_insert=True)
        note_change(row, action="unitform.add", actor=actor, after=facts(row))
        return row


def check_form_of_unit(packed_form: PackedForm, unit: Unit) -> None:
    """Raises DomainError if the packed form is one of another design."""
    if packed_form.design_id != unit.design_id:
        raise DomainError(
            "unit_form.other_design",
            _("{form} is no packed form of the design of {unit}. Choose one of its own."),
            form=packed_form.code,
            unit=unit.tag,
        )


def check_differs(measures: Mapping[str, Any], *, in_force: bool) -> None:
    """Raises DomainError if nothing was measured, unless that ends what is in force."""
    if not in_force and all(value is None for value in measures.values()):
        raise DomainError(
            "unit_form.nothing_differs", _("Nothing differs from the design. Type what was measured.")
        )


def check_measured_on(unit: Unit, day: date, now: datetime) -> None:
    """Raises DomainError for a day that has not come yet, or on which the unit did not exist."""
    if day > local_day(now, unit.home.time_zone):
        raise DomainError(
            "unit_form.in_future",
            _("{day} has not come yet: what differs counts from the day it was measured."),
            day=day.isoformat(),
        )
    if unit.commissioned_on is not None and day < unit.commissioned_on:
        raise DomainError(
            "unit_form.before_birth",
            _("{unit} exists since {since}; nothing was measured on it on {day}. Check the date."),
            unit=unit.tag,
            since=unit.commissioned_on.isoformat(),
            day=day.isoformat(),
        )


def own_problems(
    form: PackedForm, own: Mapping[str, Any], changed: Collection[str] | None = None, *, confirmed: bool
) -> Iterator[Problem]:
    """What cannot have been measured on a unit in this form, and what is out of the ordinary unless `confirmed`.

    `changed`: only what one of these has to do with (None: every measure given).
    """
    given = {name for name, value in own.items() if value is not None}
    asked = given if changed is None else given & set(changed)
    return measure_problems(
        measures_on(form, own), asked, confirmed=confirmed, listed_kg=form.mass_kg if asked else None
    )


def check_after(since: date, until: date | None, valid_from: date) -> None:
    """Raises DomainError if what is on file (`since` to `until`, None: open) leaves no room for one that begins then."""
    if since > valid_from or (until is not None and until >= valid_from):
        raise DomainError(
            "unit_form.later_on_file",
            _("What differs is on file from {since} on. Choose a later day, or correct that one."),
            since=since.isoformat(),
        )


def _end_before(latest: UnitForm | None, valid_from: date, actor: User | None) -> None:
    """Ends the one in force the day before. Raises DomainError if one on file reaches to that day or beyond."""
    if latest is None:
        return
    check_after(latest.valid_from, latest.valid_to, valid_from)
    if latest.valid_to is None:
        save_versioned(
            instance=latest,
            seen_version=latest.version,
            changes={"valid_to": valid_from - timedelta(days=1)},
            actor=actor,
            action="unitform.end",
        )
