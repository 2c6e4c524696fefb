"""Can it go, what stands in the way, who goes. One file per subject."""

from readiness.models.bays import (
    BayCalendar,
    BayPlan,
    BayPlanLine,
    BayTerms,
    ChargerBay,
    CrewDay,
    CrewHours,
    StoragePolicy,
    SupplyHours,
)
from readiness.models.charging import BankCharger, ChargingRoom
from readiness.models.dispatch import Call, Packet, Plan, PlanLine, Release
from readiness.models.samples import BankLogger, LoggerKey, Sample, SampleDay, SamplePost
from readiness.models.sweep import Alert, BankState, ChemistryLearning, JudgementDue, SetAside, Sweep, Verdict
from readiness.models.upkeep import BankTest, Charge, Fault, Inspection, InspectionType, Reading, Task

__all__ = [
    "Alert",
    "BankCharger",
    "BankLogger",
    "BankState",
    "BankTest",
    "BayCalendar",
    "BayPlan",
    "BayPlanLine",
    "BayTerms",
    "Call",
    "Charge",
    "ChargerBay",
    "ChargingRoom",
    "ChemistryLearning",
    "CrewDay",
    "CrewHours",
    "Fault",
    "Inspection",
    "InspectionType",
    "JudgementDue",
    "LoggerKey",
    "Packet",
    "Plan",
    "PlanLine",
    "Reading",
    "Release",
    "Sample",
    "SampleDay",
    "SamplePost",
    "SetAside",
    "StoragePolicy",
    "SupplyHours",
    "Sweep",
    "Task",
    "Verdict",
]
