"""Tables of a next edition for tests: invented, in the form in which an owner loads them."""

from __future__ import annotations

from fleet.domain.dangerous_goods.editions import COLUMNS
from fleet.models import RuleEdition, User
from fleet.services.editions import edition_load

AIR_2027 = {
    "mode": "AIR",
    "key": "air_test",
    "name": "air test edition",
    "valid_from": "2027-01-01",
    "valid_to": "2027-12-31",
    "soc_packed_with_mandatory": "yes",
    "soc_vehicle_mandatory": "yes",
    "goods_table": "dangerous_goods",
    "source": "invented for this test",
    "confidence": "test",
}
US_2027 = AIR_2027 | {"mode": "ROAD_US", "key": "us_test", "name": "US test text", "valid_to": ""}


def table(*rows: dict[str, str]) -> str:
    """A table of editions as text."""
    lines = [",".join(COLUMNS), *(",".join(f'"{row[name]}"' for name in COLUMNS) for row in rows)]
    return "\n".join(lines) + "\n"


def air_edition(loader: User, **changes: str) -> RuleEdition:
    """The air rules of 2027, loaded and waiting."""
    return edition_load(name="Air 2027", editions_csv=table(AIR_2027 | changes), actor=loader)
