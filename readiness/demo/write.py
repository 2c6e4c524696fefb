"""Writes the plain rows into the database: in bulk, in the order in which rows point to each other."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, models, transaction

from readiness.demo.rows import Row, Rows

ORDER = (
    "fleet.Place",
    "fleet.User",
    "fleet.Membership",
    "fleet.ClimateNormal",
    "fleet.DepotTerms",
    "fleet.Design",
    "fleet.PackedForm",
    "fleet.CertificateRule",
    "fleet.Offer",
    "fleet.Unit",
    "fleet.Absence",
    "fleet.UnitStay",
    "fleet.Deployment",
    "fleet.Leg",
    "fleet.DayLog",
    "fleet.Modification",
    "fleet.Weighing",
    "fleet.WetState",
    "fleet.Certificate",
    "fleet.BatteryBank",
    "fleet.BankStay",
    "fleet.BatteryBlock",
    "fleet.BlockStay",
    "fleet.SupplyState",
    "inventory.Supplier",
    "inventory.FundingSource",
    "inventory.Item",
    "inventory.DesignItem",
    "inventory.SharedEquipment",
    "inventory.DesignEquipment",
    "inventory.SupplyOffer",
    "inventory.StockPolicy",
    "inventory.Lot",
    "inventory.FittedPart",
    "inventory.Movement",
    "inventory.Balance",
    "inventory.PartDebt",
    "inventory.Order",
    "inventory.OrderLine",
    "inventory.Receipt",
    "readiness.InspectionType",
    "readiness.InspectionType.designs",
    "readiness.Reading",
    "readiness.Charge",
    "readiness.BankTest",
    "readiness.Inspection",
    "readiness.Fault",
    "readiness.Task",
    "readiness.Call",
    "fleet.AuditEntry",
)
# Rows that may be there before the scenario comes, known by what people call them.
NAMED = {"fleet.User": "username", "readiness.InspectionType": "code"}
CHUNK = 2000
Progress = Callable[[str, int], None]


def model_of(table: str) -> type[models.Model]:
    app, name, *through = table.split(".")
    model = apps.get_model(app, name)
    return getattr(model, through[0]).through if through else model


class Writer:
    """Gives every row its key: its number in the scenario, after the highest key already there."""

    def __init__(self, rows: Rows, progress: Progress | None = None) -> None:
        self.rows = rows
        self.progress = progress
        self.there: dict[str, dict[int, int]] = {}
        self.base: dict[str, int] = {}
        if unknown := set(rows.tables) - set(ORDER):
            raise ValueError(f"No place in the order for {', '.join(sorted(unknown))}")

    def write(self) -> int:
        written = 0
        for table in ORDER:
            rows = self.rows.of(table)
            if rows:
                written += self.table(table, rows)
                if self.progress:
                    self.progress(table, len(rows))
        self.reset_sequences()
        return written

    def table(self, table: str, rows: list[Row]) -> int:
        model = model_of(table)
        self.find_keys(table, model, rows)
        there = self.there.get(table, {})
        targets = self.targets(model)
        fresh = [self.instance(model, row, targets) for row in rows if row["id"] not in there]
        for start in range(0, len(fresh), CHUNK):
            with transaction.atomic():
                model._default_manager.bulk_create(fresh[start : start + CHUNK], batch_size=500)
        return len(fresh)

    def find_keys(self, table: str, model: type[models.Model], rows: list[Row]) -> None:
        highest = model._default_manager.aggregate(top=models.Max("pk"))["top"]
        self.base[table] = highest or 0
        if name := NAMED.get(table):
            known = dict(model._default_manager.values_list(name, "pk"))
            self.there[table] = {row["id"]: known[row[name]] for row in rows if row[name] in known}

    def targets(self, model: type[models.Model]) -> dict[str, str]:
        """The table that each key column points to."""
        found = {}
        for field in model._meta.concrete_fields:
            if field.is_relation and field.related_model is not None:
                target = field.related_model
                assert not isinstance(target, str)
                found[field.attname] = f"{target._meta.app_label}.{target._meta.object_name}"
        return found

    def instance(self, model: type[models.Model], row: Row, targets: dict[str, str]) -> models.Model:
        table = f"{model._meta.app_label}.{model._meta.object_name}"
        values: dict[str, Any] = {}
        for column, value in row.items():
            target = table if column == "id" else targets.get(column)
            if target is not None and value is not None:
                value = self.key(target if target in self.base else self.through_of(target), value)
            values[column] = value
        return model(**values)

    def through_of(self, table: str) -> str:
        """A row of a many-to-many table bears the name of its own model."""
        return next(name for name in self.base if model_of(name)._meta.object_name == table.split(".")[1])

    def key(self, table: str, number: int) -> int:
        return self.there.get(table, {}).get(number) or self.base[table] + number

    def reset_sequences(self) -> None:
        """Explicit keys do not move PostgreSQL's own counters."""
        statements = connection.ops.sequence_reset_sql(no_style(), [model_of(table) for table in ORDER])
        with connection.cursor() as cursor:
            for statement in statements:
                cursor.execute(statement)
