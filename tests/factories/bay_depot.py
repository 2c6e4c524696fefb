"""A depot with bays, crew and terms, and banks that are due on stated days: what a bay plan is made from."""

import datetime as dt

from fleet.models import Place
from readiness.models import ChargerBay, CrewHours
from tests.factories.fleet import FIRST_DAY, BankFactory, DepotFactory, UnitFactory, ago
from tests.factories.readiness import BayTermsFactory, ChargeFactory, ChargerBayFactory


def bay_depot(
    *, bays: int = 2, unattended: tuple[str, ...] = ("vrla_gel",), every_day: bool = True, **given
) -> Place:
    """Crew from 7 to 17 h every day (or Monday to Friday), gel may charge alone, 10 kW left for charging."""
    depot = DepotFactory(**given)
    equip(depot, bays=bays, unattended=unattended, every_day=every_day)
    return depot


def equip(
    depot: Place,
    *,
    bays: int = 2,
    unattended: tuple[str, ...] = ("vrla_gel",),
    every_day: bool = True,
    **terms,
) -> list[ChargerBay]:
    BayTermsFactory(place=depot, unattended=list(unattended), **terms)
    CrewHours.objects.bulk_create(
        CrewHours(place=depot, valid_from=FIRST_DAY, weekday=day, opens=dt.time(7), closes=dt.time(17))
        for day in range(7 if every_day else 5)
    )
    return [ChargerBayFactory(place=depot, name=f"B{n + 1}") for n in range(bays)]


def charged_bank(depot: Place, days_ago: float, **given):
    """A gel bank in a unit of the depot that was charged in full so many days ago; 200 days ago it is due."""
    bank = BankFactory(unit=UnitFactory(home=depot), **given)
    ended = ago(days=days_ago)
    ChargeFactory(bank=bank, happened_at=ended - dt.timedelta(hours=20), ended_at=ended)
    return bank
