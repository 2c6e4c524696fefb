"""What the database itself keeps, tried below every service: each constraint and each trigger refuses what it is there for.

The lists come from the models: a new constraint without a line here, or a new model without a row, fails.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any
from uuid import uuid4

import pytest
from django.apps import apps
from django.core.management.sql import emit_post_migrate_signal, emit_pre_migrate_signal
from django.db import IntegrityError, OperationalError, connection, models, transaction
from django.db.models import CheckConstraint, UniqueConstraint

from fleet.models import Absence, AuditEntry, Correctable, ImportChange, ImportRun, Unit
from fleet.services.audit import audit_record
from fleet.services.guards import (
    RECORD_IS_KEPT,
    guard_install,
    guard_remove,
    guarded_tables,
    guards_remove,
    letting_go,
)
from inventory.models import FittedPart, Lot, Movement
from tests.architecture.rows_of_every_model import (
    MAKERS,
    MAKERS_FOR,
    fitted_part,
    import_run,
    model_named,
    movement,
)
from tests.factories import fleet as f
from tests.factories import inventory as i
from tests.factories.fleet import ago

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

OUR_MODELS = [
    model for app in ("fleet", "inventory", "readiness") for model in apps.get_app_config(app).get_models()
]
NAMED = {
    constraint.name: (model, constraint) for model in OUR_MODELS for constraint in model._meta.constraints
}
LONG_AGO, LONG_AGO_ON = dt.datetime(1990, 1, 1, tzinfo=dt.UTC), dt.date(1990, 1, 1)

Bad = dict[str, Any]
STRUCK: list[Bad] = [{"struck_at": LONG_AGO}]
ENDS_ON: list[Bad] = [{"valid_to": LONG_AGO_ON}]
ENDS_AT: list[Bad] = [{"ended_at": LONG_AGO}]


def a_place() -> models.Model:
    place: models.Model = f.PlaceFactory()
    return place


def ends(*names: str) -> Bad:
    """Exactly these ends of a movement."""
    made = {"place": f.PlaceFactory, "unit": f.UnitFactory}
    none = dict.fromkeys(("from_place", "from_unit", "to_place", "to_unit"))
    return {**none, **{name: made[name.partition("_")[2]]() for name in names}}


def of_kind(kind: str, *names: str) -> Callable[[], Bad]:
    return lambda: {**ends(*names), "kind": kind}


# What each CHECK must refuse: changes to a good row, each of them alone; a function where rows must be made first.
CHECKS: dict[str, list[Bad | Callable[[], Bad]]] = {
    "place_lat_in_range": [{"lat_deg": -90.1}, {"lat_deg": 90.1}],
    "place_lon_in_range": [{"lon_deg": -180.1}, {"lon_deg": 180.1}],
    "depot_terms_in_order": ENDS_ON,
    "depot_notice_positive": [{"notice_h": -1}],
    "climate_month_in_range": [{"month": 0}, {"month": 13}],
    "climate_mean_plausible": [{"mean_c": -61}, {"mean_c": 61}],
    "temp_log_plausible": [{"mean_c": -61}, {"mean_c": 81}],
    "packed_form_mass_positive": [{"mass_kg": 0}],
    "certificate_rule_in_order": ENDS_ON,
    "unit_form_in_order": ENDS_ON,
    "unit_form_says_why": [{"reason": ""}],
    "bank_transport_ctu_positive": [{"ctu_gross_kg": 0}, {"ctu_gross_kg": -1}],
    "bank_transport_positive": [
        {"declared_wh": 0},
        {"net_mass_kg": 0},
        {"package_gross_kg": -1},
        {"discharge_w": 0},
    ],
    "bank_charger_volts_positive": [{"charger_v": 0}],
    "charging_room_not_negative": [
        {"inlet_cm2": -1},
        {"outlet_cm2": -1},
        {"free_volume_m3": -1},
        {"fan_m3_h": -1},
    ],
    "charging_room_circuit_positive": [
        {"circuit_v": 0},
        {"breaker_a": 0},
        {"power_factor": 0},
        {"power_factor": 1.1},
    ],
    "transport_terms_in_order": ENDS_ON,
    "transport_terms_not_negative": [
        *({f"{where}_{axis}_mm": -1} for where in ("container", "ramp", "plane") for axis in "whl"),
        {"gap_mm": -1},
        {"rigging_kg": -1},
    ],
    "rule_edition_released_by_someone": [
        {"state": "released"},
        {"state": "released", "released_at": LONG_AGO},
        lambda: {"state": "released", "released_by": f.UserFactory()},
    ],
    "rule_edition_second_person": [{"released_at": LONG_AGO, "released_by": models.F("loaded_by")}],
    "rule_edition_withdrawn_says_why": [
        {"state": "withdrawn", "withdrawn_at": LONG_AGO, "withdrawn_by": models.F("loaded_by")},
        {"state": "withdrawn", "withdrawn_at": LONG_AGO, "withdrawn_reason": "a misprint"},
        lambda: {"state": "withdrawn", "withdrawn_by": f.UserFactory(), "withdrawn_reason": "a misprint"},
    ],
    "unit_stay_place_or_absence": [
        {"place": None},
        lambda: {"absence": MAKERS["fleet.Absence"]()},
    ],
    "unit_stay_in_order": ENDS_AT,
    "modification_struck_reason": STRUCK,
    "weighing_struck_reason": STRUCK,
    "weighing_mass_positive": [{"mass_kg": 0}],
    "wet_state_struck_reason": STRUCK,
    "certificate_struck_reason": STRUCK,
    "certificate_in_order": [{"expires_on": LONG_AGO_ON}],
    "absence_struck_reason": STRUCK,
    "absence_in_order": ENDS_AT,
    "deployment_in_order": [{"ended_on": LONG_AGO_ON}],
    "leg_in_order": [{"arrived_at": LONG_AGO}],
    "day_log_struck_reason": STRUCK,
    "day_log_hours_in_a_day": [{"hours_a_h": -1}, {"hours_a_h": 25.5}, {"hours_b_h": -1}, {"hours_b_h": 26}],
    "day_log_volume_not_negative": [{"volume_a_m3": -1}, {"volume_b_m3": -1}],
    "offer_in_order": [{"available_to": LONG_AGO}],
    "offer_cost_has_currency": [{"cost": 1}],
    "bank_capacity_positive": [{"capacity_ah": 0}],
    "bank_cells_positive": [{"cells_in_series": 0}, {"strings": 0}],
    "bank_standby_not_negative": [{"standby_ma": -1}],
    "bank_floor_in_range": [{"floor_soc": -0.1}, {"floor_soc": 1.1}],
    "bank_depart_in_range": [{"depart_soc": -0.1}, {"depart_soc": 1.1}],
    "bank_stay_unit_or_place": [{"unit": None}, lambda: {"place": a_place()}],
    "bank_stay_in_order": ENDS_AT,
    "block_stay_bank_or_place": [{"bank": None}, lambda: {"place": a_place()}],
    "block_stay_in_order": ENDS_AT,
    "supply_state_struck_reason": STRUCK,
    "design_item_in_order": ENDS_ON,
    "design_item_fitted_has_position": [{"purpose": "fitted"}, {"position": "lamp 1"}],
    "design_item_qty_positive": [{"qty": 0}],
    "shared_equipment_in_order": ENDS_ON,
    "lot_expires_after_made": [{"made_on": dt.date(2030, 1, 1), "expires_on": LONG_AGO_ON}],
    "balance_never_negative": [{"qty": -1}],
    "balance_place_or_unit": [{"place": None}, lambda: {"unit": f.UnitFactory()}],
    "fitted_part_in_order": [{"removed_at": LONG_AGO}],
    "fitted_part_carried_not_negative": [{"carried_h": -1}, {"carried_m3": -1}],
    "fitted_part_void_is_closed": [
        {"void": True},
        lambda: {"void": True, "removed_at": ago(1), "follows": fitted_part(removed_at=ago(2))},
    ],
    "movement_qty_positive": [{"qty": 0}, {"kind": "count", "qty": -1}],
    "movement_one_origin": [of_kind("transfer", "from_place", "from_unit", "to_unit")],
    "movement_one_destination": [of_kind("receipt", "to_place", "to_unit")],
    "movement_reversal_names_its_movement": [{"kind": "reversal"}, lambda: {"reverses": movement()}],
    "movement_has_the_ends_of_its_kind": [
        *(of_kind(kind) for kind in Movement.Kind.values if kind != "reversal"),
        lambda: {**ends(), "kind": "reversal", "reverses": movement()},
        of_kind("receipt", "from_place", "to_place"),
        of_kind("issue", "to_unit"),
        of_kind("issue", "from_place"),
        of_kind("return", "from_unit"),
        of_kind("transfer", "from_unit"),
        of_kind("fit", "from_place"),
        of_kind("fit", "from_unit", "to_unit"),
        of_kind("remove", "to_place"),
        of_kind("use", "to_place"),
        of_kind("scrap", "from_place", "to_place"),
        of_kind("count", "from_place", "to_place"),
    ],
    "goods_line_struck_reason": STRUCK,
    "goods_line_mass_positive": [{"mass_kg": 0}],
    "goods_line_is_something": [{"pieces": 0}, {"label": ""}],
    "goods_check_struck_reason": STRUCK,
    "goods_check_bank_or_line": [{"bank": None}, lambda: {"line": MAKERS["inventory.GoodsLine"]()}],
    "goods_check_answer_of_kind": [
        {"answer": "yes"},
        {"kind": "tank"},
        {"kind": "terminals"},
        {"kind": "ticks_us", "answer": "drained"},
        {"kind": "no such"},
        {"kind": "charge", "soc_pct": 5.0},
    ],
    "goods_check_charge_is_measured": [
        {"soc_pct": 28.0},
        lambda: {
            "kind": "charge",
            "answer": "measured",
            "bank": None,
            "line": MAKERS["inventory.GoodsLine"](),
            "soc_pct": None,
        },
        lambda: {
            "kind": "charge",
            "answer": "measured",
            "bank": None,
            "line": MAKERS["inventory.GoodsLine"](),
            "soc_pct": 100.1,
        },
    ],
    "goods_check_tank_in_range": [{"fill_pct": -0.1}, {"fill_pct": 100.1}, {"fuel_l": -1}],
    "goods_list_check_struck_reason": STRUCK,
    "part_debt_item_or_bank": [{"item": None}, lambda: {"bank": f.BankFactory()}],
    "part_debt_qty_positive": [{"qty": 0}],
    "part_debt_settled_says_how": [
        {"settled_at": LONG_AGO},
        {"settled_how": "filled"},
        lambda: {"settled_with": movement()},
    ],
    "part_debt_two_units": [{"owed_to": models.F("given_to")}],
    "supply_offer_in_order": ENDS_ON,
    "supply_offer_positive": [{"price": -1}, {"pack_qty": 0}],
    "order_line_positive": [{"qty": 0}, {"price": -1}],
    "approval_limit_not_negative": [{"amount": -1}],
    "life_extension_is_longer": [{"to_expires_on": models.F("from_expires_on")}],
    "life_extension_says_by_what": [{"paper": ""}, {"signer": ""}],
    "life_extension_withdrawn_says_why": [{"withdrawn_at": LONG_AGO}],
    "receipt_damaged_not_negative": [{"damaged_qty": -1}],
    "stock_policy_in_order": ENDS_ON,
    "stock_policy_order_up_to_above": [{"order_up_to": 0}, {"reorder_point": -1}],
    "call_window_in_order": [{"wanted_by": LONG_AGO}],
    "call_people_positive": [{"people": 0}],
    "release_has_reason": [{"reason": ""}],
    "verdict_in_order": [{"last_confirmed_day": LONG_AGO_ON}],
    "alert_one_subject": [
        {"unit": None},
        lambda: {"bank": f.BankFactory()},
        lambda: {"place": a_place()},
        lambda: {"unit": None, "lot": i.LotFactory()},
        lambda: {"unit": None, "item": i.ItemFactory()},
        lambda: {"unit": None, "bank": f.BankFactory(), "certificate": f.CertificateFactory()},
    ],
    "reading_struck_reason": STRUCK,
    "reading_has_its_value": [
        {"volts_v": None},
        {"kind": "gravity"},
        {"kind": "meter"},
        {"kind": "meter", "meter_soc": 1.1},
        {"kind": "meter", "meter_soc": -0.1},
    ],
    "charge_struck_reason": STRUCK,
    "charge_in_order": ENDS_AT,
    "charge_to_soc_in_range": [{"to_soc": 0}, {"to_soc": 1.1}],
    "charge_ah_not_negative": [{"ah_in": -1}],
    "bank_test_struck_reason": STRUCK,
    "bank_test_has_its_value": [{"capacity_ah": None}, {"capacity_ah": 0}, {"kind": "ohmic"}],
    "charger_bay_in_order": ENDS_ON,
    "charger_bay_positive": [{"max_a": 0}, {"max_v": 0}, {"max_kw": 0}],
    "bay_terms_in_order": ENDS_ON,
    "bay_terms_in_range": [
        {"base_kw": -1},
        {"least_h": -1},
        {"horizon_days": 0},
        {"horizon_days": 57},
        {"handlings_per_hour": 0},
    ],
    "crew_hours_in_order": ENDS_ON,
    "crew_hours_close_later": [{"closes": dt.time(8)}, {"closes": dt.time(7)}, {"weekday": 7}],
    "crew_day_hours_or_closed": [{"opens": None}, {"closes": None}, {"closes": dt.time(8)}],
    "supply_hours_in_order": ENDS_ON,
    "supply_hours_in_range": [{"limit_kw": -1}, {"weekday": 7}],
    "supply_hours_end_later": [{"ends": dt.time(6)}, {"ends": dt.time(5)}],
    "storage_policy_in_order": ENDS_ON,
    "storage_policy_soc_in_range": [{"store_soc": 0}, {"store_soc": 1.1}],
    "storage_policy_says_why": [{"reason": ""}],
    "bay_plan_published_when": [{"state": "published"}],
    "bay_plan_broken_floor_is_signed": [
        {"state": "published", "published_at": LONG_AGO, "floors_broken": 1},
        {"state": "published", "published_at": LONG_AGO, "floors_broken": 1, "accepted_at": LONG_AGO},
        lambda: {
            "state": "published",
            "published_at": LONG_AGO,
            "floors_broken": 1,
            "accepted_at": LONG_AGO,
            "accepted_by": f.UserFactory(),
        },
    ],
    "bay_plan_line_in_order": [
        {"ends_at": models.F("starts_at")},
        {"off_at": models.F("starts_at")},
        {"kw": -1},
    ],
    "bank_logger_expected_in_range": [{"expected_min": 0}, {"expected_min": 10_081}],
    "sample_post_taken_back_reason": [{"taken_back_at": LONG_AGO}],
    "sample_has_a_value": [{"temp_c": None}],
    "sample_soc_in_range": [{"soc": -0.1}, {"soc": 1.1}],
    "sample_temp_plausible": [{"temp_c": -41}, {"temp_c": 400}],
    "sample_day_has_samples": [{"samples": 0}],
    "inspection_type_in_order": [{"active_to": LONG_AGO_ON}],
    "inspection_interval_positive": [{"interval_days": 0}],
    "inspection_struck_reason": STRUCK,
    "fault_struck_reason": STRUCK,
    "fault_in_order": [{"closed_at": LONG_AGO}],
}  # fmt: skip


def named_of(kind: type[models.BaseConstraint]) -> list[str]:
    return sorted(name for name, (_model, constraint) in NAMED.items() if type(constraint) is kind)


def test_every_constraint_is_tried() -> None:
    kinds = {type(constraint) for _model, constraint in NAMED.values()}
    assert kinds <= {CheckConstraint, UniqueConstraint}, "a new kind of constraint needs its own test"
    assert sorted(CHECKS) == named_of(CheckConstraint)
    assert set(MAKERS_FOR) <= set(named_of(UniqueConstraint))
    guarded = {model._meta.label for model in OUR_MODELS if model._meta.constraints or alone(model)}
    assert guarded - set(MAKERS) == set(), "make a row of these in rows_of_every_model.py"


def refused(name: str, act: Callable[[], Any]) -> None:
    """The act is refused by this constraint and no other."""
    model, constraint = NAMED[name]
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        act()
    said = str(caught.value)
    if name in said:
        return
    # SQLite names the columns of a unique constraint, not the constraint.
    assert connection.vendor == "sqlite", said
    assert isinstance(constraint, UniqueConstraint), said
    columns = [f"{model._meta.db_table}.{model._meta.get_field(field).column}" for field in constraint.fields]
    assert said == f"UNIQUE constraint failed: {', '.join(columns)}"


def changed(row: models.Model, values: Bad) -> None:
    """Written by SQL below model and service; a movement cannot be changed, so that another one is written."""
    if isinstance(row, Movement):
        movement(**{"to_place": row.to_place, **values})
    else:
        assert type(row)._base_manager.filter(pk=row.pk).update(**values) == 1


def check_broken(name: str) -> None:
    model, _constraint = NAMED[name]
    for bad in CHECKS[name]:
        row = MAKERS[model._meta.label]()
        values = bad() if callable(bad) else bad
        refused(name, lambda row=row, values=values: changed(row, values))  # type: ignore[misc]


def unique_broken(name: str) -> None:
    """A second row takes over what must be unique of the first one."""
    model, constraint = NAMED[name]
    make = MAKERS_FOR.get(name) or MAKERS[model._meta.label]
    first, second = make(), make()
    if constraint.expressions:  # type: ignore[attr-defined]
        (column,) = (str(each.source_expressions[0].name) for each in constraint.expressions)  # type: ignore[attr-defined]
        values = {column: getattr(first, column).lower()}
        assert values[column] != getattr(first, column)
    else:
        fields = [model._meta.get_field(each) for each in constraint.fields]  # type: ignore[attr-defined]
        values = {field.name: getattr(first, field.name) for field in fields}
    refused(name, lambda: changed(second, values))


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_checks(name: str) -> None:
    check_broken(name)


@pytest.mark.parametrize("name", named_of(UniqueConstraint))
def test_unique_constraints(name: str) -> None:
    unique_broken(name)


def alone(model: type[models.Model]) -> list[models.Field[Any, Any]]:
    """Fields that are unique by themselves, the key apart."""
    return [field for field in model._meta.concrete_fields if field.unique and not field.primary_key]


UNIQUE_FIELDS = [(model._meta.label, field.name) for model in OUR_MODELS for field in alone(model)]


@pytest.mark.parametrize(("label", "name"), UNIQUE_FIELDS)
def test_fields_that_are_unique(label: str, name: str) -> None:
    """Codes, tokens of forms, and records that follow or supersede another one: each once."""
    field: Any = model_named(label)._meta.get_field(name)
    first = MAKERS[label]()
    value = getattr(first, name)
    if value is None:
        value = MAKERS[field.related_model._meta.label]() if field.is_relation else uuid4()
        if label == "inventory.Movement":  # never changed: the first of its kind is written
            first = movement(**same_ends(name, value))
        else:
            changed(first, {name: value})
    second = MAKERS[label]()
    values = same_ends(name, value) if label == "inventory.Movement" else {name: value}
    with pytest.raises(IntegrityError, match=rf"(?is)unique.*\b{field.column}\b"), transaction.atomic():
        changed(second, values)


def same_ends(name: str, value: Any) -> Bad:
    """The values of a movement that says `name`: a reversal, if it reverses one."""
    return {name: value, **({"kind": "reversal"} if name == "reverses" else {})}


def counts_of(model: type[models.Model]) -> list[str]:
    return [field.name for field in model._meta.concrete_fields if "Positive" in type(field).__name__]


@pytest.mark.parametrize("label", [model._meta.label for model in OUR_MODELS if counts_of(model)])
def test_counts_are_never_negative(label: str) -> None:
    row = MAKERS[label]()
    for name in counts_of(model_named(label)):
        with pytest.raises(IntegrityError), transaction.atomic():
            changed(row, {name: -1})


# What is kept for ever.

RECORDS = [model for model in OUR_MODELS if issubclass(model, Correctable) or model is Absence]


def sql(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


def test_every_record_has_its_guard() -> None:
    kept = {model._meta.db_table for model in (*RECORDS, AuditEntry, Movement, FittedPart)}
    assert set(guarded_tables()) == kept


@pytest.mark.parametrize("model", RECORDS, ids=lambda model: model.__name__)
def test_a_record_is_never_deleted(model: type[models.Model]) -> None:
    row = MAKERS[model._meta.label]()
    for statement in (
        f"DELETE FROM {model._meta.db_table} WHERE id = {row.pk}",
        f"DELETE FROM {model._meta.db_table}",
    ):
        with pytest.raises(IntegrityError, match=re.escape(RECORD_IS_KEPT)), transaction.atomic():
            sql(statement)
    with pytest.raises(IntegrityError), transaction.atomic():
        row.delete()
    changed(row, {"struck_at": ago(1), "struck_reason": "mistyped"})


def test_an_import_lets_go_of_its_own_records_only() -> None:
    run = import_run()
    mine, other, earlier = (MAKERS["readiness.Reading"]() for _ in range(3))
    for row, of in ((mine, run), (earlier, import_run())):
        ImportChange.objects.create(
            run=of, sheet="readings", row=1, action="added", model="readiness.Reading", object_id=str(row.pk)
        )
    with pytest.raises(IntegrityError), transaction.atomic():
        mine.delete()
    with transaction.atomic(), letting_go(run):
        for row in (other, earlier):
            with pytest.raises(IntegrityError), transaction.atomic():
                row.delete()
        mine.delete()
    run.refresh_from_db()
    assert not run.taking_back
    with pytest.raises(IntegrityError), transaction.atomic():
        earlier.delete()


@pytest.mark.parametrize("make", [movement, lambda: audit_record(actor=None, action="x", subject=a_place())])
def test_movements_and_audit_lines_are_never_changed_or_deleted(make: Any) -> None:
    row = make()
    table = row._meta.db_table
    for statement in (
        f"UPDATE {table} SET id = id WHERE id = {row.pk}",
        f"DELETE FROM {table} WHERE id = {row.pk}",
    ):
        with pytest.raises(IntegrityError, match="never changed or deleted"), transaction.atomic():
            sql(statement)


def test_a_piece_with_a_serial_is_in_one_position() -> None:
    lot = i.LotFactory(item=i.ItemFactory(serialised=True), serial="S-1")
    here = fitted_part(lot=lot)
    sentence = "one position at a time"
    with pytest.raises(IntegrityError, match=sentence), transaction.atomic():
        fitted_part(lot=lot)
    there = fitted_part(lot=lot, removed_at=ago(2))
    with pytest.raises(IntegrityError, match=sentence), transaction.atomic():
        changed(there, {"removed_at": None})
    other = fitted_part()
    with pytest.raises(IntegrityError, match=sentence), transaction.atomic():
        changed(other, {"lot": lot})
    changed(here, {"removed_at": ago(1)})
    changed(there, {"removed_at": None})
    loose = i.LotFactory()
    assert {fitted_part(lot=loose).lot, fitted_part(lot=loose).lot} == {loose}


@pytest.mark.django_db(transaction=True)
def test_of_two_writers_at_once_one_fits_the_piece() -> None:
    lot = i.LotFactory(item=i.ItemFactory(serialised=True), serial="S-1")
    units = [f.UnitFactory() for _ in range(4)]
    ready = Barrier(len(units))

    def fit(unit: Unit) -> bool:
        try:
            ready.wait(timeout=20)
            with transaction.atomic():
                fitted_part(lot=lot, unit=unit)
        except IntegrityError:
            return False
        finally:
            connection.close()
        return True

    with ThreadPoolExecutor(len(units)) as pool:
        assert sorted(pool.map(fit, units)) == [False, False, False, True]


# The proof that these tests would notice: without its guard each act goes through.


@pytest.fixture
def without(transactional_db: None) -> Iterator[Callable[[str], None]]:
    """Takes a constraint away for one test; what was written without it is gone before it comes back."""
    gone: list[str] = []

    def take_away(name: str) -> None:
        gone.append(name)
        change(name, "remove_constraint", "ON")

    yield take_away
    for name in gone:
        change(name, "add_constraint", "OFF")


def change(name: str, how: str, ignored: str) -> None:
    """SQLite has no ALTER TABLE for a CHECK, but can be told to look away."""
    model, constraint = NAMED[name]
    if connection.vendor == "sqlite" and isinstance(constraint, CheckConstraint):
        sql(f"PRAGMA ignore_check_constraints = {ignored}")
        return
    with connection.schema_editor() as editor:
        getattr(editor, how)(model, constraint)


@pytest.mark.parametrize(
    "name",
    [
        "balance_never_negative",
        "bank_stay_unit_or_place",
        "position_holds_one_part",
        "unit_stay_one_open",
        "unit_tag_once",
        "verdict_one_current",
        "alert_one_subject",
    ],
)
def test_without_its_constraint_the_act_goes_through(name: str, without: Callable[[str], None]) -> None:
    without(name)
    broken = check_broken if name in CHECKS else unique_broken
    with transaction.atomic():
        with pytest.raises(pytest.fail.Exception, match="DID NOT RAISE"):
            broken(name)
        transaction.set_rollback(True)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("table", ["readiness_reading", "inventory_movement", "inventory_fittedpart"])
def test_without_its_guard_the_act_goes_through(table: str) -> None:
    acts = {
        "readiness_reading": lambda: test_a_record_is_never_deleted(model_named("readiness.Reading")),
        "inventory_movement": lambda: test_movements_and_audit_lines_are_never_changed_or_deleted(movement),
        "inventory_fittedpart": test_a_piece_with_a_serial_is_in_one_position,
    }
    guard_remove(table=table)
    try:
        with transaction.atomic():
            with pytest.raises(pytest.fail.Exception, match="DID NOT RAISE"):
                acts[table]()
            transaction.set_rollback(True)
    finally:
        guard_install(table=table)


def triggers() -> set[str]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
            if connection.vendor == "sqlite"
            else "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
        )
        return {name for (name,) in cursor.fetchall()}


@pytest.mark.django_db(transaction=True)
def test_every_guard_comes_back_with_migrate() -> None:
    from django.core.management import call_command

    before = triggers()
    guards_remove()
    assert triggers() == set()
    call_command("migrate", verbosity=0)
    assert triggers() == before
    assert len(before) >= len(guarded_tables())


@pytest.mark.django_db(transaction=True)
def test_guards_do_not_stand_in_the_way_of_a_later_migration() -> None:
    """SQLite rebuilds a table to alter it, and refuses to rename one that a trigger names."""
    if connection.vendor != "sqlite":
        pytest.skip("only SQLite rebuilds tables")
    before = triggers()

    def rebuild() -> None:
        for model in (ImportRun, Lot):
            with connection.schema_editor() as editor:
                editor._remake_table(model)  # type: ignore[attr-defined]

    with pytest.raises(OperationalError, match="error in trigger"):
        rebuild()
    emit_pre_migrate_signal(verbosity=0, interactive=False, db="default")
    rebuild()
    emit_post_migrate_signal(verbosity=0, interactive=False, db="default")
    assert triggers() == before
