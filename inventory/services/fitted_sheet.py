"""The sheet of fitted parts: which piece of which lot sits in which position of a unit, since when, and used how much."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext_noop as _

from fleet.domain.intake import SheetSpec
from fleet.lib.errors import DomainError
from fleet.services.imports.kinds import Key, Planned, Problem, Ref, SheetKind, Values, chunks, column
from fleet.services.imports.office_sheets import key_column
from fleet.services.imports.references import Lookups
from fleet.services.imports.unit_sheets import UNIT_COLUMN, birth
from fleet.services.records import check_moment, local_day
from inventory.domain.bill import BillLine, Misfit, fitting_line
from inventory.domain.earlier_use import Limits, Told, use_is_told
from inventory.models import Balance, DesignItem, FittedPart, Item, Movement
from inventory.services.parts import EarlierUse, part_find

ITEM_COLUMN = key_column(
    "item", "Item", "items", aliases=("item code", "article", "part", "part number", "sku"), example="CART-5"
)
USE = frozenset({"carried_h", "carried_m3", "carried_starts", "first_fitted_at", "use_known"})


class FittedPartSheet(SheetKind):
    """Each new row is one piece more aboard and fitted, through the ledger; a row on file may only say its use better."""

    model = FittedPart
    after = ("units", "lots", "design_items", "deployments")
    virtual = frozenset({"item"})
    spec = SheetSpec(
        name="fitted_parts",
        label="Fitted parts",
        aliases=("parts fitted", "fitted", "parts in positions", "lamps"),
        key=("unit", "position", "fitted_at"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(
                FittedPart,
                "position",
                label="Position",
                aliases=("where", "place in unit"),
                help="As the bill of consumables of the design names it.",
                example="train A lamp",
            ),
            key_column("item", "Item", "items", required=True, aliases=ITEM_COLUMN.aliases, example="CART-5"),
            column(
                FittedPart,
                "lot",
                label="Lot",
                required=True,
                refers_to="lots",
                aliases=("batch", "lot number", "lot no"),
                example="L2405",
            ),
            column(
                FittedPart,
                "fitted_at",
                label="Fitted at",
                aliases=("fitted on", "fitted", "since", "installed", "date"),
                example="2026-02-10 09:00",
            ),
            column(
                FittedPart,
                "carried_h",
                label="Hours before",
                aliases=("hours carried", "hours", "carried hours"),
                minimum=0,
                maximum=1_000_000,
                help="What the piece had run before this fitting; 0 for a new one, empty when nobody knows.",
                example="1200 h",
            ),
            column(
                FittedPart,
                "carried_m3",
                label="Volume before",
                aliases=("volume carried", "volume", "carried volume"),
                minimum=0,
                maximum=10_000_000,
                help="What had gone through it before this fitting; 0 for a new one.",
                example="85 m3",
            ),
            column(
                FittedPart,
                "carried_starts",
                label="Starts before",
                aliases=("starts carried", "starts", "carried starts"),
                maximum=1_000_000,
                example="40",
            ),
            column(
                FittedPart,
                "first_fitted_at",
                label="First fitted at",
                aliases=("first fitted", "first fitted on", "in use since"),
                help="When the piece was fitted for the first time, anywhere; its months count from then.",
                example="2025-08-01",
            ),
            column(
                FittedPart,
                "use_known",
                label="Earlier use is known",
                aliases=("use known",),
                help="Empty: yes when everything is said that the service life of the item asks for.",
            ),
        ),
        help="What sits in the positions of units now. Each row that is not on file yet is counted aboard and fitted at "
        "that moment. Without its use before, the part is one whose earlier use is not known.",
    )

    # --- recognising ---

    def on_file(self) -> Any:
        return FittedPart.objects.filter(void=False).select_related("lot__item", "unit__home")

    def current(self, obj: Any, name: str) -> Any:
        return obj.lot.item_id if name == "item" else super().current(obj, name)

    def word(self, lookups: Lookups, name: str, word: str, values: Values) -> str:
        item = values.get("item")
        return f"{item.label} {word}" if name == "lot" and isinstance(item, Ref) else word

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        """The position is spelt as in the bill."""
        yield from ()
        for position, _line in _bill(lookups, values["unit"].obj.design):
            if position.casefold() == values["position"].strip().casefold():
                values["position"] = position
                break

    def can_clear(self, name: str) -> bool:
        return name == "first_fitted_at"

    # --- rules ---

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        units = {values["unit"].obj.pk for values in rows} - {None}
        held: dict[tuple[Any, str], list[FittedPart]] = defaultdict(list)
        for some in chunks(sorted(units), 500):
            for part in self.on_file().filter(unit__in=some):
                held[(part.unit_id, part.position)].append(part)
        pieces = {
            value.obj.pk
            for values in rows
            if isinstance(value := values.get("lot"), Ref) and value.obj.item.serialised
        } - {None}
        where: dict[Any, list[tuple[datetime | None, str]]] = defaultdict(list)
        for some in chunks(sorted(pieces), 500):
            for part in self.on_file().filter(lot__in=some):
                where[part.lot_id].append((part.removed_at, f"{part.unit} {part.position}"))
            balances = Balance.objects.filter(lot__in=some, qty__gt=0).select_related("place", "unit")
            for balance in balances:
                where[balance.lot_id].append((None, str(balance.place or balance.unit)))
        lookups.memory["parts_held"], lookups.memory["pieces_are"] = held, where

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        part: FittedPart = row.obj
        if row.action == "changed":
            if _same_item(row):
                row.changes.pop("item", None)
            yield from self._check_changes(lookups, row)
        else:
            yield from self._check_new(lookups, row)
        yield from _settle_use(row)
        if row.action == "changed" and not row.changes:
            row.action = "left"
            return
        if part.first_fitted_at is not None and part.first_fitted_at > part.fitted_at:
            yield (
                "first_fitted_at",
                DomainError("part.first_later", _("It was fitted for the first time later than here.")),
            )

    def _check_changes(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        part: FittedPart = row.obj
        if {"item", "lot"} & set(row.changes):
            there = lookups.memory["parts_held"].get((part.unit_id, part.position), ())
            held = next((str(other.lot) for other in there if other.pk == part.pk), "")
            yield (
                "lot",
                DomainError(
                    "part.other_lot",
                    _("On file that position holds {part} since then."),
                    part=held,
                    mend="Reverse that fitting on the unit's page first, or correct the moment.",
                ),
            )
        elif part.follows_id is not None and USE & set(row.changes):
            yield (
                "carried_h",
                DomainError(
                    "part.use_followed",
                    _("The piece sat in another position before: its use is counted there."),
                    mend="Leave its use empty here, and mend it at that position.",
                ),
            )

    def _check_new(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        part: FittedPart = row.obj
        try:
            check_moment(part.fitted_at, now=lookups.now, birth=birth(row.values["unit"]))
        except DomainError as error:
            yield "fitted_at", error
        bill = _bill(lookups, part.unit.design)
        item = row.values["item"]
        found = fitting_line(
            [line for position, line in bill if position == part.position],
            local_day(part.fitted_at, row.values["unit"].zone),
            item.obj.pk or id(item.obj),
        )
        if not isinstance(found, Misfit):
            return
        if found.wanted is None:
            known = ", ".join(sorted({position for position, _line in bill})[:12])
            yield (
                "position",
                DomainError(
                    "part.no_position",
                    _("Units of the design {design} have no position '{position}'."),
                    design=str(part.unit.design),
                    position=part.position,
                    mend=f"Write one of: {known}."
                    if known
                    else "Add it in sheet 'Bill of consumables' first.",
                ),
            )
        else:
            yield (
                "item",
                DomainError(
                    "part.other_item",
                    _("On that day position '{position}' takes {wanted}, not {item}."),
                    position=part.position,
                    wanted=found.wanted,
                    item=item.label,
                    mend="Correct the item, the position or the moment, or the days of the bill.",
                ),
            )

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """A position holds one part at a time, and a piece with a serial is in one place."""
        held, where = lookups.memory["parts_held"], lookups.memory["pieces_are"]
        positions: dict[tuple[Any, str], str] = {}
        pieces: dict[Any, str] = {}
        for row in rows:
            if row.action != "added":
                continue
            part: FittedPart = row.obj
            unit, lot = row.values["unit"], row.values["lot"]
            spot = (unit.obj.pk or id(unit.obj), part.position)
            there = [
                str(other.lot)
                for other in held.get(spot, ())
                if other.removed_at is None or other.removed_at > part.fitted_at
            ]
            if there or spot in positions:
                yield (
                    row,
                    "position",
                    DomainError(
                        "part.position_taken",
                        _("Position '{position}' of {unit} holds {part} then."),
                        position=part.position,
                        unit=unit.label,
                        part=there[0] if there else positions[spot],
                        mend="Take that out on the unit's page first, or leave one of the two rows out.",
                    ),
                )
                continue
            piece = lot.obj.pk or id(lot.obj)
            elsewhere = [
                name for until, name in where.get(lot.obj.pk, ()) if until is None or until > part.fitted_at
            ]
            if lot.obj.item.serialised and (elsewhere or piece in pieces):
                yield (
                    row,
                    "lot",
                    DomainError(
                        "part.piece_elsewhere",
                        _("The piece {lot} is in {where} then: one with a serial is in one place."),
                        lot=lot.label,
                        where=elsewhere[0] if elsewhere else pieces[piece],
                        mend="Move it from there first, or correct the lot.",
                    ),
                )
                continue
            positions[spot] = lot.label
            pieces[piece] = f"{unit.label} {part.position}"

    # --- writing ---

    def adds_one_by_one(self, row: Planned) -> bool:
        return True

    def add_one(self, lookups: Lookups, row: Planned) -> None:
        part: FittedPart = row.obj
        part_find(
            lot=part.lot,
            unit=part.unit,
            position=part.position,
            happened_at=part.fitted_at,
            actor=lookups.actor,
            earlier=EarlierUse(
                hours_h=part.carried_h,
                volume_m3=part.carried_m3,
                starts=part.carried_starts,
                known=part.use_known,
                first_fitted_at=part.first_fitted_at,
            ),
            reason=f"import {lookups.run_id}, {self.spec.label} row {row.number}",
            now=lookups.now,
        )

    def watched(self, row: Planned) -> list[Any]:
        aboard = Q(to_unit=row.obj.unit_id) | Q(from_unit=row.obj.unit_id)
        # In the order of the ledger: an undo goes backwards, the fitting before the receipt.
        return [
            Movement.objects.filter(aboard, lot=row.obj.lot_id).order_by("pk"),
            FittedPart.objects.filter(unit=row.obj.unit_id, position=row.obj.position),
        ]

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(FittedPart.objects.filter(pk__in=pks).values_list("unit_id", flat=True))


def _same_item(row: Planned) -> bool:
    item = row.values.get("item")
    return not isinstance(item, Ref) or row.obj.lot.item_id == item.obj.pk


def _limits(item: Item) -> Limits:
    return Limits(
        hours=item.service_life_h is not None,
        starts=item.service_life_h is not None and bool(item.hours_per_start_h),
        volume=item.service_life_m3 is not None,
        months=item.service_life_months is not None,
    )


def _settle_use(row: Planned) -> Iterator[Problem]:
    """Whether the use before is known: as said, else when all is said that the life of the item asks for.

    The zeros of a part whose use nobody knew say nothing; what the file says of it does.
    """
    part: FittedPart = row.obj
    said, item = row.values.get("use_known"), part.lot.item
    known = row.action == "changed" and (
        row.changes["use_known"][0] if "use_known" in row.changes else part.use_known
    )
    told = Told(
        hours_h=part.carried_h if known else row.values.get("carried_h"),
        volume_m3=part.carried_m3 if known else row.values.get("carried_m3"),
        starts=part.carried_starts if known else row.values.get("carried_starts"),
        first_fitted=part.first_fitted_at is not None,
    )
    complete = use_is_told(_limits(item), told)
    if said and not complete:
        yield (
            "use_known",
            DomainError(
                "part.use_not_told",
                _("What the service life of {item} asks for is not said, so its earlier use is not known."),
                item=item.code,
                mend="Fill in the hours, volume, starts or first fitting by which its life is limited, or write no.",
            ),
        )
    elif said is None and row.action == "added":
        part.use_known = row.values["use_known"] = complete
    elif said is None and USE & set(row.changes) and complete != known:
        row.changes["use_known"] = (known, complete)
        part.use_known = row.values["use_known"] = complete


def _bill(lookups: Lookups, design: Any) -> list[tuple[str, BillLine]]:
    """The lines of a design with their positions; those that this file adds as well. Items are named by their code."""
    bills = lookups.memory["bills"]
    key = design.pk or id(design)
    if key not in bills:
        lines = DesignItem.objects.filter(design=design.pk, position__gt="").select_related("item")
        bills[key] = [
            (line.position, BillLine(line.item_id, line.item.code, line.valid_from, line.valid_to))
            for line in lines
            if design.pk
        ]
    coming = lookups.memory["bill_added"].get(key, [])
    return [*bills[key], *coming]


def bill_will_have(lookups: Lookups, row: Planned) -> None:
    """Note a line of the bill that this file adds, for the fitted parts that come after it."""
    line: DesignItem = row.obj
    if line.position:
        design, item = row.values["design"], row.values["item"]
        coming = lookups.memory["bill_added"].setdefault(design.obj.pk or id(design.obj), [])
        added = BillLine(item.obj.pk or id(item.obj), item.label, line.valid_from, line.valid_to)
        coming.append((line.position, added))
