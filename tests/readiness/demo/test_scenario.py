"""The scenario as plain rows: deterministic, within its time, and with an honest ledger."""

import datetime as dt
import itertools
from collections import defaultdict

import pytest

from readiness.demo.rows import Rows
from readiness.demo.scenario import build
from readiness.demo.source import Source
from readiness.demo.write import ORDER, model_of

from .conftest import DAYS, about, the_rows


def test_same_today_and_seed_give_the_same_rows(source: Source) -> None:
    assert build(source, DAYS[0]).tables == the_rows(DAYS[0]).tables


def test_another_seed_gives_another_history(source: Source) -> None:
    other = build(source, DAYS[0], seed=21)
    assert other.of("readiness.Reading") != the_rows(DAYS[0]).of("readiness.Reading")
    assert other.of("fleet.Unit")[0]["tag"] == the_rows(DAYS[0]).of("fleet.Unit")[0]["tag"]


def test_its_size(rows: Rows) -> None:
    assert 38 <= len(rows.of("fleet.Unit")) <= 46
    assert len(about(rows, "fleet.Place", kind="depot")) == 4
    chemistries = {row["chemistry"] for row in rows.of("fleet.BatteryBank")}
    assert chemistries >= {"vrla_gel", "vrla_agm", "flooded_low_sb", "lfp", "nimh"}
    assert len(rows.of("readiness.Reading")) > 1000
    assert len(rows.of("inventory.Movement")) > 3000
    assert len({row["unit_id"] for row in rows.of("fleet.TemperatureLog")}) == 2


def test_nothing_happens_on_or_after_today(rows: Rows, day: dt.date) -> None:
    midnight = dt.datetime.combine(day, dt.time(), tzinfo=dt.UTC)
    for table, each in rows.tables.items():
        for row in each:
            for column in ("happened_at", "recorded_at", "fitted_at", "removed_at", "ended_at", "started_at"):
                if row.get(column) is not None and table != "fleet.Offer":
                    assert row[column] < midnight + dt.timedelta(hours=1), (table, row)


def test_two_years_of_readings_and_charges(rows: Rows, day: dt.date) -> None:
    for table in ("readiness.Reading", "readiness.Charge", "inventory.Movement"):
        first = min(row["happened_at"].date() for row in rows.of(table))
        last = max(row["happened_at"].date() for row in rows.of(table))
        assert 700 <= (day - first).days <= 790
        assert (day - last).days <= 4


def test_every_key_points_to_a_row(rows: Rows) -> None:
    for table in ORDER:
        model = model_of(table)
        for row in rows.of(table):
            for column, value in row.items():
                if not column.endswith("_id") or value is None or column == "subject_id":
                    continue
                field = next(each for each in model._meta.concrete_fields if each.attname == column)
                target = f"{field.related_model._meta.app_label}.{field.related_model._meta.object_name}"
                assert 1 <= value <= len(rows.of(target)), (table, column, value)


def test_balances_are_the_sums_of_their_movements_and_never_less_than_nothing(rows: Rows) -> None:
    held: dict[tuple[int, str, int], int] = defaultdict(int)
    by_lot = defaultdict(list)
    for move in rows.of("inventory.Movement"):
        by_lot[move["lot_id"]].append(move)
    for lot, moves in by_lot.items():
        for move in sorted(moves, key=lambda each: (each["happened_at"], each["id"])):
            for side, sign in (("from", -1), ("to", 1)):
                for spot in ("place", "unit"):
                    number = move.get(f"{side}_{spot}_id")
                    if number is not None:
                        held[lot, spot, number] += sign * move["qty"]
                        assert held[lot, spot, number] >= 0, move
    balances = {
        (row["lot_id"], "place" if "place_id" in row else "unit", row.get("place_id") or row["unit_id"]): row[
            "qty"
        ]
        for row in rows.of("inventory.Balance")
    }
    assert {key: qty for key, qty in held.items() if qty} == {
        key: qty for key, qty in balances.items() if qty
    }


def test_fitted_parts_agree_with_the_ledger(rows: Rows) -> None:
    """A position holds one part at a time, and every part went in (and out) by a movement of one piece."""
    spans = defaultdict(list)
    fits = {row["fitted_part_id"]: row for row in about(rows, "inventory.Movement", kind="fit")}
    removals = {row["fitted_part_id"]: row for row in about(rows, "inventory.Movement", kind="remove")}
    for part in rows.of("inventory.FittedPart"):
        spans[part["unit_id"], part["position"]].append((part["fitted_at"], part["removed_at"]))
        assert fits[part["id"]]["lot_id"] == part["lot_id"]
        assert fits[part["id"]]["happened_at"] == part["fitted_at"]
        assert (part["id"] in removals) == (part["removed_at"] is not None)
    for stretch in spans.values():
        for (_, removed), (fitted, _) in zip(
            sorted(stretch, key=lambda s: s[0]), sorted(stretch, key=lambda s: s[0])[1:], strict=False
        ):
            assert removed is not None
            assert removed <= fitted


def test_a_piece_with_a_serial_exists_once(rows: Rows) -> None:
    lamps = {row["id"] for row in about(rows, "inventory.Item", serialised=True)}
    lots = {row["id"] for row in rows.of("inventory.Lot") if row["item_id"] in lamps}
    pieces: dict[int, int] = defaultdict(int)
    for row in rows.of("inventory.Balance"):
        pieces[row["lot_id"]] += row["qty"]
    for part in rows.of("inventory.FittedPart"):
        pieces[part["lot_id"]] += part["removed_at"] is None
    assert lots
    assert all(pieces[lot] <= 1 for lot in lots)


def test_nothing_expired_is_issued(rows: Rows) -> None:
    for move in about(rows, "inventory.Movement", kind="issue"):
        lot = rows.get("inventory.Lot", move["lot_id"])
        assert lot["expires_on"] is None or lot["expires_on"] > move["happened_at"].date()


def test_a_unit_is_in_one_place_or_one_absence(rows: Rows) -> None:
    stays = defaultdict(list)
    for row in rows.of("fleet.UnitStay"):
        assert ("place_id" in row) != ("absence_id" in row)
        stays[row["unit_id"]].append((row["started_at"], row.get("ended_at")))
    assert len(stays) == len(rows.of("fleet.Unit"))
    for spans in stays.values():
        spans.sort()
        assert spans[-1][1] is None
        assert all(end == start for (_, end), (start, _) in itertools.pairwise(spans))


@pytest.mark.parametrize("count", [7, 120])
def test_a_fleet_of_any_size(source: Source, count: int) -> None:
    rows = build(source, DAYS[0], units=count)
    assert len(rows.of("fleet.Unit")) == count
    assert len({row["tag"] for row in rows.of("fleet.Unit")}) == count
