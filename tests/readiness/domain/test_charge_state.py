"""The charge state from records: each rule in words, input, expected; numbers worked by hand from the state equation."""

from __future__ import annotations

import numpy as np
import pytest

from readiness.domain.bank_records import READING_REFUSALS, Anchor, DueBy, Note, Reason, Supply
from readiness.domain.charge_state import path
from readiness.domain.rest_voltage import soc_to_ocv
from readiness.domain.self_discharge import soc_after
from tests.readiness.domain.fleet_of_banks import (
    DAY0,
    bank,
    charge,
    gravity,
    meter,
    moved,
    one,
    records,
    steady_sites,
    supply,
    temperate_site,
    used,
    volts,
)

ISOLATED = supply(0, Supply.ISOLATED)


def test_a_charged_gel_bank_loses_two_percent_a_month_and_its_band_grows_by_half_of_it() -> None:
    answer = one(bank(), ISOLATED, charge(0), day=90)
    assert answer.soc[0] == pytest.approx(1 - 0.06)
    assert answer.sigma[0] == pytest.approx(0.02 + 0.03)
    assert answer.low[0] == pytest.approx(1 - 0.06 - 1.28 * 0.05)
    assert answer.high[0] == pytest.approx(1.0)
    assert answer.decided[0]
    assert answer.anchor_kind[0] == Anchor.CHARGE


def test_the_estimate_is_the_published_loss_over_a_changing_temperature() -> None:
    sites = steady_sites(15.0, 25.0, 35.0)
    answer = one(bank(), ISOLATED, charge(0), moved(60, 1), moved(120, 2), day=180, sites=sites)
    assert answer.soc[0] == pytest.approx(0.80201, abs=1e-4)  # worked example W1 of the battery notes
    assert answer.soc[0] == pytest.approx(soc_after(1.0, [60, 60, 60], [15, 25, 35], pct_per_month_ref=2.0))


def test_the_low_end_lets_warm_rates_double_per_eight_kelvin() -> None:
    answer = one(bank(), ISOLATED, charge(0), day=30, sites=steady_sites(35.0))
    plain, worse = 0.02 * 2**1.5, 0.02 * 2**0.5 * 2 ** (10 / 8)
    assert answer.soc[0] == pytest.approx(1 - plain)
    assert answer.low[0] == pytest.approx(1 - worse - 1.28 * (0.02 + 0.5 * worse))


def test_a_standing_draw_adds_to_the_loss_only_while_it_is_connected() -> None:
    with_draw = bank(standby_ma=25.0)
    isolated = one(with_draw, ISOLATED, charge(0), day=60)
    connected = one(with_draw, supply(0, Supply.STANDBY), charge(0), day=60)
    assert isolated.soc[0] - connected.soc[0] == pytest.approx(25e-3 * 24 * 60 / 600)


def test_without_a_supply_record_the_standby_loads_count_as_on() -> None:
    answer = one(bank(standby_ma=25.0), charge(0), day=60)
    assert answer.soc[0] == pytest.approx(1 - 0.04 - 25e-3 * 24 * 60 / 600)
    assert answer.notes[0] & Note.SUPPLY_UNKNOWN


def test_a_draw_that_nobody_measured_makes_a_connected_bank_undecided() -> None:
    answer = one(bank(standby_ma=None), supply(0, Supply.STANDBY), charge(0), day=1)
    assert answer.reasons[0] & Reason.LOAD_UNKNOWN
    assert np.isnan(answer.soc[0])
    assert answer.low[0] == 0.0
    assert answer.high[0] == 1.0
    assert one(bank(standby_ma=None), ISOLATED, charge(0), day=1).decided[0]


def test_float_is_believed_until_its_check_interval_ends_then_counts_from_the_last_proof() -> None:
    floating = supply(0, Supply.FLOAT, check_days=30.0)
    believed = one(bank(), charge(0), floating, day=30)
    expired = one(bank(), charge(0), floating, day=31)
    assert believed.soc[0] == 1.0
    assert believed.notes[0] & Note.FLOAT_BELIEVED
    assert expired.soc[0] == pytest.approx(1 - 0.02 * 31 / 30)
    assert expired.notes[0] & Note.FLOAT_EXPIRED
    assert believed.used[0] == 0.0
    assert expired.used[0] == pytest.approx(31 / 180)
    assert believed.due_at[0] == expired.due_at[0]


