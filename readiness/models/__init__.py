"""Can it go, what stands in the way, who goes. One file per subject."""

from readiness.models.dispatch import BayPlan, Call, Packet, Plan, PlanLine, Release
from readiness.models.sweep import Alert, BankState, JudgementDue, SetAside, Sweep, Verdict
from readiness.models.upkeep import BankTest, Charge, Fault, Inspection, InspectionType, Reading, Task

__all__ = [
    "Alert",
    "BankState",
    "BankTest",
    "BayPlan",
    "Call",
    "Charge",
    "Fault",
    "Inspection",
    "InspectionType",
    "JudgementDue",
    "Packet",
    "Plan",
    "PlanLine",
    "Reading",
    "Release",
    "SetAside",
    "Sweep",
    "Task",
    "Verdict",
]
