"""Sheets of the stores: items, what a design needs of them, lots, and stock counts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.errors import DomainError
from fleet.models import ImportChange, ImportRun, Place, Unit, User
from fleet.services.imports.kinds import (
    Key,
    Planned,
    Problem,
    Ref,
    SheetKind,
    Values,
    chunks,
    column,
    part,
)
from fleet.services.imports.office_sheets import in_order, key_column
from fleet.services.imports.references import Lookups, source
from fleet.services.imports.undoing import reverser
from fleet.services.imports.unit_sheets import UNIT_COLUMN, birth
from fleet.services.records import check_moment
from inventory.domain.errors import StockError
from inventory.models import Balance, DesignItem, FittedPart, FundingSource, Item, Lot, Movement
from inventory.services.fitted_sheet import ITEM_COLUMN, FittedPartSheet, bill_will_have
from inventory.services.goods_sheets import GoodsCheckSheet, GoodsLineSheet, GoodsListSheet, ItemGoodsSheet
from inventory.services.reversal import movement_reverse
from inventory.services.stock import StockRow, checked_qty, stock_count, stock_count_many


class ItemSheet(SheetKind):
    model = Item
    spec = SheetSpec(
        name="items",
        label="Items",
        aliases=("articles", "item list", "parts", "consumables", "spares"),
        key=("code",),
        columns=(
            column(
                Item, "code", aliases=("item", "item code", "article", "part number", "sku"), example="CART-5"
            ),
            column(
                Item,
                "name",
                required=True,
                aliases=("item name", "description"),
                example="Sediment cartridge 5 µm",
            ),
            column(Item, "kind", aliases=("type",), example="consumable"),
            column(
                Item,
                "base_unit",
                aliases=("unit of issue", "uom", "counted in"),
                choices={
                    "each": ("each", "piece", "pieces", "pcs", "pc", "ea"),
                    "kg": ("kg", "kilogram"),
                    "l": ("litre", "liter", "L"),
                    "m": ("metre", "meter", "m"),
                },
                example="each",
            ),
            column(Item, "serialised", label="Each piece has a serial", aliases=("serialised", "serialized")),
            column(
                Item, "dated", label="Lots carry an expiry date", aliases=("dated", "expires"), example="yes"
            ),
            column(Item, "extendable", label="Life may be extended by test", aliases=("extendable",)),
            column(
                Item,
                "grounds_unit",
                label="A unit cannot leave without it",
                aliases=("essential", "grounds unit"),
            ),
            column(Item, "shelf_life_months", aliases=("shelf life",), maximum=600, example="36"),
            column(
                Item,
                "service_life_h",
                minimum=0,
                aliases=("service life hours", "life hours"),
                example="9000 h",
            ),
            column(Item, "service_life_m3", minimum=0, aliases=("service life volume",), example="300 m3"),
            column(Item, "service_life_months", aliases=("service life months",), maximum=600, example="12"),
            column(Item, "hours_per_start_h", minimum=0),
            column(Item, "fit_h", label="Work to fit", minimum=0, aliases=("hours to fit",), example="0.5 h"),
            column(Item, "mass_kg", minimum=0, aliases=("mass", "weight"), example="0.4 kg"),
            column(Item, "dangerous_goods", aliases=("un number", "dg"), example="UN2880"),
            column(Item, "storage_note", aliases=("storage",)),
            column(Item, "source"),
        ),
        help="Consumables and spares, each counted in its one base unit.",
    )

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        return [row.obj.code, row.obj.name], Ref(row.obj, row.obj.code)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        designs = DesignItem.objects.filter(item__in=pks).values("design_id")
        return set(Unit.objects.in_service().filter(design_id__in=designs).values_list("pk", flat=True))


class DesignItemSheet(SheetKind):
    model = DesignItem
    after = ("designs", "items")
    spec = SheetSpec(
        name="design_items",
        label="Bill of consumables",
        aliases=("design items", "bom", "bill", "bill of materials", "kit list"),
        key=("design", "item", "position", "valid_from"),
        optional_key=frozenset({"position"}),
        columns=(
            key_column("design", "Design", "designs", aliases=("design code",), example="WX-40"),
            ITEM_COLUMN,
            column(DesignItem, "position", help="Empty: carried in the kit.", example="train A lamp"),
            column(DesignItem, "train", choices={"a": ("A", "train A"), "b": ("B", "train B")}, example="A"),
            column(
                DesignItem,
                "qty",
                label="Quantity",
                required=True,
                aliases=("qty", "amount"),
                minimum=0.001,
                example="1",
            ),
            column(DesignItem, "per_days", label="For so many days", aliases=("per days",), maximum=3650),
            column(DesignItem, "valid_from", aliases=("from", "since"), example="2025-01-01"),
            column(DesignItem, "valid_to", aliases=("to", "until")),
        ),
        help="What one unit of a design has fitted in positions, and what goes in its kit.",
    )

    def defaults(self, lookups: Lookups, values: Values) -> dict[str, Any]:
        fitted = bool(values.get("position"))
        return {"purpose": DesignItem.Purpose.FITTED if fitted else DesignItem.Purpose.KIT}

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from in_order(row.obj.valid_from, row.obj.valid_to, "valid_to")
        if (
            row.obj.qty is not None
            and row.obj.purpose == DesignItem.Purpose.FITTED
            and row.obj.qty != row.obj.qty.to_integral_value()
        ):
            yield "qty", DomainError("bill.whole", _("A position holds whole pieces."))

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """From one day on a position takes one item, and an item stands in the kit once."""
        added = [row for row in rows if row.action == "added"]
        designs = {row.values["design"].obj.pk for row in added} - {None}
        taken: dict[tuple[Any, ...], str] = {}
        for some in chunks(sorted(designs), 500):
            for line in DesignItem.objects.filter(design__in=some).select_related("item"):
                taken[_bill_spot(line.design_id, line, line.item_id)] = line.item.code
        for row in added:
            design, item = row.values["design"].obj, row.values["item"].obj
            spot = _bill_spot(design.pk or id(design), row.obj, item.pk or id(item))
            if spot in taken:
                yield (
                    row,
                    "position" if row.obj.position else "item",
                    DomainError(
                        "bill.taken",
                        _("From {day} on this position of {design} takes {item} already."),
                        day=row.obj.valid_from.isoformat(),
                        design=row.values["design"].label,
                        item=taken[spot],
                        mend="Give another position, or another day from which this one holds.",
                    ),
                )
            else:
                bill_will_have(lookups, row)
            taken.setdefault(spot, row.values["item"].label)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        designs = DesignItem.objects.filter(pk__in=pks).values("design_id")
        return set(Unit.objects.in_service().filter(design_id__in=designs).values_list("pk", flat=True))


def _bill_spot(design: int, line: DesignItem, item: int) -> tuple[Any, ...]:
    """What a line of a bill takes for itself: its position, or its item where it goes in the kit."""
    return (design, line.valid_from, line.position or ("kit", item))


class LotSheet(SheetKind):
    """Whoever may bring in a depot's stock may make lots known; who has some of a lot may correct it."""

    model = Lot
    anybody = True
    after = ("items",)
    spec = SheetSpec(
        name="lots",
        label="Lots",
        aliases=("batches", "lot list"),
        key=("item", "code"),
        columns=(
            ITEM_COLUMN,
            column(
                Lot, "code", label="Lot", aliases=("lot", "batch", "lot number", "lot no"), example="L2405"
            ),
            column(Lot, "serial", aliases=("serial", "serial no")),
            column(Lot, "made_on", label="Made on", aliases=("made", "manufactured"), example="05/2024"),
            column(
                Lot,
                "expires_on",
                label="Expires on",
                aliases=("expires", "expiry", "best before", "use by"),
                example="05/2027",
            ),
            column(Lot, "no_expiry", aliases=("no expiry", "does not expire")),
            column(Lot, "funding", refers_to="funding", aliases=("grant", "funding source")),
            column(Lot, "note", aliases=("notes", "remarks")),
        ),
        help="Dated batches. A lot is good through its last day; a month alone means its last day.",
    )

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        """Where the lots on file lie: in a place, aboard a unit, or fitted in one."""
        there: dict[int, list[Place]] = defaultdict(list)
        for some in chunks([lot.pk for lot in found.values()], 500):
            balances = Balance.objects.filter(lot__in=some, qty__gt=0).select_related("place", "unit__home")
            for balance in balances:
                home = balance.place or (balance.unit.home if balance.unit else None)
                there[balance.lot_id].extend([home] if home else [])
            parts = FittedPart.objects.filter(lot__in=some, removed_at__isnull=True)
            for part_there in parts.select_related("unit__home"):
                there[part_there.lot_id].append(part_there.unit.home)
        lookups.memory["lots_lie"] = there

    def refused(self, row: Planned, allowed: Collection[int]) -> str | None:
        """As on the page of a lot: the right where some of it lies; what lies nowhere is everybody's."""
        if row.action == "added" or not row.owners or any(home.pk in allowed for home in row.owners):
            return None
        return row.owners[0].name

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        lot: Lot = row.obj
        row.owners = lookups.memory["lots_lie"].get(lot.pk, [])
        yield from in_order(lot.made_on, lot.expires_on, "expires_on")
        if lot.expires_on is not None and lot.no_expiry:
            yield (
                "no_expiry",
                DomainError(
                    "lot.expiry_twice", _("Either the lot has an expiry date, or it has none: not both.")
                ),
            )
        item = row.values["item"].obj
        if item.serialised and not lot.serial:
            yield (
                "serial",
                DomainError(
                    "lot.no_serial", _("Each piece of {item} has a serial: write it."), item=item.name
                ),
            )

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """A serial stands for one piece of an item."""
        with_serial = [row for row in rows if row.obj.serial]
        taken: dict[tuple[Any, str], Any] = {}
        items = {row.obj.item_id for row in with_serial} - {None}
        serials = [row.obj.serial for row in with_serial]
        for some in chunks(serials, 500):
            for item, serial, pk in Lot.objects.filter(item__in=items, serial__in=some).values_list(
                "item_id", "serial", "pk"
            ):
                taken[(item, serial)] = pk
        for row in with_serial:
            spot = (part(row.values["item"])[1], row.obj.serial)
            if taken.get(spot, row.obj.pk) != row.obj.pk or (spot in taken and row.obj.pk is None):
                yield (
                    row,
                    "serial",
                    DomainError("lot.serial_taken", _("Another lot of the item has this serial.")),
                )
            taken[spot] = row.obj.pk

    def words_of(self, values: Values) -> list[str]:
        item, code = values.get("item"), values.get("code")
        return [f"{item} {code}"] if isinstance(item, str) and isinstance(code, str) else []

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        label = f"{row.values['item'].label} {row.obj.code}"
        return [label], Ref(row.obj, label)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        aboard = Balance.objects.filter(lot__in=pks, unit__isnull=False).values_list("unit_id", flat=True)
        fitted = FittedPart.objects.filter(lot__in=pks, removed_at__isnull=True).values_list(
            "unit_id", flat=True
        )
        return set(aboard) | set(fitted)


