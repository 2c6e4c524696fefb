"""What a charge of a bank rests on, as the records have it: its charger, room and circuit of its depot, its condition."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fleet.models import BatteryBank, Place
from inventory.models import GoodsCheck
from readiness.domain.charge_card import ChargeQuestion, Circuit
from readiness.domain.charge_inhibits import Condition
from readiness.domain.charge_settings import MakerSettings
from readiness.domain.ventilation import Room
from readiness.models import BankCharger, ChargingRoom
from readiness.selectors.pages_charge import BankTold


@dataclass(frozen=True)
class ChargeFacts:
    """`looked` the latest look at the condition of the bank; the depot is where it would be charged."""

    bank: BatteryBank
    depot: Place | None
    charger: BankCharger | None
    room: ChargingRoom | None
    looked: GoodsCheck | None


def charge_facts(banks: Iterable[BatteryBank], depot: Place | None) -> dict[int, ChargeFacts]:
    """By bank id. Three queries."""
    wanted = {bank.pk: bank for bank in banks}
    chargers = {row.bank_id: row for row in BankCharger.objects.filter(bank__in=wanted)}
    room = ChargingRoom.objects.filter(place=depot).first() if depot else None
    looks: dict[int, GoodsCheck] = {}
    checks = GoodsCheck.objects.counting().filter(bank__in=wanted, kind=GoodsCheck.Kind.CONDITION)
    for look in checks.order_by("happened_at", "pk"):
        looks[look.bank_id or 0] = look
    return {
        key: ChargeFacts(bank, depot, chargers.get(key), room, looks.get(key)) for key, bank in wanted.items()
    }


def charge_question(facts: ChargeFacts, told: BankTold | None) -> ChargeQuestion:
    """The question for the card. `told`: what is believed of the bank; None on a shelf, where nothing is worked out."""
    bank, charger, room = facts.bank, facts.charger, facts.room
    temps = told.temps if told else None
    return ChargeQuestion(
        chemistry=bank.chemistry,
        cells=float(bank.cells_in_series),
        capacity_ah=told.capacity_ah if told else bank.capacity_ah,
        temp_low_c=temps.low_c if temps else None,
        temp_high_c=temps.high_c if temps else None,
        low_soc=told.low_soc if told else None,
        condition=_condition(facts.looked),
        rest_v_cell=told.lowest_v_cell if told else None,
        sg_full=bank.sg_full,
        sg_empty=bank.sg_empty,
        charger_a=bank.charger_a,
        charger_v=charger.charger_v if charger else None,
        maker=_maker(charger),
        gas_ma_ah=charger.gas_ma_ah if charger else None,
        room=Room(
            inlet_cm2=room.inlet_cm2,
            outlet_cm2=room.outlet_cm2,
            free_volume_m3=room.free_volume_m3,
            forced_m3_h=room.fan_m3_h,
            fan_interlocked=room.fan_interlocked,
            temp_high_c=room.temp_high_c,
        )
        if room
        else Room(),
        circuit=Circuit(room.circuit_v, room.circuit_phases, room.power_factor, room.breaker_a)
        if room
        else Circuit(),
    )


def _condition(looked: GoodsCheck | None) -> Condition:
    if looked is None:
        return Condition.UNKNOWN
    return Condition.SOUND if looked.answer == GoodsCheck.Answer.OK else Condition.DAMAGED


def _maker(charger: BankCharger | None) -> MakerSettings | None:
    if charger is None:
        return None
    stated = MakerSettings(
        absorb_v_cell=charger.absorb_v_cell,
        float_v_cell=charger.float_v_cell,
        comp_mv_cell_k=charger.comp_mv_cell_k,
    )
    return None if stated == MakerSettings() else stated
