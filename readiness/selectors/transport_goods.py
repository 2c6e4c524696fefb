"""The goods of many units as the transport rules ask for them: banks, what lies aboard or in the kit, lines of their own.

Read in columns; what is the same in a thousand units is one line here.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fleet.domain.dangerous_goods.banks import battery_of_bank
from fleet.domain.dangerous_goods.entered import entered_facts
from fleet.domain.dangerous_goods.entries import un_digits
from fleet.domain.dangerous_goods.records import Battery, Engine, Goods, Item, fresh, item_from
from fleet.domain.dangerous_goods.unit import UnitItem
from fleet.domain.transport.columns import BoolArray, FloatArray, IntArray
from fleet.domain.transport.records import ListWord
from fleet.lib.errors import DomainError
from fleet.models.banks import Chemistry
from inventory.models import DesignItem, GoodsKind
from inventory.models.items import Item as StoreItem
from readiness.domain.chemistry import chemistry as chemistry_of
from readiness.domain.snapshot import Frame
from readiness.selectors.columns import (
    RowOf,
    among,
    fetch,
    flag,
    id_list,
    instant,
    mapped,
    maybe,
    number,
    spread,
)
from readiness.selectors.snapshot_papers import COUNTS
from readiness.selectors.transport_checks import Checks, date_on, days_at_home, rows_of

ItemUnit = StoreItem.Unit
ION = frozenset({"li_ion", "na_ion"})
# Kinds of goods of which the law asks how much is in one package.
BY_QUANTITY = frozenset({GoodsKind.GOODS, GoodsKind.CARBON, GoodsKind.NADCC})


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a unit's list; `discharge`: allowed by the maker, and with which load [W]."""

    key: str
    item: UnitItem
    discharge: tuple[bool | None, float | None] = (None, None)


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of the lists of many units: line `of[k]` of `distinct` stands on the list of unit row `unit[k]`."""

    unit: IntArray
    of: IntArray
    distinct: Sequence[Line]

    @classmethod
    def beside(cls, parts: Sequence[Lines], units: int) -> Lines:
        """The lines of each unit side by side, in the order of the parts."""
        first = np.cumsum([0, *(len(part.distinct) for part in parts)])
        unit = np.concatenate([part.unit for part in parts])
        of = np.concatenate([part.of + start for part, start in zip(parts, first, strict=False)])
        order = np.argsort(unit, kind="stable")
        return cls(unit[order], of[order], [line for part in parts for line in part.distinct])

    def of_unit(self, unit: int) -> list[Line]:
        first, last = np.searchsorted(self.unit, [unit, unit + 1])
        return [self.distinct[place] for place in self.of[first:last].tolist()]


@dataclass(frozen=True, slots=True)
class Store:
    """One item of the stores. `each_kg` nan: the mass of a piece is not known."""

    item_id: int
    code: str
    name: str
    base_unit: str
    each_kg: float


@dataclass(frozen=True, slots=True)
class Stock:
    """How much of an item counts as aboard: what lies there, or what the kit of the mission needs, whichever is more.

    Lines of (unit row, place in `items`), those of a unit side by side; `qty` in the base unit, nan where not known; `loose`
    is the part of it that lies aboard and is fitted nowhere; `more` what the kit of the mission has beyond that of the
    home's standard days, with which a unit was weighed.
    """

    unit: IntArray
    item: IntArray
    qty: FloatArray
    loose: FloatArray
    in_kit: BoolArray
    more: FloatArray
    items: Sequence[Store]

    @property
    def mass_kg(self) -> FloatArray:
        return self._kg(self.qty)

    @property
    def packed_kg(self) -> FloatArray:
        """What it adds to the dry unit: the kit, and of other things what lies loose; what is fitted is part of the unit."""
        return self._kg(np.where(self.in_kit, self.qty, self.loose))

    @property
    def more_kg(self) -> FloatArray:
        """What the longer mission adds to a unit that was weighed with its kit; nothing weighs nothing."""
        return np.where(self.more == 0, 0.0, self._kg(self.more))

    def _kg(self, qty: FloatArray) -> FloatArray:
        each = np.array([item.each_kg for item in self.items], dtype=np.float64)
        return np.where(self._counted_in(ItemUnit.KG), qty, qty * each[self.item])

    @property
    def amount(self) -> FloatArray:
        """kg, or L of what is counted in litres; nan: the mass of a piece is not known."""
        return np.where(self._counted_in(ItemUnit.KG, ItemUnit.L), self.qty, self.mass_kg)

    def _counted_in(self, *units: str) -> BoolArray:
        hit = np.array([item.base_unit in units for item in self.items], dtype=np.bool_)
        found: BoolArray = hit[self.item]
        return found


def stock_aboard(
    ids: Sequence[int],
    designs: IntArray,
    ship_date: dt.date,
    mission_days: FloatArray,
    standard_days: FloatArray,
) -> Stock:
    """Items aboard, fitted or in the kit. `designs`, `mission_days`, `standard_days` (nan: not stated) by unit row. Four
    queries.

    Of a kit by days, for a mission of which nobody said how long it is, the amount is not known; nor is what it has beyond
    that of the standard days where those are not stated.
    """
    rows = RowOf(ids)
    aboard = fetch(
        {"unit_id": ("b.unit_id", "i"), "item": ("l.item_id", "i"), "qty": (number("b.qty"), "f")},
        "FROM inventory_balance b JOIN inventory_lot l ON l.id = b.lot_id"
        f" WHERE {among('b.unit_id', ids)} AND b.qty > 0",
    )
    fitted = fetch(
        {"unit_id": ("f.unit_id", "i"), "item": ("l.item_id", "i")},
        "FROM inventory_fittedpart f JOIN inventory_lot l ON l.id = f.lot_id"
        f" WHERE {among('f.unit_id', ids)} AND f.removed_at IS NULL",
    )
    bill = fetch(
        {
            "design": ("design_id", "i"),
            "item": ("item_id", "i"),
            "qty": (number("qty"), "f"),
            "per_days": ("per_days", "f"),
        },
        f"FROM inventory_designitem WHERE design_id IN {id_list(np.unique(designs).tolist())}"
        f" AND purpose = '{DesignItem.Purpose.KIT.value}' AND valid_from <= '{ship_date.isoformat()}'"
        f" AND (valid_to IS NULL OR valid_to >= '{ship_date.isoformat()}')",
    )
    wanted = np.unique(np.concatenate([aboard["item"], fitted["item"], bill["item"]]).astype(np.int64))
    items = fetch(
        {
            "id": ("id", "i"),
            "code": ("code", "s"),
            "name": ("name", "s"),
            "base_unit": ("base_unit", "s"),
            "each_kg": ("mass_kg", "f"),
        },
        f"FROM inventory_item WHERE id IN {id_list(wanted.tolist())} ORDER BY id",
    )
    of_item, size = RowOf(items["id"]), max(len(items), 1)
    lying = rows(np.concatenate([aboard["unit_id"], fitted["unit_id"]])) * size
    lying = lying + of_item(np.concatenate([aboard["item"], fitted["item"]]))
    many = np.concatenate([aboard["qty"], np.ones(len(fitted))])
    kit, needed = _kit(bill, designs, mission_days, of_item(bill["item"]), size)
    _same, standard = _kit(bill, designs, standard_days, of_item(bill["item"]), size)
    keys, place = np.unique(np.concatenate([lying, kit]), return_inverse=True)
    qty = np.bincount(place[: len(lying)], weights=many, minlength=len(keys)).astype(np.float64)
    loose = np.bincount(place[: len(aboard)], weights=aboard["qty"], minlength=len(keys)).astype(np.float64)
    with np.errstate(invalid="ignore"):  # what is not known stays so
        np.maximum.at(qty, place[len(lying) :], needed)
        beyond = np.maximum(needed - standard, 0.0)
    more = np.bincount(place[len(lying) :], weights=beyond, minlength=len(keys)).astype(np.float64)
    in_kit = np.zeros(len(keys), dtype=np.bool_)
    in_kit[place[len(lying) :]] = True
    stores = [Store(*row) for row in rows_of(items)]
    return Stock(keys // size, keys % size, qty, loose, in_kit, more, stores)


def _kit(
    bill: Frame, designs: IntArray, mission_days: FloatArray, item: IntArray, size: int
) -> tuple[IntArray, FloatArray]:
    """Which (unit row, item), as one number, the kit needs, and how much."""
    order = np.argsort(bill["design"], kind="stable")
    by_design = bill["design"][order]
    first = np.searchsorted(by_design, designs, side="left")
    unit, place = spread(first, np.searchsorted(by_design, designs, side="right") - first)
    line = order[place] if len(order) else place
    per_days = bill["per_days"][line]
    rounds = np.where(np.isnan(per_days), 1.0, np.maximum(np.ceil(mission_days[unit] / per_days), 1.0))
    return unit * size + item[line], bill["qty"][line] * rounds


def bank_lines(
    ids: Sequence[int],
    checks: Checks,
    charge_pct: Mapping[int, float | None],
    shown: Sequence[frozenset[str]],
) -> Lines:
    """A battery record for every bank in a unit. `shown`: certificates in force by unit row. One query."""
    stays = mapped(_banks(ids), "unit_id", RowOf(ids), into="unit")
    chemistries = {str(code): str(label) for code, label in Chemistry.choices}
    known = {code: battery_of_bank(code) for code in set(stays["chemistry"].tolist())}
    cell_v = {code: chemistry_of(code).cell_nominal_v for code in known}
    found = []
    for row in rows_of(stays):
        said = dict(zip(stays.names, row, strict=True))
        pk, code, papers = said["bank_id"], said["chemistry"], shown[said["unit"]]
        un383 = said["un383"] or ("pass" if "battery_summary" in papers else "")
        tested = said["facts"] and "non_spillable" in papers
        wh = said["declared_wh"] or said["capacity_ah"] * cell_v[code] * said["cells"]
        battery = replace(
            known[code],
            form="battery",
            condition=checks.answer("bank", pk, "condition"),
            terminals_protected=checks.yes("bank", pk, "terminals"),
            upright_secured=checks.yes("bank", pk, "upright"),
            sp598_ok=checks.yes("bank", pk, "ticks_adr"),
            us_159e_ok=checks.yes("bank", pk, "ticks_us"),
            config=said["config"] or None,
            host=said["host"] or None,
            un383=un383 or None if known[code].chemistry in ION else None,
            wh=wh,
            soc_pct=charge_pct.get(pk),
            net_mass_kg=said["net_mass_kg"],
            package_gross_kg=said["package_gross_kg"],
            spare_sets=said["spare_sets"],
            ctu_gross_kg=said["ctu_gross_kg"],
            vib_pressure_ok=_shown(_yes(said["vib_pressure_ok"]), tested),
            no_free_liquid_55c=_shown(_yes(said["no_free_liquid_55c"]), tested),
            marked_nonspillable=_yes(said["marked_nonspillable"]),
            adr_1137_ruling=_yes(said["adr_1137_ruling"]),
        )
        label = f"{said['serial']}, {chemistries.get(code, code)}"
        discharge = _yes(said["discharge_allowed"]), said["discharge_w"]
        found.append(Line(f"bank:{said['serial']}", UnitItem(label, battery), discharge))
    return Lines(stays["unit"], np.arange(len(found)), found)


def _banks(ids: Sequence[int]) -> Frame:
    yes_or_no = (
        "vib_pressure_ok",
        "no_free_liquid_55c",
        "marked_nonspillable",
        "adr_1137_ruling",
        "discharge_allowed",
    )
    numbers = ("declared_wh", "net_mass_kg", "package_gross_kg", "spare_sets", "ctu_gross_kg", "discharge_w")
    return fetch(
        {
            "unit_id": ("s.unit_id", "i"),
            "bank_id": ("b.id", "i"),
            "serial": ("b.serial", "s"),
            "chemistry": ("b.chemistry", "s"),
            "capacity_ah": ("b.capacity_ah", "f"),
            "cells": ("b.cells_in_series", "i"),
            "facts": (flag("t.id IS NOT NULL"), "b"),
            **{name: (f"COALESCE(t.{name}, '')", "s") for name in ("config", "host", "un383")},
            **{name: (f"t.{name}", "s") for name in numbers},
            **{name: (maybe(f"t.{name}"), "s") for name in yes_or_no},
        },
        "FROM fleet_bankstay s JOIN fleet_batterybank b ON b.id = s.bank_id"
        " LEFT JOIN fleet_banktransport t ON t.bank_id = b.id"
        f" WHERE s.ended_at IS NULL AND s.unit_id IN {id_list(ids)} ORDER BY s.unit_id, s.position",
    )


def _yes(value: float | None) -> bool | None:
    return None if value is None else bool(value)


def _shown(value: bool | None, tested: bool) -> bool | None:
    """What a report says, while it is on file and in force; that a test was failed counts without it."""
    return value if tested or value is False else None


def item_lines(stock: Stock) -> Lines:
    """A line for every item aboard that is dangerous goods, or of which nobody has said. One query."""
    goods = {
        item: (kind, _facts(attributes), removable)
        for item, kind, attributes, removable in rows_of(
            fetch(
                {
                    "item": ("item_id", "i"),
                    "kind": ("kind", "s"),
                    "attributes": ("CAST(attributes AS TEXT)", "s"),
                    "removable": (flag("removable"), "b"),
                },
                f"FROM inventory_itemgoods WHERE item_id IN {id_list(item.item_id for item in stock.items)}",
            )
        )
    }
    amounts, of_amount = np.unique(stock.qty, return_inverse=True)
    kind = (stock.item * 2 + stock.in_kit) * max(len(amounts), 1) + of_amount
    _kinds, first, of = np.unique(kind, return_index=True, return_inverse=True)
    known: dict[tuple[int, float | None], Item | None] = {}
    distinct: list[Line | None] = []
    for item, amount, mass_kg, in_kit in zip(
        stock.item[first].tolist(),
        _told(stock.amount[first]),
        _told(stock.mass_kg[first]),
        stock.in_kit[first].tolist(),
        strict=True,
    ):
        store = stock.items[item]
        said = goods.get(store.item_id)
        asked = amount if said and said[0] in BY_QUANTITY else None
        if (item, asked) not in known:
            known[item, asked] = _of_item(said, asked)
        found = known[item, asked]
        distinct.append(
            None if found is None else _item_line(store, found, amount, mass_kg, said[2] if said else in_kit)
        )
    listed = np.array([line is not None for line in distinct], dtype=np.bool_)
    place = np.cumsum(listed) - 1
    kept = listed[of]
    return Lines(stock.unit[kept], place[of[kept]], [line for line in distinct if line is not None])


def _item_line(
    store: Store, item: Item, amount: float | None, mass_kg: float | None, removable: bool
) -> Line:
    by_measure = store.base_unit in (ItemUnit.KG, ItemUnit.L)
    unit = "L" if store.base_unit == ItemUnit.L else "kg"
    # What is counted in kg or L says nothing of its packaging.
    gross_kg = None if by_measure else mass_kg
    return Line(f"item:{store.code}", UnitItem(store.name, item, removable, amount, unit, gross_kg))


def _told(column: FloatArray) -> list[float | None]:
    return [None if value != value else value for value in column.tolist()]


def _facts(text: str | None) -> dict[str, Any]:
    facts = json.loads(text) if text else {}
    return dict(facts) if isinstance(facts, Mapping) else {}


def _of_item(said: tuple[str, dict[str, Any], bool] | None, amount: float | None) -> Item | None:
    if said is None:
        return Goods()
    kind, facts, _removable = said
    if kind == GoodsKind.NONE:
        return None
    if kind in BY_QUANTITY and facts.get("qty") is None:
        # All in one package: the harmful end where nobody said how it is packed.
        facts = {**facts, "qty": amount}
    return _held(kind, facts)


def _held(kind: str, facts: Mapping[str, Any]) -> Item:
    """The record of facts on file; what cannot be used as it stands tells nothing, and must not stop the other units.

    Its UN number is taken as it was entered: whether an edition has an entry for it is for the law of the ship date to say.
    """
    try:
        return item_from(kind, entered_facts(kind, facts, {un_digits(facts.get("un", ""))}))
    except DomainError:
        return Goods()


@dataclass(frozen=True, slots=True)
class OwnLine:
    """A thing people put on the list of a unit (row). `mass_kg` nan: nobody weighed it.

    `at` in days since 1970, UTC; `on` the day by the calendar of its home.
    """

    line_id: int
    unit: int
    label: str
    kind: str
    fuel: str
    mass_kg: float
    at: float
    on: int


def own_lines(
    ids: Sequence[int], checks: Checks, charge_pct: Mapping[int, float], offset_days: FloatArray
) -> tuple[Lines, list[OwnLine]]:
    """The lines people put on the lists, with their dated checks; and all of them as things that weigh. One query.

    What is no dangerous goods is not judged, but it is aboard. `offset_days` as for `Checks`.
    """
    frame = mapped(
        fetch(
            {
                "unit_id": ("unit_id", "i"),
                "id": ("id", "i"),
                "label": ("label", "s"),
                "kind": ("kind", "s"),
                "attributes": ("CAST(attributes AS TEXT)", "s"),
                "removable": (flag("removable"), "b"),
                "pieces": ("pieces", "i"),
                "mass_kg": ("mass_kg", "f"),
                "at": (instant("happened_at"), "f"),
            },
            f"FROM inventory_goodsline WHERE unit_id IN {id_list(ids)} AND {COUNTS} ORDER BY label, id",
        ),
        "unit_id",
        RowOf(ids),
        into="unit",
    )
    known: dict[tuple[str, str], Item] = {}
    frame = frame.with_columns(on=days_at_home(frame["at"], offset_days[frame["unit"]]))
    found, rows, listed = [], [], []
    for _unit_id, pk, label, kind, text, removable, pieces, mass_kg, at, unit, on in rows_of(frame):
        fuel = str(_facts(text).get("fuel", "")) if kind == GoodsKind.ENGINE else ""
        rows.append(OwnLine(pk, unit, label, kind, fuel, mass_kg, at, on))
        if kind == GoodsKind.NONE:
            continue
        listed.append(unit)
        if (kind, text) not in known:
            known[kind, text] = _held(kind, _facts(text))
        item = _looked_at(known[kind, text], pk, checks, charge_pct.get(pk))
        each = item.net_mass_kg if isinstance(item, Battery) else getattr(item, "qty", None)
        total = None if each is None else each * pieces
        gross_kg = None if math.isnan(mass_kg) else mass_kg
        found.append(Line(f"line:{pk}", UnitItem(label, item, removable, total, "", gross_kg)))
    return Lines(np.array(listed, dtype=np.int64), np.arange(len(found)), found), rows


def _looked_at(item: Item, pk: int, checks: Checks, charge_pct: float | None) -> Item:
    if isinstance(item, Battery):
        return replace(
            item,
            condition=checks.answer("line", pk, "condition"),
            terminals_protected=checks.yes("line", pk, "terminals"),
            upright_secured=checks.yes("line", pk, "upright"),
            sp598_ok=checks.yes("line", pk, "ticks_adr"),
            us_159e_ok=checks.yes("line", pk, "ticks_us"),
            soc_pct=charge_pct,
        )
    if isinstance(item, Engine):
        tank = checks.tank(pk)
        return replace(
            item,
            fuel_state=tank.answer if tank else None,
            tank_fill_pct=tank.fill_pct if tank else None,
            fuel_l=tank.fuel_l if tank else None,
        )
    return item


def list_words(
    ids: Sequence[int], lines: Lines, ship_date: dt.date, days: int, offset_days: FloatArray
) -> list[ListWord]:
    """Whether each list counts as confirmed: said lately enough, and every line named then is still there. One query.

    `offset_days` as for `Checks`.
    """
    frame = mapped(
        fetch(
            {
                "unit_id": ("c.unit_id", "i"),
                "keys": ("CAST(c.keys AS TEXT)", "s"),
                "at": (instant("c.happened_at"), "f"),
                "full_name": ("TRIM(COALESCE(u.first_name, '') || ' ' || COALESCE(u.last_name, ''))", "s"),
                "username": ("COALESCE(u.username, '')", "s"),
            },
            "FROM inventory_goodslistcheck c LEFT JOIN fleet_user u ON u.id = c.recorded_by_id"
            f" WHERE c.unit_id IN {id_list(ids)} AND c.struck_at IS NULL AND c.superseded_by_id IS NULL"
            " ORDER BY c.happened_at, c.id",
        ),
        "unit_id",
        RowOf(ids),
        into="unit",
    )
    said_on = days_at_home(frame["at"], offset_days[frame["unit"]]).tolist()
    latest = {
        unit: (keys, on, full or name)
        for (_id, keys, _at, full, name, unit), on in zip(rows_of(frame), said_on, strict=True)
    }
    keys_of = np.array([line.key for line in lines.distinct], dtype=object)
    first = np.searchsorted(lines.unit, np.arange(len(ids) + 1)).tolist()
    there = keys_of[lines.of] if len(lines.distinct) else keys_of
    found = []
    for unit in range(len(ids)):
        said = latest.get(unit)
        if said is None:
            found.append(ListWord(False, "never"))
            continue
        on, by = date_on(said[1]), said[2]
        gone = set(json.loads(said[0])).difference(there[first[unit] : first[unit + 1]].tolist())
        if gone:
            found.append(ListWord(False, "gone", on, by, tuple(sorted(gone))))
        elif fresh(True, on, ship_date, days) is None:
            found.append(ListWord(False, "stale", on, by))
        else:
            found.append(ListWord(True, "", on, by))
    return found
