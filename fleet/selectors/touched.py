"""Which units a changed row is about, so that the right ones are computed again."""

from __future__ import annotations

from django.db import models

from fleet.models import BankStay, BatteryBank, BatteryBlock, BlockStay, Design, Place, Unit


def unit_of(row: models.Model) -> Unit | None:
    """The one unit a record is about now, for its line in the audit; None for shelves, places and designs."""
    if isinstance(row, Unit):
        return row
    unit: Unit | None = getattr(row, "unit", None)
    if unit is not None:
        return unit
    deployment = getattr(row, "deployment", None)
    if deployment is not None:
        return unit_of(deployment)
    bank = row if isinstance(row, BatteryBank) else getattr(row, "bank", None)
    if isinstance(bank, BatteryBank):
        return unit_with_bank(bank)
    if isinstance(row, BatteryBlock):
        stay = BlockStay.objects.current().filter(block=row).select_related("bank").first()
        return unit_with_bank(stay.bank) if stay and stay.bank else None
    return None


def unit_with_bank(bank: BatteryBank) -> Unit | None:
    """The unit a bank sits in now. One query."""
    stay = BankStay.objects.current().filter(bank=bank).select_related("unit__home").first()
    return stay.unit if stay else None


def units_touched(row: models.Model) -> set[int]:
    """Ids of the units whose answer may change with this row: the one it is about, or all under a design or depot."""
    unit = unit_of(row)
    if unit is not None:
        return {unit.pk}
    if isinstance(row, Design):
        return _ids(Unit.objects.filter(design=row))
    if isinstance(row, Place):
        return _ids(Unit.objects.filter(home=row))
    if getattr(row, "design_id", None) is not None:
        return _ids(Unit.objects.filter(design_id=row.design_id))  # type: ignore[attr-defined]
    designs = getattr(row, "designs", None)
    if designs is not None:
        chosen = list(designs.values_list("pk", flat=True))
        return _ids(Unit.objects.filter(design_id__in=chosen) if chosen else Unit.objects.all())
    if getattr(row, "bank_id", None) is None and getattr(row, "place_id", None) is not None:
        return _ids(Unit.objects.filter(home_id=row.place_id))  # type: ignore[attr-defined]
    return set()


def _ids(units: models.QuerySet[Unit]) -> set[int]:
    return set(units.filter(retired_on__isnull=True).values_list("pk", flat=True))
