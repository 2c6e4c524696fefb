"""The people of the tests: invented, one for each role, and one with no role at all."""

from dataclasses import dataclass

import pytest

from fleet.models import Place, User
from fleet.models.office import Role
from tests.factories.fleet import DepotFactory, MembershipFactory, UserFactory


@dataclass(frozen=True)
class Cast:
    """Two depots and who works there. `roles()` names everyone by the word that test tables use."""

    north: Place
    south: Place
    nora: User  # depot manager of the north depot
    silas: User  # depot manager of the south depot
    dina: User  # dispatcher
    percy: User  # procurement
    vera: User  # viewer
    ada: User  # administrator
    stig: User  # signed in, member of nothing

    def roles(self) -> dict[str, User]:
        return {
            "manager": self.nora,
            "other_manager": self.silas,
            "dispatcher": self.dina,
            "procurement": self.percy,
            "viewer": self.vera,
            "administrator": self.ada,
            "stranger": self.stig,
        }


def _person(
    username: str, first: str, last: str, role: str | None = None, depot: Place | None = None
) -> User:
    user: User = UserFactory(username=username, first_name=first, last_name=last)
    if role is not None:
        MembershipFactory(user=user, role=role, depot=depot)
    return user


@pytest.fixture
def cast(db: None) -> Cast:
    """Everyone, in two depots. A unit of `cast.north` is Nora's own and another depot's for Silas."""
    north = DepotFactory(code="NORTH", name="North depot", time_zone="Europe/Oslo")
    south = DepotFactory(code="SOUTH", name="South depot", time_zone="America/Denver")
    return Cast(
        north=north,
        south=south,
        nora=_person("nora", "Nora", "Lind", Role.DEPOT_MANAGER, north),
        silas=_person("silas", "Silas", "Byrd", Role.DEPOT_MANAGER, south),
        dina=_person("dina", "Dina", "Okoro", Role.DISPATCHER),
        percy=_person("percy", "Percy", "Vale", Role.PROCUREMENT),
        vera=_person("vera", "Vera", "Quist", Role.VIEWER),
        ada=_person("ada", "Ada", "Brook", Role.ADMINISTRATOR),
        stig=_person("stig", "Stig", "Amdal"),
    )
