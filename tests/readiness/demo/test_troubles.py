"""Each trouble of `fixtures/demo/troubles.csv` can be found in the rows, whatever the stated day."""

import datetime as dt
from collections.abc import Callable

import pytest

from readiness.demo.rows import Row, Rows

from .conftest import about, bank_number, the_source, unit_number

Check = Callable[[Rows, dt.date, str], None]
CHECKS: dict[str, Check] = {}


def trouble(check: Check) -> Check:
    CHECKS[check.__name__] = check
    return check


def ago(day: dt.date, moment: dt.datetime | dt.date) -> int:
    return (day - (moment.date() if isinstance(moment, dt.datetime) else moment)).days


def last(rows: list[Row], column: str = "happened_at") -> Row:
    return max(rows, key=lambda row: row[column])


def last_charge(rows: Rows, tag: str) -> Row:
    return last(about(rows, "readiness.Charge", bank_id=bank_number(rows, tag)))


@trouble
def fading_bank(rows: Rows, day: dt.date, tag: str) -> None:
    bank = bank_number(rows, tag)
    full = last(about(rows, "readiness.Charge", bank_id=bank, end_sign="current_steady"))
    since = [
        row
        for row in about(rows, "readiness.Reading", bank_id=bank)
        if row["happened_at"] > full["happened_at"] and (row["rest_h"] or 0) >= 24
    ]
    first, now = since[-1], since[0]
    assert first["volts_v"] - now["volts_v"] > 0.12  # 24 V bank, in a few weeks
    assert ago(day, full["happened_at"]) < 60


@trouble
def lamp_over_hours(rows: Rows, day: dt.date, tag: str) -> None:
    assert hours_of(rows, tag, "UV lamp A1") > 8000


def hours_of(rows: Rows, tag: str, position: str) -> float:
    part = fitted(rows, tag, position)[0]
    return float(part["carried_h"]) + sum(
        log["hours_a_h"] + log["starts_a"] for log in logs_since(rows, tag, part)
    )


def fitted(rows: Rows, tag: str, position: str) -> list[Row]:
    return about(
        rows, "inventory.FittedPart", unit_id=unit_number(rows, tag), position=position, removed_at=None
    )


def logs_since(rows: Rows, tag: str, part: Row) -> list[Row]:
    trips = {row["id"] for row in about(rows, "fleet.Deployment", unit_id=unit_number(rows, tag))}
    return [
        row
        for row in rows.of("fleet.DayLog")
        if row["deployment_id"] in trips and row["happened_at"] > part["fitted_at"]
    ]


@trouble
def cartridge_near_volume(rows: Rows, day: dt.date, tag: str) -> None:
    part = fitted(rows, tag, "Cartridge A")[0]
    volume = part["carried_m3"] + sum(log["volume_a_m3"] for log in logs_since(rows, tag, part))
    assert 2800 < volume < 3000


def lots_of(rows: Rows, item: str, **where: int) -> list[Row]:
    number = about(rows, "inventory.Item", code=item)[0]["id"]
    held = [row["lot_id"] for row in about(rows, "inventory.Balance", **where) if row["qty"]]
    return [row for row in rows.of("inventory.Lot") if row["item_id"] == number and row["id"] in held]


@trouble
def lots_aboard(rows: Rows, day: dt.date, tag: str) -> None:
    lots = lots_of(rows, "DPD-1", unit_id=unit_number(rows, tag))
    assert sorted(-ago(day, lot["expires_on"]) for lot in lots) == [6, 27, 61]


@trouble
def lots_in_stores(rows: Rows, day: dt.date, depot: str) -> None:
    place = about(rows, "fleet.Place", code=depot)[0]["id"]
    left = sorted(-ago(day, lot["expires_on"]) for lot in lots_of(rows, "DPD-1", place_id=place))
    assert left[:4] == [-9, 4, 18, 43]


@trouble
def lapsed_lifting(rows: Rows, day: dt.date, tag: str) -> None:
    papers = about(rows, "fleet.Certificate", unit_id=unit_number(rows, tag), kind="lifting_exam")
    assert ago(day, last(papers, "expires_on")["expires_on"]) == 12


@trouble
def back_from_field(rows: Rows, day: dt.date, tag: str) -> None:
    unit = unit_number(rows, tag)
    trip = last(about(rows, "fleet.Deployment", unit_id=unit), "started_on")
    assert ago(day, trip["ended_on"]) <= 2
    assert not fitted(rows, tag, "UV lamp A2")
    assert not fitted(rows, tag, "Cartridge B")
    assert last(about(rows, "fleet.WetState", unit_id=unit))["kind"] == "wet"
    assert last_charge(rows, tag)["happened_at"].date() < trip["started_on"]


@trouble
def tripped_charger(rows: Rows, day: dt.date, tag: str) -> None:
    charge = last_charge(rows, tag)
    assert charge["tripped"]
    assert charge["end_sign"] == ""
    assert ago(day, charge["happened_at"]) <= 4


@trouble
def charge_left_open(rows: Rows, day: dt.date, tag: str) -> None:
    charge = last_charge(rows, tag)
    assert charge["ended_at"] is None
    assert charge["planned_end_at"].date() < day


@trouble
def float_unchecked(rows: Rows, day: dt.date, tag: str) -> None:
    state = last(about(rows, "fleet.SupplyState", bank_id=bank_number(rows, tag)))
    assert state["kind"] == "float"
    assert ago(day, state["happened_at"]) > 10 * state["check_interval_days"]


@trouble
def plateau_only(rows: Rows, day: dt.date, tag: str) -> None:
    bank = bank_number(rows, tag)
    assert not about(rows, "readiness.Charge", bank_id=bank)
    readings = about(rows, "readiness.Reading", bank_id=bank)
    assert readings
    assert all(3.26 < row["volts_v"] / 16 < 3.36 for row in readings)