def test_a_proof_in_time_keeps_the_float_believed_and_refreshes_the_evidence() -> None:
    proofs = [supply(day, Supply.FLOAT, check_days=30.0) for day in (0, 28, 55)]
    answer = one(bank(stale_days=40.0), charge(0), *proofs, day=80)
    assert answer.soc[0] == 1.0
    assert answer.decided[0]
    assert answer.evidence_at[0] == DAY0 + 55


def test_a_proof_that_comes_late_does_not_mend_the_gap() -> None:
    late = [supply(day, Supply.FLOAT, check_days=30.0) for day in (0, 60)]
    assert one(bank(), charge(0), *late, day=61).soc[0] == pytest.approx(1 - 0.04)


def test_own_array_is_believed_like_float() -> None:
    answer = one(bank(), charge(0), supply(0, Supply.OWN_ARRAY, check_days=10.0), day=10)
    assert answer.soc[0] == 1.0
    assert answer.high[0] == 1.0


def test_a_moved_bank_is_not_on_float_any_more() -> None:
    floating = supply(0, Supply.FLOAT, check_days=300.0)
    answer = one(bank(), charge(0), floating, moved(10, 1), day=40, sites=steady_sites(20.0, 20.0))
    assert answer.soc[0] == pytest.approx(1 - 0.02)


@pytest.mark.parametrize(
    ("facts", "complete"),
    [
        ({}, True),
        ({"end_sign": False}, False),
        ({"hours": None}, False),
        ({"hours": 2.0}, False),
        ({"hours": 6.0}, True),
    ],
)
def test_a_charge_is_complete_only_with_its_end_sign_and_hours_enough(
    facts: dict[str, float], complete: bool
) -> None:
    second = charge(100, **facts)
    answer = one(bank(), ISOLATED, charge(0), second, day=100)
    assert answer.soc[0] == pytest.approx(1.0 if complete else 1 - 0.02 * 100 / 30)
    assert answer.used[0] == pytest.approx(0.0 if complete else 100 / 180)


def test_hours_enough_follow_from_the_charger() -> None:
    slow = bank(charger_a=10.0)
    start = 1 - 0.02 * 170 / 30
    first = charge(0, hours=80.0)
    answer = one(slow, ISOLATED, first, charge(170, hours=8.0), day=170)
    assert answer.soc[0] == pytest.approx(start)
    assert one(slow, ISOLATED, first, charge(170, hours=20.0), day=170).soc[0] == 1.0


@pytest.mark.parametrize("to_soc", [0.85, 0.99])
@pytest.mark.parametrize("chemistry", ["vrla_gel", "vrla_agm", "flooded_sb", "nimh", "nicd_vented"])
def test_only_lithium_is_completed_at_less_than_full(chemistry: str, to_soc: float) -> None:
    """Neither a moment on the charger nor two days of it reset the interval when tail and hold were left out."""
    known = bank(chemistry, charger_a=60.0)
    before = one(known, ISOLATED, charge(0), day=20)
    for hours in (0.1, 48.0):
        answer = one(known, ISOLATED, charge(0), charge(20, to_soc=to_soc, hours=hours), day=20)
        assert answer.used[0] == pytest.approx(before.used[0])
        assert answer.low[0] == pytest.approx(before.low[0])
        assert answer.notes[0] & Note.PARTIAL_CHARGE


def test_lithium_put_away_below_full_needs_its_least_time_and_the_way_up() -> None:
    lithium = bank("lfp", charger_a=60.0)
    for hours, complete in ((0.8, False), (0.9, True)):
        answer = one(lithium, ISOLATED, charge(0), charge(20, to_soc=0.6, hours=hours), day=20)
        assert bool(answer.used[0] == 0.0) is complete
    empty = meter(19, 0.1)
    for hours, complete in ((4.0, False), (6.0, True)):
        answer = one(lithium, ISOLATED, charge(0), empty, charge(20, to_soc=0.6, hours=hours), day=20)
        assert bool(answer.soc[0] == pytest.approx(0.6)) is complete