class StockCountSheet(SheetKind):
    """Counts go through the ledger: the balance becomes what was found, and the movement holds the difference."""

    model = Movement
    after = ("lots", "units", "places")
    virtual = frozenset({"place", "unit", "item", "lot", "counted_qty", "happened_at", "reason"})
    spec = SheetSpec(
        name="stock_counts",
        label="Stock counts",
        aliases=("stock", "counts", "stock count", "inventory", "stock list", "count"),
        key=("place", "unit", "item", "lot", "happened_at"),
        optional_key=frozenset({"place", "unit"}),
        zone_column="place",
        columns=(
            key_column("place", "Place", "places", aliases=("depot", "store", "location"), example="NORD"),
            key_column("unit", "Aboard unit", "units", aliases=(*UNIT_COLUMN.aliases, "unit")),
            ITEM_COLUMN,
            key_column("lot", "Lot", "lots", aliases=("batch", "lot number", "lot no"), example="L2405"),
            ColumnSpec(
                "counted_qty",
                "Counted",
                "number",
                required=True,
                aliases=("quantity", "qty", "found", "stock", "on hand"),
                minimum=0,
                help="In the base unit of the item.",
                example="24",
            ),
            ColumnSpec(
                "happened_at",
                "Counted at",
                "instant",
                aliases=("date", "counted on", "when"),
                example="2026-11-20",
            ),
            ColumnSpec("reason", "Note", max_length=400, aliases=("remarks", "note")),
        ),
        help="What was found of each lot, in a place or aboard a unit, at a moment.",
    )

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        if isinstance(values.get("place"), Ref) == isinstance(values.get("unit"), Ref):
            yield "place", DomainError("stock.one_spot", _("Say where: in one place, or aboard one unit."))
        lot, item = values.get("lot"), values.get("item")
        if isinstance(lot, Ref) and isinstance(item, Ref) and values.get("counted_qty") is not None:
            try:
                values["counted_qty"] = checked_qty(values["counted_qty"], item.obj, may_be_zero=True)
            except StockError as error:
                yield "counted_qty", error

    def word(self, lookups: Lookups, name: str, word: str, values: Values) -> str:
        item = values.get("item")
        return f"{item.label} {word}" if name == "lot" and isinstance(item, Ref) else word

    def zone(self, values: Values) -> str:
        ref = values.get("place") or values.get("unit")
        return ref.zone if isinstance(ref, Ref) else "UTC"

    def key(self, values: Values) -> Key:
        where = values["place"] if isinstance(values.get("place"), Ref) else values["unit"]
        return (*part(where), where.obj._meta.model_name, part(values["lot"]), values["happened_at"])

    def label(self, values: Values) -> str:
        where = values["place"] if isinstance(values.get("place"), Ref) else values["unit"]
        return f"{where.label} / {values['lot'].label} / {values['happened_at']:%Y-%m-%d %H:%M} UTC"

    def find(self, lookups: Lookups, rows: Sequence[Values]) -> dict[Key, Any]:
        found: dict[Key, Any] = {}
        wanted = {self.key(values) for values in rows}
        for some in chunks(rows, 500):
            lots = {values["lot"].obj.pk for values in some} - {None}
            moments = [values["happened_at"] for values in some]
            counts = Movement.objects.filter(
                kind=Movement.Kind.COUNT,
                lot__in=lots,
                happened_at__range=(min(moments), max(moments)),
                reversed_by__isnull=True,
            )
            for movement in counts:
                unit = movement.to_unit_id or movement.from_unit_id
                where: tuple[Any, ...] = (
                    ("pk", unit, "unit")
                    if unit
                    else ("pk", movement.to_place_id or movement.from_place_id, "place")
                )
                key = (*where, ("pk", movement.lot_id), movement.happened_at)
                if key in wanted:
                    found[key] = movement
        return found

    def current(self, obj: Any, name: str) -> Any:
        return obj.counted_qty if name == "counted_qty" else None

    def make(self, lookups: Lookups, values: Values) -> Any:
        return Movement(
            kind=Movement.Kind.COUNT, happened_at=values["happened_at"], counted_qty=values["counted_qty"]
        )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        row.changes = {name: pair for name, pair in row.changes.items() if name == "counted_qty"}
        if row.action == "changed" and not row.changes:
            row.action = "left"
            return
        where = row.values["place"] if isinstance(row.values.get("place"), Ref) else row.values["unit"]
        try:
            check_moment(row.values["happened_at"], now=lookups.now, birth=birth(where))
        except DomainError as error:
            yield "happened_at", error

    def homes(self, row: Planned) -> Collection[Place]:
        where = row.values["place"] if isinstance(row.values.get("place"), Ref) else row.values["unit"]
        return [where.home]

    def write_many(self, lookups: Lookups, rows: Sequence[Planned]) -> list[tuple[Planned, Any]]:
        run = ImportRun.objects.get(pk=lookups.run_id or 0)
        for row in rows:
            if row.action == "changed":
                movement_reverse(
                    movement=row.obj,
                    reason=f"import {run.pk}: counted anew",
                    actor=lookups.actor,
                    now=lookups.now,
                )
        stock = [
            StockRow(
                lot=row.values["lot"].obj,
                qty=row.values["counted_qty"],
                happened_at=row.values["happened_at"],
                place=row.values["place"].obj if isinstance(row.values.get("place"), Ref) else None,
                unit=row.values["unit"].obj if isinstance(row.values.get("unit"), Ref) else None,
                reason=row.values.get("reason") or "",
            )
            for row in rows
        ]
        outcome = stock_count_many(stock, run, lookups.actor, keep_going=False, now=lookups.now)
        return [(row, outcome.movements[index]) for index, row in enumerate(rows)]

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        rows = Movement.objects.filter(pk__in=pks).values_list("from_unit_id", "to_unit_id")
        return {pk for pair in rows for pk in pair if pk}


