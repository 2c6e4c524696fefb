"""Writes the plain rows into the database: in bulk, in the order in which rows point to each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.apps import apps
from django.core.management.color import no_style
from django.db import connection, models, transaction
from django.utils import timezone

from readiness.demo.rows import NamedRow, Row, Rows

ORDER = (
    "fleet.Place",
    "fleet.User",
    "fleet.Membership",
    "fleet.ClimateNormal",
    "fleet.DepotTerms",
    "fleet.Design",
    "fleet.PackedForm",
    "fleet.CertificateRule",
    "fleet.TransportTerms",
    "fleet.Offer",
    "fleet.Unit",
    "fleet.UnitForm",
    "fleet.Absence",
    "fleet.UnitStay",
    "fleet.TemperatureLog",
    "fleet.Deployment",
    "fleet.Leg",
    "fleet.DayLog",
    "fleet.Modification",
    "fleet.Weighing",
    "fleet.WetState",
    "fleet.Certificate",
    "fleet.BatteryBank",
    "fleet.BankTransport",
    "fleet.BankStay",
    "fleet.BatteryBlock",
    "fleet.BlockStay",
    "fleet.SupplyState",
    "inventory.Supplier",
    "inventory.FundingSource",
    "inventory.ApprovalLimit",
    "inventory.Item",
    "inventory.ItemGoods",
    "inventory.DesignItem",
    "inventory.SharedEquipment",
    "inventory.DesignEquipment",
    "inventory.SupplyOffer",
    "inventory.StockPolicy",
    "inventory.Lot",
    "inventory.LifeExtension",
    "inventory.FittedPart",
    "inventory.Movement",
    "inventory.Balance",
    "inventory.PartDebt",
    "inventory.Order",
    "inventory.OrderLine",
    "inventory.Receipt",
    "inventory.GoodsLine",
    "inventory.GoodsCheck",
    "inventory.GoodsListCheck",
    "readiness.InspectionType",
    "readiness.InspectionType.designs",
    "readiness.Reading",
    "readiness.Charge",
    "readiness.BankTest",
    "readiness.Inspection",
    "readiness.Fault",
    "readiness.Task",
    "readiness.Call",
    "readiness.ChargerBay",
    "readiness.BayTerms",
    "readiness.CrewHours",
    "readiness.CrewDay",
    "readiness.SupplyHours",
    "readiness.ChargingRoom",
    "readiness.StoragePolicy",
    "fleet.AuditEntry",
)
# Rows that may be there before the scenario comes, known by what people call them.
NAMED = {"fleet.User": "username", "readiness.InspectionType": "code"}
CHUNK = 5000


def model_of(table: str) -> type[models.Model]:
    app, name, *through = table.split(".")
    model = apps.get_model(app, name)
    return getattr(model, through[0]).through if through else model


@dataclass(frozen=True)
class Column:
    """A column to fill: the key it has in a row, the table it points to, and what stands there when a row says nothing."""

    attname: str
    target: str
    default: Any
    prepare: Callable[[Any], Any]


class Writer:
    """Gives every row its key: its number in the scenario, after the highest key already there.

    Plain `executemany`: a scenario of 10,000 units has millions of rows, and the rows are trusted. The database's own
    constraints and triggers apply as ever.
    """

    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        self.there: dict[str, dict[int, int]] = {}
        self.base: dict[str, int] = {}
        if unknown := set(rows.tables) - set(ORDER):
            raise ValueError(f"No place in the order for {', '.join(sorted(unknown))}")

    def write(self) -> int:
        """Writes all of it in one transaction and returns how many rows were new."""
        with transaction.atomic():
            written = sum(self.table(table) for table in ORDER if self.rows.of(table))
            self.reset_sequences()
        return written

    def table(self, table: str) -> int:
        model, rows = model_of(table), self.rows.of(table)
        self.find_keys(table, model, rows)
        there = self.there.get(table, {})
        columns = columns_of(model)
        self.refuse_unknown(table, columns)
        quote = connection.ops.quote_name
        names = ", ".join(quote(str(field.column)) for field in model._meta.concrete_fields)
        marks = ", ".join(["%s"] * len(columns))
        insert = f"INSERT INTO {quote(model._meta.db_table)} ({names}) VALUES ({marks})"
        fresh = [row for row in rows if row["id"] not in there]
        with connection.cursor() as cursor:
            for start in range(0, len(fresh), CHUNK):
                cursor.executemany(
                    insert, [self.values(table, row, columns) for row in fresh[start : start + CHUNK]]
                )
        return len(fresh)

    def find_keys(self, table: str, model: type[models.Model], rows: list[Row]) -> None:
        highest = model._default_manager.aggregate(top=models.Max("pk"))["top"]
        self.base[table] = highest or 0
        if name := NAMED.get(table):
            known = dict(model._default_manager.values_list(name, "pk"))
            self.there[table] = {row["id"]: known[row[name]] for row in rows if row[name] in known}

    def refuse_unknown(self, table: str, columns: list[Column]) -> None:
        known = {column.attname for column in columns}
        said = {name for row in self.rows.of(table) for name in row}
        if said - known:
            raise ValueError(f"{table} has no {', '.join(sorted(said - known))}")

    def values(self, table: str, row: Row, columns: list[Column]) -> list[Any]:
        values: list[Any] = []
        for column in columns:
            value = row.get(column.attname, column.default)
            if value is not None and column.attname in row:
                if column.attname == "id":
                    value = self.base[table] + value
                elif column.target:
                    value = self.key(column.target, value)
                elif isinstance(value, list):
                    value = [self.named(each) for each in value]
            values.append(None if value is None else column.prepare(value))
        return values

    def named(self, value: Any) -> Any:
        return (
            f"{value.prefix}{self.key(value.table, value.number)}" if isinstance(value, NamedRow) else value
        )

    def key(self, table: str, number: int) -> int:
        return self.there.get(table, {}).get(number) or self.base[table] + number

    def reset_sequences(self) -> None:
        """Explicit keys do not move PostgreSQL's own counters."""
        statements = connection.ops.sequence_reset_sql(no_style(), [model_of(table) for table in ORDER])
        with connection.cursor() as cursor:
            for statement in statements:
                cursor.execute(statement)


def columns_of(model: type[models.Model]) -> list[Column]:
    return [
        Column(field.attname, target_of(field), default_of(field), preparation(field))
        for field in model._meta.concrete_fields
    ]


def target_of(field: models.Field[Any, Any]) -> str:
    related = field.related_model
    if related is None:
        return ""
    assert not isinstance(related, str)
    return f"{related._meta.app_label}.{related._meta.object_name}"


def default_of(field: models.Field[Any, Any]) -> Any:
    if getattr(field, "auto_now", False) or getattr(field, "auto_now_add", False):
        return timezone.now()
    return field.get_default()


def preparation(field: models.Field[Any, Any]) -> Callable[[Any], Any]:
    """How a value of this field goes to the database; whole numbers, text and yes-or-no go as they are."""
    if isinstance(field, models.DateTimeField):
        return connection.ops.adapt_datetimefield_value
    if isinstance(field, models.DateField):
        return connection.ops.adapt_datefield_value
    if isinstance(field, models.TimeField):
        return connection.ops.adapt_timefield_value
    if isinstance(field, models.JSONField):
        return lambda value: field.get_db_prep_save(value, connection)
    if isinstance(field, models.DecimalField):
        return lambda value: field.get_db_prep_save(Decimal(str(value)), connection)
    if isinstance(field, models.CharField | models.TextField):
        return str
    return bool if isinstance(field, models.BooleanField) else lambda value: value