def test_hours_enough_are_counted_from_the_low_end() -> None:
    """A gel bank of 600 Ah at 60 A: constant current up to 0.85, the tail, 3 h of hold; nine tenths of it are enough."""
    vague = (ISOLATED, charge(0), volts(1, float(soc_to_ocv("vrla_gel", 0.47, 12))))
    start = one(bank(charger_a=60.0), *vague, day=2).low[0]
    assert start < 0.37
    hours = 0.9 * ((0.85 - start) * 600 / 54 + 1.875 * np.log(5) + 3)
    for given, complete in ((hours - 0.1, False), (hours + 0.1, True)):
        answer = one(bank(charger_a=60.0), *vague, charge(2, hours=given), day=2)
        assert bool(answer.used[0] == 0.0) is complete


def test_without_a_known_charger_the_hours_must_be_enough_for_the_slowest_usual_one() -> None:
    """Gel from empty at 0.05 C: 20.6 h of constant current, 1.7 h of tail, 3 h of hold; nine tenths of it are enough."""
    for known in ({}, {"charger_a": 30.0}, {"capacity_ah": None, "charger_a": 30.0}):
        for hours, complete in ((22.0, False), (23.5, True)):
            answer = one(bank(**known), ISOLATED, charge(0, hours=hours), day=0)
            assert bool(answer.decided[0]) is complete


def test_a_partial_charge_credits_only_what_was_shown_to_go_in() -> None:
    part = charge(90, end_sign=False, ah=33.0)
    answer = one(bank(), ISOLATED, charge(0), part, day=90)
    assert answer.soc[0] == pytest.approx(0.94 + 33.0 / (1.1 * 600))
    assert answer.used[0] == pytest.approx(0.5)
    assert answer.notes[0] & Note.PARTIAL_CHARGE
    silent = one(bank(), ISOLATED, charge(0), charge(90, end_sign=False), day=90)
    assert silent.soc[0] == pytest.approx(0.94)


def test_a_partial_charge_of_a_bank_nobody_knows_makes_nothing_known() -> None:
    answer = one(bank(), ISOLATED, charge(0, end_sign=False, ah=500.0), day=1)
    assert answer.reasons[0] & Reason.NO_STATE


def test_reading_and_prediction_are_fused_by_inverse_variance() -> None:
    reading = volts(90, float(soc_to_ocv("vrla_gel", 0.90, 12)))
    answer = one(bank(), ISOLATED, charge(0), reading, day=90)
    weight = 0.1**2 / (0.1**2 + 0.05**2)
    assert answer.soc[0] == pytest.approx(weight * 0.94 + (1 - weight) * 0.90)
    assert answer.sigma[0] == pytest.approx((0.1**-2 + 0.05**-2) ** -0.5)
    assert answer.readings_used[0] == 1


def test_a_low_reading_is_planned_on_until_another_one_disproves_it() -> None:
    low = volts(30, float(soc_to_ocv("vrla_gel", 0.70, 12)))
    high = volts(40, float(soc_to_ocv("vrla_gel", 0.97, 12)))
    alarmed = one(bank(), ISOLATED, charge(0), low, day=31)
    cleared = one(bank(), ISOLATED, charge(0), low, high, day=41)
    assert alarmed.low[0] <= 0.70
    assert alarmed.due_at[0] == DAY0 + 30
    assert alarmed.due_by[0] == DueBy.FLOOR
    assert cleared.low[0] > 0.80
    assert cleared.due_at[0] > DAY0 + 41


def test_a_reading_far_below_the_prediction_is_an_unexplained_loss() -> None:
    answer = one(bank(), ISOLATED, charge(0), volts(30, float(soc_to_ocv("vrla_gel", 0.30, 12))), day=30)
    assert answer.notes[0] & Note.UNEXPLAINED_LOSS
    assert answer.soc[0] == pytest.approx(0.30)
    assert answer.anchor_kind[0] == Anchor.READING
    assert answer.broken_at[0] == DAY0 + 30


def test_after_an_unexplained_loss_the_low_end_lies_under_the_reading_that_was_taken_over() -> None:
    """Flooded, fully charged, then 0.60 and 0.80 by gravity: the best estimate is between them, the low end below it."""
    flooded = bank("flooded_ca", floor_soc=0.75)
    low, high = (gravity(day, 1.120 + 0.145 * soc) for day, soc in ((10, 0.60), (11, 0.80)))
    first = one(flooded, ISOLATED, charge(0), low, day=10)
    assert first.soc[0] == pytest.approx(0.60)
    assert first.low[0] <= 0.60 - 1.28 * 0.08 + 1e-9
    second = one(flooded, ISOLATED, charge(0), low, high, day=11)
    assert second.low[0] < second.soc[0] < 0.75
    assert second.floor_at[0] == DAY0 + 10


