"""What people measure, charge, inspect and repair: one function for each thing they write down."""

from readiness.services.upkeep.banks import (
    bank_test_record,
    connection_record,
    reading_record,
    supply_state_record,
)
from readiness.services.upkeep.charges import charge_record, charge_start, charge_stop
from readiness.services.upkeep.tasks import task_add, task_done, task_drop, task_give_back, task_take
from readiness.services.upkeep.units import fault_close, fault_open, inspection_record

__all__ = [
    "bank_test_record",
    "charge_record",
    "charge_start",
    "charge_stop",
    "connection_record",
    "fault_close",
    "fault_open",
    "inspection_record",
    "reading_record",
    "supply_state_record",
    "task_add",
    "task_done",
    "task_drop",
    "task_give_back",
    "task_take",
]