@trouble
def frost_unknown_wet(rows: Rows, day: dt.date, tag: str) -> None:
    unit = rows.get("fleet.Unit", unit_number(rows, tag))
    assert not about(rows, "fleet.WetState", unit_id=unit["id"])
    normals = about(rows, "fleet.ClimateNormal", place_id=unit["home_id"], month=day.month)
    assert normals[0]["record_low_c"] < 0


@trouble
def frost_low_charge(rows: Rows, day: dt.date, tag: str) -> None:
    readings = about(rows, "readiness.Reading", bank_id=bank_number(rows, tag))
    newest = last([row for row in readings if "superseded_by_id" not in row])
    if newest["kind"] == "gravity":
        assert newest["gravity_sg"] < 1.23
    else:
        assert newest["volts_v"] / 12 < 2.06


@trouble
def part_debt(rows: Rows, day: dt.date, tag: str) -> None:
    debt = about(rows, "inventory.PartDebt", owed_to_id=unit_number(rows, tag))[0]
    assert not fitted(rows, tag, debt["position"])
    taken = fitted(rows, "G-02", debt["position"])[0]
    assert taken["follows_id"] is not None


@trouble
def never_surveyed(rows: Rows, day: dt.date, tag: str) -> None:
    unit = unit_number(rows, tag)
    for table in (
        "fleet.BankStay",
        "fleet.Certificate",
        "fleet.WetState",
        "readiness.Inspection",
        "inventory.FittedPart",
    ):
        assert not about(rows, table, unit_id=unit)


@trouble
def shared_slings(rows: Rows, day: dt.date, depot: str) -> None:
    place = about(rows, "fleet.Place", code=depot)[0]["id"]
    slings = about(rows, "inventory.SharedEquipment", place_id=place, name="four-leg sling set")[0]
    need = {row["design_id"] for row in about(rows, "inventory.DesignEquipment", name="four-leg sling set")}
    units = [row for row in about(rows, "fleet.Unit", home_id=place) if row["design_id"] in need]
    assert slings["count"] == 2
    assert len(units) >= 8


@trouble
def drop_voids(rows: Rows, day: dt.date, tag: str) -> None:
    unit = unit_number(rows, tag)
    drop = about(rows, "fleet.Modification", unit_id=unit, kind="drop")[0]
    exam = last(about(rows, "fleet.Certificate", unit_id=unit, kind="lifting_exam"), "issued_on")
    assert "lifting" in drop["touches"]
    assert exam["issued_on"] < drop["happened_at"].date() < day < exam["expires_on"]


@trouble
def wet_idle(rows: Rows, day: dt.date, tag: str) -> None:
    state = last(about(rows, "fleet.WetState", unit_id=unit_number(rows, tag)))
    assert state["kind"] == "wet"
    assert ago(day, state["happened_at"]) > 7


@trouble
def fault_blocks(rows: Rows, day: dt.date, tag: str) -> None:
    faults = about(rows, "readiness.Fault", unit_id=unit_number(rows, tag), severity="blocks")
    assert faults
    assert "closed_at" not in faults[0]


@trouble
def long_repair(rows: Rows, day: dt.date, tag: str) -> None:
    faults = about(rows, "readiness.Fault", unit_id=unit_number(rows, tag), severity="blocks", mend_h=9.0)
    assert len(faults) == 1
    assert "closed_at" not in faults[0]


@trouble
def kit_short(rows: Rows, day: dt.date, tag: str) -> None:
    unit = unit_number(rows, tag)
    assert not lots_of(rows, "BAC-20", unit_id=unit)
    lots = {lot["id"] for lot in lots_of(rows, "HTH-65", unit_id=unit)}
    aboard = sum(
        row["qty"] for row in about(rows, "inventory.Balance", unit_id=unit) if row["lot_id"] in lots
    )
    assert aboard < 6


@trouble
def stale_reading(rows: Rows, day: dt.date, tag: str) -> None:
    assert (
        ago(day, last(about(rows, "readiness.Reading", bank_id=bank_number(rows, tag)))["happened_at"]) > 120
    )


@trouble
def certificate_soon(rows: Rows, day: dt.date, tag: str) -> None:
    papers = about(rows, "fleet.Certificate", unit_id=unit_number(rows, tag), kind="trailer")
    assert ago(day, last(papers, "expires_on")["expires_on"]) == -16


@trouble
def on_loan(rows: Rows, day: dt.date, tag: str) -> None:
    assert open_absence(rows, tag)["purpose"] == "loan"


@trouble
def in_workshop(rows: Rows, day: dt.date, tag: str) -> None:
    assert open_absence(rows, tag)["purpose"] == "workshop"


def open_absence(rows: Rows, tag: str) -> Row:
    return next(
        row for row in about(rows, "fleet.Absence", unit_id=unit_number(rows, tag)) if not row.get("ended_at")
    )


@pytest.mark.parametrize(
    ("key", "subject"), [(row["key"], row["subject"]) for row in the_source()["troubles"]], ids=str
)
def test_the_trouble_is_there(rows: Rows, day: dt.date, key: str, subject: str) -> None:
    CHECKS[key](rows, day, subject)


def test_every_check_belongs_to_a_trouble() -> None:
    assert set(CHECKS) == {row["key"] for row in the_source()["troubles"]}


def test_a_good_part_of_the_fleet_has_no_trouble() -> None:
    troubled = {row["subject"] for row in the_source()["troubles"]}
    assert sum(row["tag"] not in troubled for row in the_source()["units"]) >= 18