@pytest.mark.parametrize(
    ("chemistry", "event", "key"),
    [
        ("vrla_gel", volts(1, 25.6, rest_h=23.9), "not_rested"),
        ("vrla_gel", volts(1, 25.6, rest_h=None), "not_rested"),
        ("vrla_gel", volts(1, 28.0), "ocv_implausible"),
        ("vrla_gel", volts(1, 25.6, temp_c=71.0), "temp_out_of_range"),
        ("nimh", volts(1, 15.0), "ocv_not_usable"),
        ("lfp", volts(1, 12 * 3.31), "plateau"),
        ("vrla_gel", gravity(1, 1.25), "sg_not_usable"),
        ("flooded_ca", gravity(1, 1.40), "sg_out_of_range"),
        ("vrla_gel", meter(1, 1.4), "soc_out_of_range"),
    ],
)
def test_a_reading_that_cannot_count_is_refused_with_its_reason(
    chemistry: str, event: dict, key: str
) -> None:
    alone = one(bank(chemistry), ISOLATED, event, day=2)
    assert READING_REFUSALS[alone.refusal[1]] == key
    assert alone.reasons[0] & Reason.NO_STATE
    before = one(bank(chemistry), ISOLATED, charge(0), day=2)
    after = one(bank(chemistry), ISOLATED, charge(0), event, day=2)
    assert after.low[0] == pytest.approx(before.low[0], abs=1e-12)
    assert after.evidence_at[0] == before.evidence_at[0]


ON_FLOAT, ON_ARRAY = (supply(1, kind, check_days=90.0) for kind in (Supply.FLOAT, Supply.OWN_ARRAY))


@pytest.mark.parametrize("connected", [ON_FLOAT, ON_ARRAY])
def test_a_rest_voltage_of_a_bank_that_is_being_charged_is_refused(connected: dict) -> None:
    """27.0 V '48 h at rest' on float is the charger's voltage: a bank of which nothing else is known stays unknown."""
    reading = volts(10, 27.0)
    alone = one(bank(), connected, reading, day=10)
    assert READING_REFUSALS[alone.refusal[1]] == "not_rested"
    assert alone.reasons[0] & Reason.NO_STATE
    assert alone.notes[0] & Note.READING_REFUSED
    low = volts(10, 24.0)
    assert one(bank(), charge(0), connected, low, day=10).low[0] > 0.9, "nor does it pull a bank down"
    meter_says = one(bank("nmc"), connected, meter(10, 0.5), day=10)
    assert meter_says.soc[0] == 0.5, "a meter counts on any supply"


@pytest.mark.parametrize(("hours", "key"), [(0.0, "not_rested"), (23.9, "not_rested"), (24.0, "")])
def test_rest_begins_when_the_bank_is_isolated_or_its_charge_ends(hours: float, key: str) -> None:
    """Gel needs 24 h, counted from the record, whatever rest was written down."""
    reading = volts(9 + hours / 24, 25.6, rest_h=200.0)
    for ends in ((ON_FLOAT, supply(9, Supply.ISOLATED)), (ISOLATED, charge(9, end_sign=False))):
        answer = one(bank(), *ends, reading, day=11)
        assert READING_REFUSALS[answer.refusal[2]] == key


def test_with_its_standby_loads_on_a_voltage_has_a_wider_band() -> None:
    for connection, draw, wider in (
        ([ISOLATED], 25.0, False),
        ([supply(0, Supply.STANDBY)], 25.0, True),
        ([supply(0, Supply.STANDBY)], None, True),
        ([supply(0, Supply.STANDBY)], 0.0, False),
        ([], 25.0, True),
    ):
        answer = one(bank(standby_ma=draw), *connection, volts(10, 25.6), day=10)
        assert answer.sigma[0] == pytest.approx(0.15 if wider else 0.10)
        assert bool(answer.notes[0] & Note.READING_LOADED) is wider
    again = one(bank(standby_ma=25.0), volts(10, 25.6), supply(11, Supply.ISOLATED), volts(13, 25.6), day=13)
    assert not again.notes[0] & Note.READING_LOADED