@reverser("inventory.Movement")
def movements_take_back(changes: Sequence[ImportChange], actor: User | None, now: datetime) -> None:
    """Reverses the movements of an import; where a count replaced an earlier one, that is counted again."""
    for change in changes:
        movement = _standing(Movement.objects.select_related("lot__item").get(pk=change.object_id))
        if movement is None:
            continue
        place = movement.to_place or movement.from_place
        unit = movement.to_unit or movement.from_unit
        movement_reverse(movement=movement, reason=f"import {change.run_id} undone", actor=actor, now=now)
        if change.action == ImportChange.Action.CHANGED:
            stock_count(
                lot=movement.lot,
                counted_qty=Decimal(change.before["counted_qty"]),
                happened_at=movement.happened_at,
                actor=actor,
                place=place,
                unit=unit,
                reason=f"import {change.run_id} undone",
                now=now,
            )


def _standing(movement: Movement) -> Movement | None:
    """The movement, or the one that took its place when the ledger worked the difference out anew."""
    if not Movement.objects.filter(reverses=movement).exists():
        return movement
    if movement.kind != Movement.Kind.COUNT:
        return None
    again = Movement.objects.filter(
        kind=Movement.Kind.COUNT,
        lot=movement.lot,
        import_run=movement.import_run,
        happened_at=movement.happened_at,
        counted_qty=movement.counted_qty,
        reversed_by__isnull=True,
    )
    return again.select_related("lot__item").first()


