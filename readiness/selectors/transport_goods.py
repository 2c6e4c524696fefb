"""The goods of many units as the transport rules ask for them: banks, what lies aboard or in the kit, lines of their own."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from fleet.domain.dangerous_goods.banks import battery_of_bank
from fleet.domain.dangerous_goods.entered import entered_facts
from fleet.domain.dangerous_goods.entries import un_digits
from fleet.domain.dangerous_goods.records import Battery, Engine, Goods, Item, fresh, item_from
from fleet.domain.dangerous_goods.unit import UnitItem
from fleet.domain.transport.records import ListWord
from fleet.lib.errors import DomainError
from fleet.models import BankStay, BankTransport, SupplyState, TransportTerms, Unit
from inventory.models import (
    Balance,
    DesignItem,
    FittedPart,
    GoodsCheck,
    GoodsKind,
    GoodsLine,
    GoodsListCheck,
    ItemGoods,
)
from inventory.models.items import Item as StoreItem
from readiness.domain.chemistry import chemistry as chemistry_of
from readiness.models import BankState, Charge, JudgementDue, Reading

ItemUnit = StoreItem.Unit
HARMFUL = frozenset({"damaged", "recalled", "critical", "no"})
ION = frozenset({"li_ion", "na_ion"})


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a unit's list; `discharge`: allowed by the maker, and with which load [W]."""

    key: str
    item: UnitItem
    discharge: tuple[bool | None, float | None] = (None, None)


@dataclass(frozen=True, slots=True)
class Stock:
    """How much of an item counts as aboard: what lies there, or what the kit of the mission needs, whichever is more."""

    item_id: int
    code: str
    name: str
    qty: float
    base_unit: str
    each_kg: float | None
    in_kit: bool

    @property
    def amount(self) -> float | None:
        """kg, or L of what is counted in litres; None: the mass of a piece is not known."""
        if self.base_unit in (ItemUnit.KG, ItemUnit.L):
            return self.qty
        return self.mass_kg

    @property
    def mass_kg(self) -> float | None:
        if self.base_unit == ItemUnit.KG:
            return self.qty
        return None if self.each_kg is None else self.qty * self.each_kg


