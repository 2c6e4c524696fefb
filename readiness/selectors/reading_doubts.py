"""What the charge state will make of one reading: the same judgement as the sweep's, for the person who just typed it."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from readiness.domain.bank_records import READING_REFUSALS, BankArrays, EventArrays, EventKind
from readiness.domain.chemistry import chemistry, chemistry_index
from readiness.domain.reading_values import values_of_readings
from readiness.models import Reading

_KINDS = {
    Reading.Kind.VOLTAGE: EventKind.VOLTAGE,
    Reading.Kind.GRAVITY: EventKind.GRAVITY,
    Reading.Kind.METER: EventKind.METER,
}

_WILL_NOT: dict[str, str] = {
    "not_rested": _(
        "Kept on record, but it will not be used: {chemistry} needs {needed} h rest before its voltage tells the "
        "charge state ({rest}). Measure again after that."
    ),
    "ocv_not_usable": _(
        "Kept on record, but it will not be used: the rest voltage of {chemistry} says nothing about the charge state. "
        "Use the meter's value or a completed charge."
    ),
    "plateau": _(
        "Kept on record, but it will not be used: on the flat part of its curve the voltage of {chemistry} says "
        "nothing. Use the meter's value."
    ),
    "ocv_implausible": _("Kept on record, but it will not be used: this voltage cannot be that of the bank."),
    "temp_out_of_range": _("Kept on record, but it will not be used: this temperature cannot be right."),
    "sg_out_of_range": _("Kept on record, but it will not be used: this gravity cannot be right."),
    "sg_not_usable": _("Kept on record, but it will not be used: the acid of {chemistry} cannot be reached."),
    "soc_out_of_range": _(
        "Kept on record, but it will not be used: a charge state lies between 0 and 100 %."
    ),
}


def reading_doubts(reading: Reading) -> list[DomainError]:
    """Sentences a person should see beside the reading; the first says whether it will be used at all. Empty: no doubt.

    Reads `reading.bank`, no other query.
    """
    bank = reading.bank
    values = values_of_readings(
        BankArrays.of(
            [chemistry_index()[bank.chemistry]],
            cells=bank.cells_in_series,
            sg_full=_number(bank.sg_full),
            sg_empty=_number(bank.sg_empty),
        ),
        EventArrays.of(
            [0],
            [0.0],
            [_KINDS[Reading.Kind(reading.kind)]],
            value=_number(_measured(reading)),
            temp_c=_number(reading.temp_c),
            rest_h=_number(reading.rest_h),
        ),
    )
    said = {
        "chemistry": bank.get_chemistry_display(),
        "needed": f"{chemistry(bank.chemistry).ocv_rest_min_h or 0:g}",
        "rest": _rest(reading),
    }
    key = READING_REFUSALS[int(values.refusal[0])]
    if key:
        return [DomainError(f"reading.{key}", _WILL_NOT[key], **said)]
    doubts = []
    if reading.temp_c is None and reading.kind != Reading.Kind.METER:
        doubts.append(
            DomainError(
                "reading.no_temperature",
                _(
                    "Without the battery's temperature it is taken at the one that makes it say the least charge."
                ),
            )
        )
    if bool(values.surface[0]):
        doubts.append(
            DomainError(
                "reading.surface_charge",
                _(
                    "Higher than a full bank at rest: probably surface charge. Let it rest longer and measure again."
                ),
            )
        )
    if bool(values.deep[0]):
        doubts.append(
            DomainError(
                "reading.deep_discharge",
                _("Deeply discharged: charge it today, and test its capacity before the unit is relied on."),
            )
        )
    return doubts


def _rest(reading: Reading) -> str:
    if reading.rest_h is None:
        return str(_("hours at rest not stated"))
    return f"{reading.rest_h:g} h"


def _measured(reading: Reading) -> float | None:
    return {
        Reading.Kind.VOLTAGE: reading.volts_v,
        Reading.Kind.GRAVITY: reading.gravity_sg,
        Reading.Kind.METER: reading.meter_soc,
    }[Reading.Kind(reading.kind)]


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)