def _items(keys: list[Any]) -> dict[Any, Ref]:
    return {item.pk: Ref(item, item.code) for item in Item.objects.filter(pk__in=keys)}


def _lots(keys: list[Any]) -> dict[Any, Ref]:
    lots = Lot.objects.select_related("item").filter(pk__in=keys)
    return {lot.pk: Ref(lot, f"{lot.item.code} {lot.code}") for lot in lots}


def _funding(keys: list[Any]) -> dict[Any, Ref]:
    return {each.pk: Ref(each, each.code) for each in FundingSource.objects.filter(pk__in=keys)}


def _lot_words() -> list[Any]:
    rows = Lot.objects.values_list("item__code", "code", "pk")
    return [((f"{item} {code}", pk) for item, code, pk in rows.iterator())]


source(
    "items",
    lambda: [
        Item.objects.values_list("code", "pk").iterator(),
        Item.objects.values_list("name", "pk").iterator(),
    ],
    _items,
)
source("lots", _lot_words, _lots)
source("funding", lambda: [FundingSource.objects.values_list("code", "pk").iterator()], _funding)

SHEETS: tuple[SheetKind, ...] = (
    ItemSheet(),
    DesignItemSheet(),
    LotSheet(),
    StockCountSheet(),
    FittedPartSheet(),
    ItemGoodsSheet(),
    GoodsLineSheet(),
    GoodsCheckSheet(),
    GoodsListSheet(),
)