def test_lfp_voltage_only_bounds() -> None:
    low = one(bank("lfp"), ISOLATED, charge(0), volts(10, 12 * 3.20), day=10)
    assert low.low[0] <= 0.20
    full = one(bank("lfp"), ISOLATED, volts(10, 12 * 3.41), day=10)
    assert full.soc[0] == pytest.approx(0.95)
    said_full = one(bank("lfp"), ISOLATED, charge(0), volts(10, 12 * 3.41), day=10)
    assert said_full.low[0] == pytest.approx(one(bank("lfp"), ISOLATED, charge(0), day=10).low[0])


def test_the_lowest_block_counts_for_the_low_end() -> None:
    reading = volts(10, 25.6, low_cell_v=2.05)
    answer = one(bank(), ISOLATED, charge(0), reading, day=10)
    assert answer.low[0] < 0.5
    assert answer.notes[0] & Note.WEAK_BLOCK


def test_a_weak_block_is_remembered_until_a_block_is_measured_again() -> None:
    """Volts of the bank alone say nothing of its weakest block; a completed charge gives it what went in, no more."""
    weak = volts(10, 25.6, low_cell_v=2.05)
    bank_only, even = volts(20, 25.6), volts(30, 25.6, low_cell_v=25.55 / 12)
    before = one(bank(), ISOLATED, charge(0), weak, day=20)
    blind = one(bank(), ISOLATED, charge(0), weak, bank_only, day=20)
    assert blind.notes[0] & Note.WEAK_BLOCK
    assert blind.low[0] == pytest.approx(before.low[0])
    assert blind.block_at[0] == DAY0 + 10
    charged = one(bank(), ISOLATED, charge(0), weak, charge(21, ah=66.0), day=21)
    assert charged.notes[0] & Note.WEAK_BLOCK
    assert charged.soc[0] == 1.0
    assert charged.low[0] == pytest.approx(before.low[0] - 1.64 * 0.02 / 30 + 66 / (1.1 * 600), abs=1e-6)
    mended = one(bank(), ISOLATED, charge(0), weak, charge(21), even, day=30)
    assert not mended.notes[0] & Note.WEAK_BLOCK
    assert mended.low[0] > 0.80
    assert mended.block_at[0] == DAY0 + 30


def test_a_block_no_worse_than_the_others_stops_counting_with_the_next_completed_charge() -> None:
    even = volts(10, 25.6, low_cell_v=2.12)
    assert one(bank(), ISOLATED, charge(0), even, charge(20), day=20).low[0] == pytest.approx(1 - 1.28 * 0.02)


def test_blocks_that_nobody_measured_leave_no_mark() -> None:
    assert np.isnan(one(bank(), ISOLATED, charge(0), volts(10, 25.6), day=10).block_at[0])
    lithium = one(bank("nmc"), ISOLATED, charge(0), volts(10, 12 * 4.1, low_cell_v=3.5), day=10)
    assert np.isnan(lithium.block_at[0]), "what a block of lithium may differ by is not known here"
    assert lithium.low[0] < 0.3


LOW_READING = volts(30, float(soc_to_ocv("vrla_gel", 0.30, 12)))


def test_a_second_low_reading_confirms_an_unexplained_loss_and_does_not_end_it() -> None:
    later = [volts(day, float(soc_to_ocv("vrla_gel", 0.30, 12))) for day in (33, 36, 60)]
    answer = one(bank(), ISOLATED, charge(0), LOW_READING, *later, day=60)
    assert answer.notes[0] & Note.UNEXPLAINED_LOSS
    assert answer.alarm_at[0] == DAY0 + 30
    between = volts(33, float(soc_to_ocv("vrla_gel", 0.70, 12)))
    assert one(bank(), ISOLATED, charge(0), LOW_READING, between, day=33).notes[0] & Note.UNEXPLAINED_LOSS


