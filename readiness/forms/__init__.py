"""What people write down, by subject: records of upkeep, parts, and the small forms of alerts and corrections."""

from readiness.forms.matters import (
    AcknowledgeForm,
    BankRecordMoveForm,
    MoveForm,
    SnoozeForm,
    StrikeForm,
    UnitEditForm,
)
from readiness.forms.parts import PartFitForm, PartRemoveForm
from readiness.forms.records import (
    ChargeStartForm,
    ChargeStopForm,
    FaultCloseForm,
    FaultForm,
    InspectionForm,
    ReadingForm,
)

__all__ = [
    "AcknowledgeForm",
    "BankRecordMoveForm",
    "ChargeStartForm",
    "ChargeStopForm",
    "FaultCloseForm",
    "FaultForm",
    "InspectionForm",
    "MoveForm",
    "PartFitForm",
    "PartRemoveForm",
    "ReadingForm",
    "SnoozeForm",
    "StrikeForm",
    "UnitEditForm",
]