def stock_aboard(
    units: Collection[Unit], ship_date: dt.date, mission_days: Mapping[int, int | None]
) -> dict[int, list[Stock]]:
    """Items aboard, fitted or in the kit, by unit. Three queries."""
    ids = [unit.pk for unit in units]
    amounts: dict[tuple[int, int], float] = defaultdict(float)
    named: dict[int, tuple[str, str, str, float | None]] = {}
    kit: set[tuple[int, int]] = set()
    fields = (
        "lot__item_id",
        "lot__item__code",
        "lot__item__name",
        "lot__item__base_unit",
        "lot__item__mass_kg",
    )
    aboard = Balance.objects.filter(unit__in=ids, qty__gt=0).values_list("unit_id", "qty", *fields)
    fitted = FittedPart.objects.filter(unit__in=ids, removed_at__isnull=True).values_list("unit_id", *fields)
    for unit_id, qty, item_id, *told in aboard:
        amounts[unit_id, item_id] += float(qty)
        named[item_id] = (*told,)
    for unit_id, item_id, *told in fitted:
        amounts[unit_id, item_id] += 1.0
        named[item_id] = (*told,)
    bill = DesignItem.objects.valid_on(ship_date).filter(
        design__in={unit.design_id for unit in units}, purpose=DesignItem.Purpose.KIT
    )
    by_design: dict[int, list[tuple[int, Decimal, int | None]]] = defaultdict(list)
    rows = bill.values_list(
        "design_id",
        "qty",
        "per_days",
        "item_id",
        "item__code",
        "item__name",
        "item__base_unit",
        "item__mass_kg",
    )
    for design_id, qty, per_days, item_id, *told in rows:
        by_design[design_id].append((item_id, qty, per_days))
        named[item_id] = (*told,)
    for unit in units:
        for item_id, qty, per_days in by_design[unit.design_id]:
            days = mission_days.get(unit.pk) or 0
            rounds = -(-days // per_days) if per_days else 1
            key = unit.pk, item_id
            amounts[key] = max(amounts[key], float(qty) * max(rounds, 1))
            kit.add(key)
    found: dict[int, list[Stock]] = defaultdict(list)
    for (unit_id, item_id), qty in sorted(amounts.items()):
        code, name, base, kg = named[item_id]
        found[unit_id].append(Stock(item_id, code, name, qty, base, kg, (unit_id, item_id) in kit))
    return found


class Checks:
    """The latest counting check of each kind by bank and by line. One query."""

    def __init__(self, ids: Collection[int], ship_date: dt.date, terms: TransportTerms) -> None:
        self.ship_date = ship_date
        self.days = {
            "condition": terms.condition_days,
            "terminals": terms.terminals_days,
            "tank": terms.tanks_days,
        }
        self.other_days = terms.fixing_days
        self.latest: dict[tuple[str, int, str], GoodsCheck] = {}
        for check in GoodsCheck.objects.counting().filter(unit__in=ids).order_by("happened_at", "id"):
            subject = ("bank", check.bank_id) if check.bank_id else ("line", check.line_id)
            self.latest[(*subject, check.kind)] = check  # type: ignore[index]

    def answer(self, subject: str, pk: int, kind: str) -> str | None:
        """What was found, while it counts on the ship date; what is harmful counts until somebody finds otherwise."""
        check = self.latest.get((subject, pk, kind))
        if check is None:
            return None
        if check.answer in HARMFUL:
            return check.answer
        return fresh(
            check.answer, check.happened_at.date(), self.ship_date, self.days.get(kind, self.other_days)
        )

    def yes(self, subject: str, pk: int, kind: str) -> bool | None:
        found = self.answer(subject, pk, kind)
        return None if found is None else found == "yes"

    def tank(self, pk: int) -> GoodsCheck | None:
        return self.latest.get(("line", pk, "tank")) if self.answer("line", pk, "tank") else None


def bank_lines(
    ids: Collection[int],
    checks: Checks,
    charge_pct: Mapping[int, float | None],
    shown: Mapping[int, frozenset[str]],
) -> dict[int, list[Line]]:
    """A battery record for every bank in a unit. `shown`: certificates in force by unit. One query."""
    found: dict[int, list[Line]] = defaultdict(list)
    stays = (
        BankStay.objects.current()
        .filter(unit__in=ids)
        .select_related("bank__transport")
        .order_by("unit", "position")
    )
    for stay in stays:
        bank = stay.bank
        facts: BankTransport | None = getattr(bank, "transport", None)
        known = battery_of_bank(bank.chemistry)
        papers = shown.get(stay.unit_id or 0, frozenset())
        cell_v = chemistry_of(bank.chemistry).cell_nominal_v
        un383 = (facts.un383 if facts else "") or ("pass" if "battery_summary" in papers else "")
        tested = facts is not None and "non_spillable" in papers
        battery = replace(
            known,
            form="battery",
            condition=checks.answer("bank", bank.pk, "condition"),
            terminals_protected=checks.yes("bank", bank.pk, "terminals"),
            upright_secured=checks.yes("bank", bank.pk, "upright"),
            sp598_ok=checks.yes("bank", bank.pk, "ticks_adr"),
            us_159e_ok=checks.yes("bank", bank.pk, "ticks_us"),
            config=(facts.config if facts else "") or None,
            host=(facts.host if facts else "") or None,
            un383=un383 or None if known.chemistry in ION else None,
            wh=(facts.declared_wh if facts else None) or bank.capacity_ah * cell_v * bank.cells_in_series,
            soc_pct=charge_pct.get(bank.pk),
            net_mass_kg=facts.net_mass_kg if facts else None,
            package_gross_kg=facts.package_gross_kg if facts else None,
            spare_sets=facts.spare_sets if facts else None,
            vib_pressure_ok=_shown(facts.vib_pressure_ok if facts else None, tested),
            no_free_liquid_55c=_shown(facts.no_free_liquid_55c if facts else None, tested),
            marked_nonspillable=facts.marked_nonspillable if facts else None,
            adr_1137_ruling=facts.adr_1137_ruling if facts else None,
        )
        label = f"{bank.serial} ({bank.get_chemistry_display()})"
        discharge = (facts.discharge_allowed, facts.discharge_w) if facts else (None, None)
        found[stay.unit_id or 0].append(Line(f"bank:{bank.serial}", UnitItem(label, battery), discharge))
    return found


def _shown(value: bool | None, tested: bool) -> bool | None:
    """What a report says, while it is on file and in force; that a test was failed counts without it."""
    return value if tested or value is False else None


def item_lines(stock: Mapping[int, list[Stock]]) -> dict[int, list[Line]]:
    """A line for every item aboard that is dangerous goods, or of which nobody has said. One query."""
    wanted = {entry.item_id for entries in stock.values() for entry in entries}
    goods = {row.item_id: row for row in ItemGoods.objects.filter(item__in=wanted)}
    found: dict[int, list[Line]] = {}
    for unit_id, entries in stock.items():
        found[unit_id] = [
            Line(
                f"item:{entry.code}",
                UnitItem(
                    entry.name,
                    item,
                    row.removable if row else entry.in_kit,
                    entry.amount,
                    "L" if entry.base_unit == ItemUnit.L else "kg",
                    # What is counted in kg or L says nothing of its packaging.
                    None if entry.base_unit in (ItemUnit.KG, ItemUnit.L) else entry.mass_kg,
                ),
            )
            for entry in entries
            for row in [goods.get(entry.item_id)]
            for item in [_of_item(row, entry)]
            if item is not None
        ]
    return found


def _of_item(row: ItemGoods | None, entry: Stock) -> Item | None:
    if row is None:
        return Goods()
    if row.kind == GoodsKind.NONE:
        return None
    facts = dict(row.attributes)
    if row.kind in (GoodsKind.GOODS, GoodsKind.CARBON, GoodsKind.NADCC) and facts.get("qty") is None:
        # All in one package: the harmful end where nobody said how it is packed.
        facts["qty"] = entry.amount
    return _held(row.kind, facts)


def _held(kind: str, facts: Mapping[str, Any]) -> Item:
    """The record of facts on file; what cannot be used as it stands tells nothing, and must not stop the other units.

    Its UN number is taken as it was entered: whether an edition has an entry for it is for the law of the ship date to say.
    """
    try:
        return item_from(kind, entered_facts(kind, facts, {un_digits(facts.get("un", ""))}))
    except DomainError:
        return Goods()


def own_lines(
    ids: Collection[int], checks: Checks
) -> tuple[dict[int, list[Line]], dict[int, list[GoodsLine]]]:
    """The lines people put on the lists, with their dated checks. One query."""
    found: dict[int, list[Line]] = defaultdict(list)
    rows: dict[int, list[GoodsLine]] = defaultdict(list)
    for row in GoodsLine.objects.counting().filter(unit__in=ids).exclude(kind=GoodsKind.NONE):
        item = _held(row.kind, row.attributes)
        if isinstance(item, Battery):
            item = replace(
                item,
                condition=checks.answer("line", row.pk, "condition"),
                terminals_protected=checks.yes("line", row.pk, "terminals"),
                upright_secured=checks.yes("line", row.pk, "upright"),
                sp598_ok=checks.yes("line", row.pk, "ticks_adr"),
                us_159e_ok=checks.yes("line", row.pk, "ticks_us"),
            )
        elif isinstance(item, Engine):
            tank = checks.tank(row.pk)
            item = replace(
                item,
                fuel_state=tank.answer if tank else None,
                tank_fill_pct=tank.fill_pct if tank else None,
                fuel_l=tank.fuel_l if tank else None,
            )
        each = item.net_mass_kg if isinstance(item, Battery) else getattr(item, "qty", None)
        total = None if each is None else each * row.pieces
        found[row.unit_id].append(
            Line(f"line:{row.pk}", UnitItem(row.label, item, row.removable, total, "", row.mass_kg))
        )
        rows[row.unit_id].append(row)
    return found, rows


def list_words(
    ids: Collection[int], keys: Mapping[int, Iterable[str]], ship_date: dt.date, days: int
) -> dict[int, ListWord]:
    """Whether each list counts as confirmed: said lately enough, and every line named then is still there. One query."""
    latest: dict[int, GoodsListCheck] = {}
    rows = GoodsListCheck.objects.counting().filter(unit__in=ids).select_related("recorded_by")
    for row in rows.order_by("happened_at", "id"):
        latest[row.unit_id] = row
    found = {}
    for unit_id in ids:
        said = latest.get(unit_id)
        if said is None:
            found[unit_id] = ListWord(False, "never")
            continue
        on, by = said.happened_at.date(), str(said.recorded_by or "")
        gone = tuple(sorted(set(said.keys) - set(keys.get(unit_id, ()))))
        if gone:
            found[unit_id] = ListWord(False, "gone", on, by, gone)
        elif fresh(True, on, ship_date, days) is None:
            found[unit_id] = ListWord(False, "stale", on, by)
        else:
            found[unit_id] = ListWord(True, "", on, by)
    return found


def charges_pct(
    ids: Collection[int], ship_date: dt.date, now: dt.datetime, hours: int
) -> dict[int, float | None]:
    """The most each bank can hold [% of rated] when it is offered: measured on its meter within the hours, else the upper
    end of its computed band; full when it may be charging. Six queries.
    """
    banks = dict(BankStay.objects.current().filter(unit__in=ids).values_list("bank_id", "unit_id"))
    waiting = set(JudgementDue.objects.filter(unit__in=ids).values_list("unit_id", flat=True))
    offered = max(now, dt.datetime.combine(ship_date, dt.time(0), tzinfo=dt.UTC))
    fed_until: dict[int, dt.datetime] = {}
    charging: set[int] = set()
    for bank_id, ended_at in (
        Charge.objects.counting().filter(bank__in=banks).values_list("bank_id", "ended_at")
    ):
        if ended_at is None:
            charging.add(bank_id)
        elif bank_id not in fed_until or ended_at > fed_until[bank_id]:
            fed_until[bank_id] = ended_at
    supply: dict[int, str] = {}
    feeding = (SupplyState.Kind.FLOAT, SupplyState.Kind.OWN_ARRAY)
    states = SupplyState.objects.counting().filter(bank__in=banks).order_by("happened_at", "id")
    for bank_id, kind, at in states.values_list("bank_id", "kind", "happened_at"):
        if supply.get(bank_id) in feeding:  # until it was connected otherwise
            fed_until[bank_id] = max(at, fed_until.get(bank_id, at))
        supply[bank_id] = kind
    fed = {bank for bank, kind in supply.items() if kind in feeding} | charging
    since = offered - dt.timedelta(hours=hours)
    found: dict[int, float | None] = {}
    for bank_id, high, as_of in BankState.objects.filter(bank__in=banks).values_list(
        "bank_id", "high_soc", "as_of"
    ):
        current = (
            high is not None and as_of >= now.date() - dt.timedelta(days=1) and banks[bank_id] not in waiting
        )
        found[bank_id] = 100.0 * min(1.0, high) if current and high is not None else None
    for bank_id in fed:
        found[bank_id] = 100.0
    meter = Reading.objects.counting().filter(
        bank__in=banks, kind=Reading.Kind.METER, happened_at__gte=since, happened_at__lte=offered
    )
    for bank_id, soc, at in meter.order_by("happened_at", "id").values_list(
        "bank_id", "meter_soc", "happened_at"
    ):
        if bank_id not in fed and soc is not None and at >= fed_until.get(bank_id, at):
            found[bank_id] = 100.0 * soc
    return found
