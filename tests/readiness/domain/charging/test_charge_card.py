"""Everything about one charge in one answer; expected figures are those of the reference page, computed by hand from it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from readiness.domain.charge_card import ChargeQuestion, Circuit, charge_card, missing_of
from readiness.domain.charge_inhibits import Condition
from readiness.domain.charge_settings import MakerSettings
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.errors import RejectedInput
from readiness.domain.ventilation import Room

KNOWN = ChargeQuestion(
    chemistry="vrla_gel",
    cells=12.0,
    capacity_ah=1000.0,
    temp_low_c=10.0,
    temp_high_c=10.0,
    low_soc=0.7,
    condition=Condition.SOUND,
    charger_a=100.0,
    charger_v=28.4,
    room=Room(inlet_cm2=200.0, outlet_cm2=200.0, free_volume_m3=40.0, forced_m3_h=0.0, temp_high_c=30.0),
    circuit=Circuit(230.0, 1, 0.95, 25.0),
)


def test_a_charge_of_which_all_is_known() -> None:
    """29.16 V at 10 degC (reference 4.1), 4.8 m3/h for 12 gel cells of 1000 Ah (reference 4.5), 28 Q cm2 and 2.5 Q m3."""
    card = charge_card(KNOWN)
    assert card.outcome == CheckOutcome.PASS
    assert card.settings.absorb_v == pytest.approx(29.16, abs=0.01)
    assert card.settings.equalise == "never"
    assert card.air.flow_m3_h == pytest.approx(4.8)
    assert card.air.opening_cm2 == pytest.approx(134.4)
    assert card.air.free_volume_m3 == pytest.approx(12.0)
    assert {check.key: check.outcome for check in card.checks} == dict.fromkeys(
        (check.key for check in card.checks), CheckOutcome.PASS
    )
    assert missing_of(card.checks) == ()
    assert card.phases.removed_ah == pytest.approx(300.0)
    assert card.phases.total_h == pytest.approx(
        sum((card.phases.bulk_h, card.phases.tail_h, card.phases.hold_h, card.phases.wait_h))  # type: ignore[arg-type]
    )
    # 300 Ah x charge factor x volts / efficiency: Ah and kWh of the reference 4.3, with this bank's own voltage.
    assert card.phases.wall_kwh == pytest.approx(300.0 * 1.10 * 29.16 / 0.85 / 1000.0, rel=0.03)


def test_a_gel_bank_is_never_equalised_whatever_its_maker_states() -> None:
    card = charge_card(replace(KNOWN, maker=MakerSettings(equalise=True)))
    assert card.settings.equalise == "never"
    assert card.settings.equalise_v is None


@pytest.mark.parametrize(
    ("changes", "forbidden"),
    [
        ({"chemistry": "lfp", "cells": 8.0, "temp_low_c": -4.0, "temp_high_c": -0.5}, "too_cold"),
        ({"temp_low_c": 51.0, "temp_high_c": 60.0}, "too_hot"),
        ({"condition": Condition.DAMAGED}, "damaged"),
        (
            {"chemistry": "flooded_low_sb", "temp_low_c": -30.0, "temp_high_c": -30.0, "low_soc": 0.1},
            "may_be_frozen",
        ),
        ({"chemistry": "lfp", "cells": 8.0, "rest_v_cell": 1.9}, "deeply_discharged"),
    ],
)
def test_what_forbids_a_charge(changes: dict[str, object], forbidden: str) -> None:
    card = charge_card(replace(KNOWN, **changes))  # type: ignore[arg-type]
    assert card.outcome == CheckOutcome.FAIL
    assert forbidden in card.forbidden


@pytest.mark.parametrize(
    ("lacking", "names"),
    [
        ({"temp_low_c": None, "temp_high_c": None}, {"temp_c"}),
        ({"charger_v": None}, {"charger_v"}),
        ({"charger_a": None}, {"charger_a", "start_kw"}),
        ({"circuit": Circuit()}, {"volts", "pf", "breaker_a"}),
        ({"room": Room()}, {"inlet_cm2", "outlet_cm2", "free_volume_m3", "temp_high_c"}),
    ],
)
def test_what_is_not_known_is_named_and_never_passes(lacking: dict[str, object], names: set[str]) -> None:
    card = charge_card(replace(KNOWN, **lacking))  # type: ignore[arg-type]
    assert names <= set(missing_of(card.checks)) | set(card.settings.missing)
    assert CheckOutcome.CANNOT_DECIDE in {check.outcome for check in card.checks}
    assert CheckOutcome.FAIL not in {check.outcome for check in card.checks}


def test_without_a_look_at_its_condition_no_charge_is_allowed() -> None:
    card = charge_card(replace(KNOWN, condition=Condition.UNKNOWN))
    assert card.outcome == CheckOutcome.CANNOT_DECIDE
    assert card.unknown == ("condition",)


def test_a_breaker_too_small_fails_although_other_facts_are_missing() -> None:
    card = charge_card(replace(KNOWN, circuit=Circuit(230.0, 1, None, 6.0)))
    assert card.circuit.outcome == CheckOutcome.FAIL


def test_a_bank_nearly_full_today_is_held_against_the_circuit_as_an_empty_one() -> None:
    full, empty = (charge_card(replace(KNOWN, low_soc=soc)).circuit.start_a for soc in (0.98, 0.2))
    assert full == pytest.approx(empty)


def test_no_capacity_is_refused() -> None:
    with pytest.raises(RejectedInput, match="The capacity must be more than 0 Ah"):
        charge_card(replace(KNOWN, capacity_ah=0.0))