def test_a_reading_near_the_prediction_disproves_the_low_one() -> None:
    high = volts(33, float(soc_to_ocv("vrla_gel", 0.95, 12)))
    answer = one(bank(), ISOLATED, charge(0), LOW_READING, high, day=33)
    assert not answer.notes[0] & Note.UNEXPLAINED_LOSS
    assert np.isnan(answer.alarm_at[0])
    assert answer.soc[0] == pytest.approx(0.978, abs=0.005)
    assert answer.low[0] < answer.soc[0]


def test_a_completed_charge_ends_an_unexplained_loss_only_when_it_is_seen_to_hold() -> None:
    full, lower = (float(soc_to_ocv("vrla_gel", soc, 12)) for soc in (0.99, 0.80))
    records_ = (ISOLATED, charge(0), LOW_READING, charge(40))
    assert one(bank(), *records_, day=45).notes[0] & Note.UNEXPLAINED_LOSS
    assert one(bank(), *records_, volts(40.5, full), day=45).notes[0] & Note.UNEXPLAINED_LOSS
    assert not one(bank(), *records_, volts(41, full), day=45).notes[0] & Note.UNEXPLAINED_LOSS
    assert one(bank(), *records_, volts(44, lower), day=45).notes[0] & Note.UNEXPLAINED_LOSS


def test_a_capacity_test_settles_an_unexplained_loss_from_its_day_on() -> None:
    for tested, open_ in ((29.0, True), (31.0, False), (41.0, True)):
        answer = one(bank(tested_at=DAY0 + tested), ISOLATED, charge(0), LOW_READING, day=40)
        assert bool(answer.notes[0] & Note.UNEXPLAINED_LOSS) is open_


def test_use_leaves_an_unexplained_loss_and_a_weak_block_open() -> None:
    answer = one(bank(), ISOLATED, charge(0), volts(30, 24.0, low_cell_v=1.9), used(40), day=41)
    assert answer.notes[0] & Note.UNEXPLAINED_LOSS
    assert answer.notes[0] & Note.WEAK_BLOCK
    again = one(
        bank(), ISOLATED, charge(0), volts(30, 24.0, low_cell_v=1.9), used(40), volts(50, 25.6), day=51
    )
    assert again.notes[0] & Note.UNEXPLAINED_LOSS
    assert again.low[0] < 0.1, "the weak block was not measured again"


def test_gravity_is_corrected_for_its_temperature() -> None:
    cold = one(bank("flooded_ca"), ISOLATED, gravity(1, 1.230, temp_c=5.0), day=1)
    assert cold.soc[0] == pytest.approx(0.66207, abs=1e-5)


def test_nickel_loses_its_first_day_share_at_once_and_then_exponentially() -> None:
    answer = one(bank("nimh"), ISOLATED, charge(0), day=28)
    assert answer.soc[0] == pytest.approx(0.74675, abs=1e-5)


def test_nickel_with_a_standing_draw_follows_the_exact_law() -> None:
    answer = one(bank("nimh", standby_ma=100.0), charge(0), day=30)
    exact = soc_after(
        0.9, [30], [20], pct_per_month_ref=20.0, decay="first_order", parasitic_ma=100.0, capacity_ah=600.0
    )
    assert answer.soc[0] == pytest.approx(exact, abs=1e-7)
    at_floor = one(bank("nimh", standby_ma=100.0), charge(0), day=float(answer.floor_at[0]) - DAY0)
    assert at_floor.low[0] == pytest.approx(0.6, abs=1e-4)


def test_use_without_a_measured_amount_leaves_nothing_known() -> None:
    answer = one(bank(), ISOLATED, charge(0), used(10), day=11)
    assert answer.reasons[0] == Reason.USED
    assert np.isnan(answer.due_at[0]) or answer.due_by[0] == DueBy.INTERVAL
    counted = one(bank(), ISOLATED, charge(0), used(10, ah=60.0), day=10)
    assert counted.soc[0] == pytest.approx(1 - 0.02 / 3 - 0.1)


def test_evidence_older_than_its_rule_is_stale_but_not_on_its_last_day() -> None:
    old = bank(stale_days=90.0)
    assert one(old, ISOLATED, charge(0), day=90).decided[0]
    assert one(old, ISOLATED, charge(0), day=90.01).reasons[0] == Reason.STALE


def test_a_place_without_climate_decides_nothing() -> None:
    answer = one(bank(site=-1), ISOLATED, charge(0), day=5)
    assert answer.reasons[0] & Reason.NO_CLIMATE
    assert np.isnan(answer.interval_at[0])


