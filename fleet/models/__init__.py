"""What we own, where it is, and how it may travel. One file per subject."""

from fleet.models.away import Absence, DayLog, Deployment, Leg, Offer
from fleet.models.banks import BankStay, BatteryBank, BatteryBlock, BlockStay, SupplyState
from fleet.models.base import Correctable, Recorded, Versioned
from fleet.models.designs import CertificateRule, Design, PackedForm
from fleet.models.office import (
    ApiToken,
    Attachment,
    AuditEntry,
    ImportChange,
    ImportRun,
    Job,
    Membership,
    User,
)
from fleet.models.places import ClimateNormal, DepotTerms, Place, TemperatureLog
from fleet.models.transport import BankTransport, RuleEdition, TransportTerms, UnitForm
from fleet.models.units import Certificate, Modification, Unit, UnitStay, Weighing, WetState

__all__ = [
    "Absence",
    "ApiToken",
    "Attachment",
    "AuditEntry",
    "BankStay",
    "BankTransport",
    "BatteryBank",
    "BatteryBlock",
    "BlockStay",
    "Certificate",
    "CertificateRule",
    "ClimateNormal",
    "Correctable",
    "DayLog",
    "Deployment",
    "DepotTerms",
    "Design",
    "ImportChange",
    "ImportRun",
    "Job",
    "Leg",
    "Membership",
    "Modification",
    "Offer",
    "PackedForm",
    "Place",
    "Recorded",
    "RuleEdition",
    "SupplyState",
    "TemperatureLog",
    "TransportTerms",
    "Unit",
    "UnitForm",
    "UnitStay",
    "User",
    "Versioned",
    "Weighing",
    "WetState",
]
