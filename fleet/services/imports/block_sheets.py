"""The sheet of battery blocks, which have serial numbers and histories of their own."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from django.db import models
from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.errors import DomainError
from fleet.models import BatteryBlock, BlockStay, Modification, Place
from fleet.services.banks import block_move
from fleet.services.imports.bank_sheets import StaySheet, chemistry_choices, stay_start, units_of_banks
from fleet.services.imports.kinds import Key, Planned, Problem, Ref, Values, chunks, column
from fleet.services.imports.office_sheets import key_column
from fleet.services.imports.references import Lookups


class BlockSheet(StaySheet):
    model = BatteryBlock
    after = ("banks", "places")
    virtual = frozenset({"bank", "place", "position"})
    one_by_one = virtual
    into = "bank"
    with_stay = ("bank",)
    stay_model = BlockStay
    stay_of = "block"
    spec = SheetSpec(
        name="blocks",
        label="Battery blocks",
        aliases=("blocks", "monoblocks"),
        key=("serial",),
        columns=(
            column(BatteryBlock, "serial", aliases=("block", "block serial"), example="BL-00140"),
            key_column("bank", "In bank", "banks", aliases=("bank", "bank serial"), example="BK-0014"),
            ColumnSpec("position", "Position", max_length=30, example="1"),
            key_column("place", "On the shelf at", "places", aliases=("place", "shelf", "depot")),
            column(BatteryBlock, "chemistry", required=True, choices=chemistry_choices(), example="gel"),
            column(BatteryBlock, "made_on", aliases=("made",)),
            column(
                BatteryBlock,
                "baseline_mohm",
                kind="quantity",
                unit="mohm",
                aliases=("baseline", "ohmic baseline"),
                minimum=0,
                example="3.1 mΩ",
            ),
            column(BatteryBlock, "retired_on", aliases=("retired",)),
        ),
        help="The blocks of each bank, which have serial numbers and histories of their own.",
    )

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        super().prepare(lookups, rows, found)
        stays = lookups.memory[f"{self.name}_stays"].values()
        lookups.load("banks", {stay.bank.serial for stay in stays if stay.bank_id})

    def position_of(self, row: Planned) -> str:
        return row.values.get("position") or str(row.obj.serial)[:30]

    def home_of(self, lookups: Lookups, stay: BlockStay) -> Place | None:
        return lookups.get("banks", stay.bank.serial).home if stay.bank is not None else stay.place

    def current(self, obj: Any, name: str) -> Any:
        return super().current(obj, name) if name not in self.virtual else None

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        if row.action == "changed":
            self._compare_stay(lookups, row)
            if not row.changes:
                row.action = "left"
                return
        yield from self.where_problems(lookups, row)
        bank = row.values.get("bank")
        if isinstance(bank, Ref) and bank.obj.chemistry != row.obj.chemistry:
            yield (
                "chemistry",
                DomainError("block.chemistry", _("Bank {bank} is of another chemistry."), bank=bank.label),
            )

    def beside(self, lookups: Lookups, row: Planned) -> list[models.Model]:
        bank, place = row.values.get("bank"), row.values.get("place")
        start = stay_start(row, lookups.now)
        if isinstance(bank, Ref):
            position = self.position_of(row)
            return [BlockStay(block=row.obj, bank=bank.obj, position=position, started_at=start)]
        return [BlockStay(block=row.obj, place=place.obj, started_at=start)] if isinstance(place, Ref) else []

    def change_one(self, lookups: Lookups, row: Planned) -> None:
        bank, place = row.values.get("bank") or row.values.get("_into"), row.values.get("place")
        block_move(
            block=row.obj,
            at=lookups.now,
            actor=lookups.actor,
            bank=bank.obj if isinstance(bank, Ref) else None,
            position=self.position_of(row),
            place=place.obj if isinstance(place, Ref) else None,
            note="import",
            now=lookups.now,
        )

    def watched(self, row: Planned) -> list[Any]:
        stays = BlockStay.objects.filter(block=row.obj.pk)
        banks = {pk for pk in stays.values_list("bank_id", flat=True) if pk}
        target = row.values.get("bank")
        banks |= {target.obj.pk} if isinstance(target, Ref) else set()
        return [stays, Modification.objects.filter(unit__in=units_of_banks(banks))]

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        found: set[int] = set()
        for some in chunks(sorted(pks), 500):
            banks = BlockStay.objects.filter(block__in=some, bank__isnull=False).values_list(
                "bank_id", flat=True
            )
            found |= units_of_banks(set(banks))
        return found
