"""The demo's depots charge in ways that differ, and each can charge whatever stands in it."""

import datetime as dt
from collections import defaultdict

import numpy as np
import pytest

from readiness.demo.rows import Row, Rows
from readiness.domain.charge_times import charge_courses
from readiness.domain.chemistry import chemistry_column, chemistry_index

from .conftest import about

FRIDAY, SATURDAY = 4, 5


def place(rows: Rows, code: str) -> int:
    return int(about(rows, "fleet.Place", code=code)[0]["id"])


def bays(rows: Rows, code: str) -> list[Row]:
    return about(rows, "readiness.ChargerBay", place_id=place(rows, code), valid_to=None)


def test_every_bank_finds_a_bay_at_home_that_can_charge_it(rows: Rows) -> None:
    """Its programme, and the highest charging voltage of the table with 0.1 V a cell for a cold battery."""
    homes = {row["id"]: row["home_id"] for row in rows.of("fleet.Unit")}
    codes = {row["id"]: row["code"] for row in rows.of("fleet.Place")}
    top_v = chemistry_column("absorb_v_cell_max")
    stays = [row for row in rows.of("fleet.BankStay") if row.get("unit_id")]
    assert len(stays) > 40
    for stay in stays:
        bank = rows.get("fleet.BatteryBank", stay["bank_id"])
        chem = chemistry_index()[bank["chemistry"]]
        highest = float(top_v[chem]) if top_v[chem] > 0 else 1.6
        cold = 0.1 if bank["chemistry"].startswith(("vrla", "flooded")) else 0.0
        needed_v = bank["cells_in_series"] * (highest + cold)
        assert any(
            bank["chemistry"] in bay["profiles"] and bay["max_v"] >= needed_v - 1e-9
            for bay in bays(rows, codes[homes[stay["unit_id"]]])
        ), (bank, codes[homes[stay["unit_id"]]])


def test_charges_of_the_past_name_bays_of_their_depot(rows: Rows) -> None:
    named = {(row["place_id"], row["name"]) for row in rows.of("readiness.ChargerBay")}
    assert {(row["place_id"], row["bay"]) for row in rows.of("readiness.Charge")} <= named


def test_each_depot_has_terms_hours_and_a_supply(rows: Rows) -> None:
    for depot in about(rows, "fleet.Place", kind="depot"):
        terms = about(rows, "readiness.BayTerms", place_id=depot["id"])
        assert len(terms) == 1
        assert about(rows, "readiness.CrewHours", place_id=depot["id"])
        promised = about(rows, "fleet.DepotTerms", place_id=depot["id"])[0]
        assert promised["supply_limit_kw"] > terms[0]["base_kw"]
        benches = [bay for bay in bays(rows, depot["code"]) if bay["name"] == "bench"]
        assert promised["charger_bays"] == len(bays(rows, depot["code"])) - len(benches)


def test_the_depots_differ(rows: Rows, day: dt.date) -> None:
    open_days = defaultdict(set)
    for row in rows.of("readiness.CrewHours"):
        open_days[row["place_id"]].add(row["weekday"])
    assert open_days[place(rows, "WIN")] == set(range(FRIDAY + 1))
    assert open_days[place(rows, "MNL")] == set(range(SATURDAY + 1))
    assert about(rows, "readiness.BayTerms", place_id=place(rows, "MNL"))[0]["unattended"] == ["lfp"]
    night = about(rows, "readiness.SupplyHours", place_id=place(rows, "LIS"))
    assert {(row["starts"], row["ends"]) for row in night} == {
        (dt.time(22), dt.time(0)),
        (dt.time(0), dt.time(6)),
    }
    odd = rows.of("readiness.CrewDay")
    assert {row["opens"] is None for row in odd} == {True, False}
    assert all(0 < (row["day"] - day).days <= 15 for row in odd)
    chosen = {row["place_id"]: row["store_soc"] for row in rows.of("readiness.StoragePolicy")}
    assert len(set(chosen.values())) == 3
    assert place(rows, "PHX") not in chosen


@pytest.mark.parametrize("code", ["MNL"])
def test_one_depot_is_tight(rows: Rows, code: str) -> None:
    """Its two bays together draw more than the hours of the shared line leave, and nearly all that it ever has."""
    terms = about(rows, "readiness.BayTerms", place_id=place(rows, code))[0]
    supply = about(rows, "fleet.DepotTerms", place_id=place(rows, code))[0]["supply_limit_kw"]
    shared = about(rows, "readiness.SupplyHours", place_id=place(rows, code))[0]["limit_kw"]
    index = chemistry_index()
    asked = charge_courses(
        np.array([index["vrla_gel"], index["vrla_agm"]]),
        capacity_ah=np.array([600.0, 400.0]),
        low_soc=np.array([0.75, 0.6]),
        charger_a=np.array([60.0, 40.0]),
        cells=np.array([12.0, 24.0]),
    ).start_kw.sum()
    assert shared - terms["base_kw"] < 0.6 * asked
    assert supply - terms["base_kw"] < asked
