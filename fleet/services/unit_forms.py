"""The measures of one unit as a page enters them: against what it showed, and ended on a day."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import PackedForm, Unit, UnitForm, User
from fleet.services.measures import measured, refuse_problems
from fleet.services.records import local_day, locked, moment_or_now
from fleet.services.transport import MEASURES, check_measured_on, own_problems, unit_form_save
from fleet.services.versions import Conflict, last_editor, save_versioned

Shown = tuple[int, int]


def form_shown(latest: UnitForm | None) -> Shown:
    """What a page remembers of the latest one on file: its key and version; (0, 0): there was none."""
    return (latest.pk, latest.version) if latest is not None else (0, 0)


def form_latest(unit: Unit, packed_form: PackedForm) -> UnitForm | None:
    """The one that began last, in force or ended. One query."""
    return UnitForm.objects.filter(unit=unit, packed_form=packed_form).order_by("-valid_from").first()


def form_doubts(packed_form: PackedForm, measures: Mapping[str, Any]) -> str:
    """What is out of the ordinary, in one text; '' if nothing is. A confirmation is about exactly this text."""
    return " ".join(error.sentence for _name, error in own_problems(packed_form, measures, confirmed=False))


def unit_form_write(
    *,
    unit: Unit,
    packed_form: PackedForm,
    measures: Mapping[str, Any],
    reason: str,
    valid_from: date,
    actor: User | None,
    shown: Shown,
    confirmed: bool = False,
    now: datetime | None = None,
) -> UnitForm:
    """As `unit_form_save`; whatever somebody else put on file since the page was shown is a Conflict, whichever day it
    begins. `shown`: see `form_shown`. The same measures from the same day sent twice are one row.
    """
    values = {name: measures.get(name) for name in sorted(MEASURES)} | {"reason": reason.strip()}
    with transaction.atomic():
        locked(unit)
        latest = form_latest(unit, packed_form)
        if latest is not None and shown != form_shown(latest):
            same = latest.valid_from == valid_from
            if same and all(getattr(latest, name) == value for name, value in values.items()):
                return latest
            raise Conflict(latest, values, last_editor(latest))
        return unit_form_save(
            unit=unit,
            packed_form=packed_form,
            measures=measures,
            reason=reason,
            valid_from=valid_from,
            actor=actor,
            confirmed=confirmed,
            seen_version=latest.version if latest is not None else None,
            now=now,
        )


def unit_form_correct(
    *,
    own: UnitForm,
    seen_version: int,
    changes: Mapping[str, Any],
    actor: User | None,
    shown: Shown,
    confirmed: bool = False,
    now: datetime | None = None,
) -> UnitForm:
    """Puts right what is on file of a unit, by the same rules as what is written anew; unit and packed form stay.

    `shown`: the latest on file when the page was shown, see `form_shown`. Raises Conflict if that is another by now,
    whichever day it begins, and DomainError where the days of two would overlap.
    """
    instant = moment_or_now(now)

    def check(row: UnitForm) -> None:
        check_measured_on(row.unit, row.valid_from, instant)
        _check_alone(row)
        problems = own_problems(row.packed_form, measured(row), changes, confirmed=confirmed)
        refuse_problems(problems, "unit_form.confirm")

    with transaction.atomic():
        locked(own.unit)
        latest = form_latest(own.unit, own.packed_form)
        if latest is not None and latest.pk != own.pk and shown != form_shown(latest):
            raise Conflict(latest, changes, last_editor(latest))
        return save_versioned(
            instance=own,
            seen_version=seen_version,
            changes=changes,
            actor=actor,
            action="unitform.edit",
            check=check,
        )


def _check_alone(row: UnitForm) -> None:
    """Raises DomainError if another one of the unit in this form holds on one of its days."""
    others = UnitForm.objects.filter(unit=row.unit_id, packed_form=row.packed_form_id).exclude(pk=row.pk)
    others = others.filter(Q(valid_to__isnull=True) | Q(valid_to__gte=row.valid_from))
    if row.valid_to is not None:
        others = others.filter(valid_from__lte=row.valid_to)
    there = others.order_by("valid_from").first()
    if there is not None:
        raise DomainError(
            "unit_form.overlaps",
            _("Another one is on file from {since} on for the same days. Choose days outside it."),
            since=there.valid_from.isoformat(),
        )


def unit_form_end(
    *,
    unit: Unit,
    packed_form: PackedForm,
    valid_to: date,
    reason: str,
    actor: User | None,
    shown: Shown,
    now: datetime | None = None,
) -> UnitForm:
    """The measures of the unit hold through that day only; after it the form is as the design says.

    `shown`: see `form_shown`. Raises Conflict if something else is on file by now; ended twice on a day is ended once.
    """
    if not reason.strip():
        raise DomainError("unit_form.end_no_reason", _("Say why the unit is as its design again."))
    with transaction.atomic():
        locked(unit)
        latest = form_latest(unit, packed_form)
        if latest is None:
            raise DomainError("unit_form.nothing_to_end", _("Nothing of this unit differs from its design."))
        if latest.valid_to == valid_to:
            return latest
        if shown != form_shown(latest):
            raise Conflict(latest, {"valid_to": valid_to}, last_editor(latest))
        if latest.valid_to is not None:
            raise DomainError(
                "unit_form.ended_already",
                _("What differed ended on {day}. Nothing is in force that could be ended."),
                day=latest.valid_to.isoformat(),
            )
        if valid_to < latest.valid_from:
            raise DomainError(
                "unit_form.end_before_start",
                _("It is on file from {since} on and cannot end before that day."),
                since=latest.valid_from.isoformat(),
            )
        if valid_to > local_day(moment_or_now(now), unit.home.time_zone):
            raise DomainError(
                "unit_form.end_in_future",
                _("{day} has not come yet: end it on the last day on which it was so."),
                day=valid_to.isoformat(),
            )
        return save_versioned(
            instance=latest,
            seen_version=latest.version,
            changes={"valid_to": valid_to},
            actor=actor,
            action="unitform.end",
            note=reason.strip(),
        )
