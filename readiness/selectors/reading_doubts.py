"""What the charge state will make of one reading: the same judgement as the sweep's, for the person who just typed it."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from django.db.models import Exists, Max, OuterRef, Q
from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BankStay, SupplyState, UnitStay
from readiness.domain.bank_records import READING_REFUSALS, BankArrays, EventArrays, EventKind
from readiness.domain.chemistry import chemistry, chemistry_index
from readiness.domain.reading_values import rest_beside_charges, still_busy, values_of_readings
from readiness.models import Charge, Reading

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
DAY_S = 86_400.0
_CONNECTED = (SupplyState.Kind.FLOAT, SupplyState.Kind.OWN_ARRAY)


@dataclass(frozen=True)
class _Supply:
    """How the bank was connected when it was read: the kind ('' not on file), the hours since it was last charged, and
    whether it was on charge at that very moment."""

    kind: str
    label: str
    idle_h: float
    on_charge: bool


def reading_doubts(reading: Reading) -> list[DomainError]:
    """Sentences a person should see beside the reading; the first says whether it will be used at all. Empty: no doubt.

    Reads `reading.bank`, how it was connected, and its last charge before the reading.
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
    if reading.kind == Reading.Kind.VOLTAGE:
        supply = _supply_at(reading)
        if _busy(bank.chemistry, supply):
            return [_while_charging(supply, said)]
        doubts += _with_loads(reading, supply, said)
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


def _supply_at(reading: Reading) -> _Supply:
    """Three queries, two more with a float or an own array: that lasts until another supply is recorded, or the bank or its
    unit goes elsewhere."""
    states = list(
        SupplyState.objects.counting()
        .filter(bank=reading.bank, happened_at__lte=reading.happened_at)
        .order_by("-happened_at", "-pk")[:100]
    )
    ends = [later.happened_at for later, earlier in pairwise(states) if earlier.kind in _CONNECTED][:1]
    charge = (
        Charge.objects.counting()
        .filter(bank=reading.bank, ended_at__lte=reading.happened_at)
        .order_by("-ended_at")
        .first()
    )
    if charge is not None and charge.ended_at is not None:
        ends.append(charge.ended_at)
    now = states[0] if states else None
    if now is not None and now.kind in _CONNECTED and (moved_at := _moved_since(reading, now.happened_at)):
        ends, now = [*ends, moved_at], None
    idle_h = (reading.happened_at - max(ends)).total_seconds() / 3600 if ends else math.nan
    return _Supply(
        now.kind if now else "", str(now.get_kind_display()) if now else "", idle_h, _on_charge(reading)
    )


def _moved_since(reading: Reading, since: dt.datetime) -> dt.datetime | None:
    """When the bank, or the unit it was in, last came somewhere else between `since` and the reading."""
    span = {"started_at__gt": since, "started_at__lte": reading.happened_at}
    stays = BankStay.objects.filter(bank=reading.bank)
    with_unit = stays.filter(unit=OuterRef("unit"), started_at__lte=OuterRef("started_at")).filter(
        Q(ended_at=None) | Q(ended_at__gt=OuterRef("started_at"))
    )
    moves = [
        stays.filter(**span).aggregate(at=Max("started_at"))["at"],
        UnitStay.objects.filter(Exists(with_unit), **span).aggregate(at=Max("started_at"))["at"],
    ]
    return max((at for at in moves if at is not None), default=None)


def _on_charge(reading: Reading) -> bool:
    """By the same rule as the sweep's."""
    latest = (
        Charge.objects.counting()
        .filter(bank=reading.bank, happened_at__lt=reading.happened_at)
        .order_by("-happened_at")
        .first()
    )
    if latest is None:
        return False
    ended = math.nan if latest.ended_at is None else latest.ended_at.timestamp()
    one = np.zeros(1, dtype=np.int64)
    started, at = latest.happened_at.timestamp(), reading.happened_at.timestamp()
    rest_h = rest_beside_charges(
        one,
        np.array([at]) / DAY_S,
        np.array([math.inf]),
        of_bank=one,
        started=np.array([started]) / DAY_S,
        ended=np.array([ended]) / DAY_S,
    )
    return bool(rest_h[0] == 0.0)


def _busy(chemistry_code: str, supply: _Supply) -> bool:
    if supply.on_charge:
        return True
    busy = still_busy(
        np.array([chemistry_index()[chemistry_code]]),
        np.array([supply.kind in _CONNECTED]),
        np.array([supply.idle_h]),
    )
    return bool(busy[0])


def _while_charging(supply: _Supply, said: dict[str, str]) -> DomainError:
    if supply.on_charge:
        return DomainError(
            "reading.not_rested",
            _(
                "Kept on record, but it will not be used: by its record the bank was on charge then, so this is the "
                "voltage of the charger. End the charge, let the bank rest {needed} h, and measure again."
            ),
            **said,
        )
    if supply.kind in _CONNECTED:
        return DomainError(
            "reading.not_rested",
            _(
                "Kept on record, but it will not be used: the bank is {supply} by its record, so this is the voltage of "
                "what charges it. Isolate the bank, record that, let it rest {needed} h, and measure again."
            ),
            supply=supply.label,
            **said,
        )
    return DomainError(
        "reading.not_rested",
        _(
            "Kept on record, but it will not be used: the bank came off its charge or supply only {idle} h before, and "
            "{chemistry} needs {needed} h rest. Leave it isolated that long and measure again."
        ),
        idle=f"{supply.idle_h:.1f}",
        **said,
    )


def _with_loads(reading: Reading, supply: _Supply, said: dict[str, str]) -> list[DomainError]:
    if supply.kind == SupplyState.Kind.ISOLATED or reading.bank.standby_ma == 0:
        return []
    return [
        DomainError(
            "reading.loads_on",
            _(
                "By its record the standby loads are on, so the voltage counts with a wider band of doubt. For a better "
                "one isolate the bank, record that, let it rest {needed} h, and measure again."
            )
            if supply.kind
            else _(
                "How the bank is connected is not on file, so its standby loads count as on and the voltage with a wider "
                "band of doubt. Record how it is connected; at best isolate it, let it rest {needed} h, measure again."
            ),
            **said,
        )
    ]


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