def test_no_record_at_all_decides_nothing() -> None:
    answer = one(bank(), day=5)
    assert answer.reasons[0] & Reason.NO_STATE
    assert answer.low[0] == 0.0
    assert answer.high[0] == 1.0
    assert np.isnan(answer.due_at[0])


def test_floor_and_interval_and_which_of_them_binds() -> None:
    by_floor = one(bank(), ISOLATED, charge(0), day=10)
    room = (1 - 1.28 * 0.02 - 0.80) / 1.64
    assert by_floor.floor_at[0] - DAY0 == pytest.approx(room / 0.02 * 30)
    assert by_floor.interval_at[0] - DAY0 == pytest.approx(180)
    assert by_floor.due_by[0] == DueBy.FLOOR
    lithium = one(bank("lfp"), ISOLATED, charge(0), day=10, sites=steady_sites(25.0))
    assert lithium.interval_at[0] - DAY0 == pytest.approx(180)
    assert lithium.due_by[0] == DueBy.INTERVAL


def test_the_maker_may_shorten_the_interval_never_lengthen_it() -> None:
    for given, expected in ((90.0, 90.0), (900.0, 180.0)):
        answer = one(bank(interval_cap_days=given), ISOLATED, charge(0), day=1)
        assert answer.interval_at[0] - DAY0 == pytest.approx(expected)


def test_an_unknown_age_counts_as_the_end_of_life() -> None:
    answer = one(bank(made_day=None), ISOLATED, charge(0), day=30)
    assert answer.soc[0] == pytest.approx(1 - 2 * 0.02)
    assert answer.notes[0] & Note.AGE_UNKNOWN


def test_ageing_grows_along_the_line() -> None:
    half_way = bank(made_day=DAY0 - 1000, life_days=2000.0)
    answer = one(half_way, ISOLATED, charge(0), day=30)
    assert answer.soc[0] == pytest.approx(1 - 0.02 * (1.5 + 15 / 2000), abs=1e-9)


@pytest.mark.parametrize("sites", [steady_sites(20.0), steady_sites(31.0), temperate_site()])
@pytest.mark.parametrize(
    "chemistry", ["vrla_gel", "vrla_agm", "flooded_sb", "lfp", "nmc", "nimh", "nicd_vented"]
)
def test_due_dates_do_not_move_while_nothing_happens(sites: object, chemistry: str) -> None:
    told = {
        (
            float(a.floor_at[0]),
            float(a.interval_at[0]),
            float(a.due_at[0]),
            int(a.due_by[0]),
            float(a.broken_at[0]),
        )
        for a in (
            one(bank(chemistry, standby_ma=20.0), charge(3), meter(9, 0.93), day=day, sites=sites)  # type: ignore[arg-type]
            for day in (9, 10, 17, 33, 64, 129, 258)
        )
    }
    early = [entry[:4] for entry in told]
    assert max(abs(a - b) for one_ in early for a, b in zip(one_, early[0], strict=True)) < 1e-6


def test_the_path_is_the_estimate_day_by_day() -> None:
    banks, events, sites = bank(), records(ISOLATED, charge(0), volts(50, 25.3)), temperate_site()
    days = DAY0 + np.arange(0.0, 200.0, 7.0)
    line = path(banks, events, sites, 0, days)
    for at, soc, low in zip(line.at, line.soc, line.low, strict=True):
        single = one(banks, ISOLATED, charge(0), volts(50, 25.3), day=float(at) - DAY0, sites=sites)
        assert single.soc[0] == pytest.approx(soc, abs=1e-12)
        assert single.low[0] == pytest.approx(low, abs=1e-12)


def test_logged_days_replace_the_climate() -> None:
    sites = steady_sites(20.0)
    logged = type(sites)(
        sites.month_mean_c,
        sites.heat_c,
        sites.swing_c,
        np.zeros(30, dtype=np.int64),
        (DAY0 + np.arange(30)).astype(np.int64),
        np.full(30, 30.0),
    )
    answer = one(bank(), ISOLATED, charge(0), day=60, sites=logged)
    assert answer.soc[0] == pytest.approx(1 - 0.02 * 2 - 0.02)
