"""The sheets of the base app, in the order in which a template shows them."""

from fleet.services.imports.away_sheets import DayLogSheet, DeploymentSheet
from fleet.services.imports.bank_sheets import BankSheet, SupplyStateSheet
from fleet.services.imports.block_sheets import BlockSheet
from fleet.services.imports.form_sheets import PackedFormSheet, UnitFormSheet
from fleet.services.imports.kinds import SheetKind
from fleet.services.imports.office_sheets import (
    ClimateSheet,
    DepotTermsSheet,
    DesignSheet,
    PlaceSheet,
)
from fleet.services.imports.transport_sheets import BankTransportSheet, TransportTermsSheet
from fleet.services.imports.unit_sheets import (
    CertificateSheet,
    ModificationSheet,
    UnitSheet,
    WeighingSheet,
    WetStateSheet,
)

SHEETS: tuple[SheetKind, ...] = (
    PlaceSheet(),
    DepotTermsSheet(),
    ClimateSheet(),
    DesignSheet(),
    PackedFormSheet(),
    UnitSheet(),
    BankSheet(),
    BlockSheet(),
    SupplyStateSheet(),
    BankTransportSheet(),
    TransportTermsSheet(),
    CertificateSheet(),
    WetStateSheet(),
    WeighingSheet(),
    UnitFormSheet(),
    ModificationSheet(),
    DeploymentSheet(),
    DayLogSheet(),
)
