"""What must hold for any records: safety of the low end, order-free input, many banks as one."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from readiness.domain.bank_records import BankArrays, BankEstimates, EventArrays, EventKind, Note, Supply
from readiness.domain.charge_state import estimate, path
from readiness.domain.chemistry import chemistries, chemistry
from readiness.domain.thermal import Sites
from tests.readiness.domain.fleet_of_banks import DAY0, TEMPERATE_C, bank, records

SITES = Sites(np.array([TEMPERATE_C, [30.0] * 12]), np.array([5.0, 0.0]), np.array([8.0, 0.0]))
DAYS = st.integers(0, 400).map(float)
CELL_V = {"lead_acid": (1.80, 2.25), "lithium": (2.9, 4.0), "nickel": (1.0, 1.4)}
SLACK = 1e-9


@st.composite
def histories(draw: Any, chemistry_code: str) -> list[dict[str, Any]]:
    """Records of one bank at different instants, in order."""
    days = draw(st.lists(DAYS, min_size=1, max_size=8, unique=True))
    low_v, high_v = CELL_V[chemistry(chemistry_code).family]
    events = []
    for day in sorted(days):
        kind = draw(st.sampled_from(["charge", "part", "volts", "meter", "supply", "use", "move"]))
        facts: dict[str, Any] = {"time": DAY0 + day}
        if kind in ("charge", "part"):
            facts |= {"kind": EventKind.CHARGE, "hours": 60.0, "end_sign": kind == "charge", "ah": 30.0}
        elif kind == "volts":
            facts |= {"kind": EventKind.VOLTAGE, "temp_c": 20.0, "rest_h": 48.0}
            facts["value"] = 12 * draw(st.floats(low_v, high_v))
        elif kind == "meter":
            facts |= {"kind": EventKind.METER, "value": draw(st.floats(0.0, 1.0))}
        elif kind == "supply":
            facts |= {
                "kind": EventKind.SUPPLY,
                "supply": draw(st.sampled_from(list(Supply))),
                "check_days": 30.0,
            }
        elif kind == "use":
            facts |= {"kind": EventKind.USED, "ah": draw(st.sampled_from([10.0, 100.0]))}
        else:
            facts |= {"kind": EventKind.SITE, "site": draw(st.sampled_from([0, 1]))}
        events.append(facts)
    return events


CODES = st.sampled_from(sorted(chemistries()))


def some_bank(code: str) -> BankArrays:
    return bank(code, standby_ma=15.0, made_day=DAY0 - 900, life_days=3000.0, charger_a=60.0)


def low_of(code: str, events: list[dict[str, Any]], day: float) -> float:
    return float(estimate(some_bank(code), records(*events), SITES, DAY0 + day).low[0])


@settings(max_examples=300, deadline=None)
@given(st.data(), CODES)
def test_the_low_end_is_never_above_the_best_estimate_nor_that_above_the_high_end(
    data: Any, code: str
) -> None:
    """After every record and long after the last one."""
    events = data.draw(histories(code))
    days = [event["time"] for event in events] + [DAY0 + 401.0, DAY0 + 600.0]
    answer = path(some_bank(code), records(*events), SITES, 0, days)
    known = ~np.isnan(answer.soc)
    assert np.all(answer.low[known] <= answer.soc[known] + SLACK)
    assert np.all(answer.soc[known] <= answer.high[known] + SLACK)


def alarmed(code: str, events: list[dict[str, Any]]) -> bool:
    """Whether a loss that nothing explains was noted after any of the records."""
    return any(
        estimate(some_bank(code), records(*events[: n + 1]), SITES, event["time"]).notes[0]
        & Note.UNEXPLAINED_LOSS
        for n, event in enumerate(events)
    )


@settings(max_examples=150, deadline=None)
@given(st.data(), CODES)
def test_a_lower_reading_never_raises_the_low_end(data: Any, code: str) -> None:
    events = data.draw(histories(code))
    readings = [n for n, event in enumerate(events) if event["kind"] in (EventKind.VOLTAGE, EventKind.METER)]
    if not readings:
        return
    which = data.draw(st.sampled_from(readings))
    event = events[which]
    floor_v = 12 * 1.0 if event["kind"] == EventKind.VOLTAGE else 0.0
    lower = dict(event, value=data.draw(st.floats(floor_v, event["value"])))
    if code == "lfp" and event["kind"] == EventKind.VOLTAGE:
        return  # between its two bounds the voltage says nothing: see the test of that rule
    if alarmed(code, events):
        return  # an alarm takes the low reading over: whoever expected more is more alarmed by it
    changed = [*events[:which], lower, *events[which + 1 :]]
    day = data.draw(st.integers(400, 500))
    assert low_of(code, changed, day) <= low_of(code, events, day) + SLACK


@settings(max_examples=150, deadline=None)
@given(st.data(), CODES)
def test_without_a_charge_or_a_good_proof_the_low_end_is_not_higher(data: Any, code: str) -> None:
    """Removing the record that something was put in never makes the answer more permissive."""
    events = data.draw(histories(code))
    charges = [n for n, event in enumerate(events) if event["kind"] == EventKind.CHARGE]
    if not charges:
        return
    which = data.draw(st.sampled_from(charges))
    fewer = events[:which] + events[which + 1 :]
    with_it = estimate(some_bank(code), records(*events), SITES, DAY0 + 450)
    without = estimate(some_bank(code), records(*fewer), SITES, DAY0 + 450)
    later_readings = any(event["kind"] >= EventKind.VOLTAGE for event in events[which:])
    if not later_readings:
        assert without.low[0] <= with_it.low[0] + SLACK
    if np.isfinite(without.interval_at[0]):
        assert without.interval_at[0] <= with_it.interval_at[0] + SLACK


@settings(max_examples=100, deadline=None)
@given(st.data(), CODES)
def test_more_days_never_raise_the_low_end(data: Any, code: str) -> None:
    events = data.draw(histories(code))
    first, second = sorted(data.draw(st.tuples(st.integers(400, 700), st.integers(400, 700))))
    assert low_of(code, events, second) <= low_of(code, events, first) + SLACK


@settings(max_examples=100, deadline=None)
@given(st.data(), CODES)
def test_the_low_end_is_never_above_the_latest_usable_reading(data: Any, code: str) -> None:
    events = data.draw(histories(code))
    value = data.draw(st.floats(0.0, 1.0))
    events.append({"time": DAY0 + 401, "kind": EventKind.METER, "value": value})
    assert low_of(code, events, 401) <= value + SLACK


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_many_banks_answer_as_each_alone_in_any_order(data: Any) -> None:
    codes = data.draw(st.lists(CODES, min_size=2, max_size=6))
    all_banks = [some_bank(code) for code in codes]
    fleet = BankArrays(
        **{
            part.name: np.concatenate([getattr(b, part.name) for b in all_banks])
            for part in fields(BankArrays)
        }
    )
    single_events = [records(*data.draw(histories(code))) for code in codes]
    joined = EventArrays(
        **{
            part.name: np.concatenate(
                [
                    getattr(replace(e, bank=np.full(len(e), row)), part.name)
                    for row, e in enumerate(single_events)
                ]
            )
            for part in fields(EventArrays)
        }
    )
    shuffled = joined.take(np.random.default_rng(data.draw(st.integers(0, 99))).permutation(len(joined)))
    together = estimate(fleet, shuffled, SITES, DAY0 + 450)
    for row, (alone_bank, alone_events) in enumerate(zip(all_banks, single_events, strict=True)):
        alone = estimate(alone_bank, alone_events, SITES, DAY0 + 450)
        for part in fields(BankEstimates):
            if part.name in ("refusal", "completed"):
                continue
            mine, theirs = getattr(together, part.name)[row], getattr(alone, part.name)[0]
            np.testing.assert_allclose(mine, theirs, rtol=0, atol=1e-6, err_msg=part.name)


def test_simultaneous_records_do_not_depend_on_their_order() -> None:
    events = [
        {"time": DAY0 + 5, "kind": EventKind.CHARGE, "hours": 40.0, "end_sign": True},
        {"time": DAY0 + 5, "kind": EventKind.METER, "value": 0.85},
        {"time": DAY0 + 5, "kind": EventKind.METER, "value": 0.95},
        {"time": DAY0 + 5, "kind": EventKind.SUPPLY, "supply": Supply.ISOLATED},
    ]
    answers = {
        low_of("lfp", [events[i] for i in order], 30) for order in ((0, 1, 2, 3), (3, 2, 1, 0), (2, 0, 3, 1))
    }
    assert len(answers) == 1
