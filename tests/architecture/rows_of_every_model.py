"""One good row of every model that the database guards, made by the ORM below every service; each call makes another."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from itertools import count
from typing import Any

from django.apps import apps
from django.db import models

from fleet.models import (
    Absence,
    ApiToken,
    BankStay,
    BankTransport,
    BlockStay,
    ClimateNormal,
    DayLog,
    DepotTerms,
    ImportChange,
    ImportRun,
    Job,
    Leg,
    Offer,
    RuleEdition,
    TemperatureLog,
    TransportTerms,
    UnitForm,
    UnitStay,
)
from inventory.models import (
    ApprovalLimit,
    Balance,
    DesignEquipment,
    FittedPart,
    FundingSource,
    GoodsCheck,
    GoodsLine,
    GoodsListCheck,
    ItemGoods,
    LifeExtension,
    Movement,
    Order,
    OrderLine,
    PartDebt,
    Receipt,
    SharedEquipment,
    StockPolicy,
    Supplier,
    SupplyOffer,
)
from readiness.models import (
    BankCharger,
    BankLogger,
    BankState,
    BayCalendar,
    BayPlan,
    Call,
    ChargingRoom,
    ChemistryLearning,
    CrewDay,
    CrewHours,
    LoggerKey,
    Plan,
    PlanLine,
    Release,
    Sample,
    SampleDay,
    SamplePost,
    SetAside,
    Sweep,
)
from tests.factories import fleet as f
from tests.factories import inventory as i
from tests.factories import readiness as r
from tests.factories.fleet import TODAY, ago

Maker = Callable[[], models.Model]
number = count(1)


def code() -> str:
    return f"X{next(number)}"


def day() -> dt.date:
    """Another day each time."""
    return TODAY - dt.timedelta(days=next(number))


def order() -> Order:
    supplier = Supplier.objects.create(code=code(), name="Supplier")
    return Order.objects.create(code=code(), supplier=supplier, place=f.PlaceFactory(), currency="EUR")


def order_line() -> OrderLine:
    return OrderLine.objects.create(order=order(), item=i.ItemFactory(), qty=1, price=1)


def movement(**values: Any) -> Movement:
    """A delivery; other kinds say their ends."""
    ends = {"from_place", "from_unit", "to_place", "to_unit"}
    if not ends & set(values):
        values["to_place"] = f.PlaceFactory()
    lot = values.pop("lot", None) or i.LotFactory()
    row = {"kind": "receipt", "lot": lot, "qty": 1, "happened_at": ago(1), **values}
    return Movement.objects.bulk_create([Movement(**row)])[0]


def receipt() -> Receipt:
    booked = movement()
    return Receipt.objects.create(line=order_line(), lot=booked.lot, movement=booked, received_on=TODAY)


def life_extension() -> LifeExtension:
    return LifeExtension.objects.create(
        lot=i.LotFactory(),
        from_expires_on=TODAY,
        to_expires_on=TODAY + dt.timedelta(days=90),
        tested_on=TODAY,
        paper="Laboratory 1",
        signer="A. Chemist",
        happened_at=ago(1),
    )


def import_run() -> ImportRun:
    return ImportRun.objects.create(file=f.AttachmentFactory())


def sweep(**values: Any) -> Sweep:
    return Sweep.objects.create(**{"depot": f.PlaceFactory(), "as_of": TODAY, "cause": "nightly", **values})


def terms(**values: Any) -> DepotTerms:
    return DepotTerms.objects.create(place=f.PlaceFactory(), valid_from=day(), **values)


def design_item(**values: Any) -> models.Model:
    row: models.Model = i.DesignItemFactory(valid_from=day(), **values)
    return row


def fitted_part(**values: Any) -> FittedPart:
    lot = values.pop("lot", None) or i.LotFactory()
    row = {"unit": f.UnitFactory(), "position": code(), "lot": lot, "fitted_at": ago(9), **values}
    return FittedPart.objects.create(**row)


def debt() -> PartDebt:
    return PartDebt.objects.create(
        owed_to=f.UnitFactory(), given_to=f.UnitFactory(), item=i.ItemFactory(), opened_at=ago(2)
    )


def supply_offer() -> SupplyOffer:
    return SupplyOffer.objects.create(
        supplier=Supplier.objects.create(code=code(), name="Supplier"),
        item=i.ItemFactory(),
        price=1,
        currency="EUR",
        lead_time_days=3,
        valid_from=TODAY,
    )


def offer() -> Offer:
    return Offer.objects.create(
        code=code(), conveyance="truck", place=f.PlaceFactory(), available_from=ago(1)
    )


def call() -> Call:
    return Call.objects.create(code=code(), wanted_from=ago(1), people=10)


def plan_line(**values: Any) -> PlanLine:
    return PlanLine.objects.create(
        plan=Plan.objects.create(code=code()), call=call(), unit=f.UnitFactory(), **values
    )


def absence() -> Absence:
    return Absence.objects.create(unit=f.UnitFactory(), purpose="loan", custodian="County", started_at=ago(3))


def leg() -> Leg:
    return Leg.objects.create(
        deployment=f.DeploymentFactory(),
        sequence=next(number),
        conveyance="truck",
        origin=f.PlaceFactory(),
        destination=f.PlaceFactory(),
        departed_at=ago(3),
    )


def unit_form(**values: Any) -> UnitForm:
    return UnitForm.objects.create(
        unit=f.UnitFactory(),
        packed_form=f.PackedFormFactory(),
        mass_kg=2300,
        reason="a second tank, weighed",
        valid_from=day(),
        **values,
    )


def goods_line() -> GoodsLine:
    return GoodsLine.objects.create(
        unit=f.UnitFactory(), label="jerrycan", kind="goods", attributes={"un": "1203"}, happened_at=ago(2)
    )


def goods_check() -> GoodsCheck:
    return GoodsCheck.objects.create(
        unit=f.UnitFactory(), bank=f.BankFactory(), kind="condition", answer="ok", happened_at=ago(2)
    )


def sample_post() -> SamplePost:
    return SamplePost.objects.create(how="api", rows=1, kept=1)


MAKERS: dict[str, Maker] = {
    "fleet.Place": f.PlaceFactory,
    "fleet.DepotTerms": terms,
    "fleet.ClimateNormal": lambda: ClimateNormal.objects.create(place=f.PlaceFactory(), month=1, mean_c=4),
    "fleet.TemperatureLog": lambda: TemperatureLog.objects.create(
        place=f.PlaceFactory(), day=TODAY, mean_c=4
    ),
    "fleet.Design": f.DesignFactory,
    "fleet.PackedForm": f.PackedFormFactory,
    "fleet.CertificateRule": f.CertificateRuleFactory,
    "fleet.User": f.UserFactory,
    "fleet.Membership": lambda: f.MembershipFactory(user=f.UserFactory(), depot=f.PlaceFactory()),
    "fleet.ApiToken": lambda: ApiToken.objects.create(user=f.UserFactory(), name="meter", hash=code()),
    "fleet.Job": lambda: Job.objects.create(kind="sweep", unique_key=code()),
    "fleet.Attachment": f.AttachmentFactory,
    "fleet.ImportChange": lambda: ImportChange.objects.create(
        run=import_run(), sheet="units", row=next(number), action="added", model="fleet.Unit", object_id="1"
    ),
    "fleet.Unit": f.UnitFactory,
    "fleet.UnitStay": lambda: UnitStay.objects.create(
        unit=f.UnitFactory(stay=False), place=f.PlaceFactory(), started_at=ago(9)
    ),
    "fleet.Modification": f.ModificationFactory,
    "fleet.Weighing": f.WeighingFactory,
    "fleet.WetState": f.WetStateFactory,
    "fleet.Certificate": f.CertificateFactory,
    "fleet.Absence": absence,
    "fleet.Deployment": f.DeploymentFactory,
    "fleet.Leg": leg,
    "fleet.DayLog": lambda: DayLog.objects.create(
        deployment=f.DeploymentFactory(), day=day(), happened_at=ago(1), hours_a_h=1, volume_a_m3=1
    ),
    "fleet.Offer": offer,
    "fleet.BatteryBank": f.BankFactory,
    "fleet.BankStay": lambda: BankStay.objects.create(
        bank=f.BankFactory(), unit=f.UnitFactory(), started_at=ago(9)
    ),
    "fleet.BatteryBlock": f.BlockFactory,
    "fleet.BlockStay": lambda: BlockStay.objects.create(
        block=f.BlockFactory(), bank=f.BankFactory(), position="1", started_at=ago(9)
    ),
    "fleet.SupplyState": f.SupplyStateFactory,
    "fleet.UnitForm": unit_form,
    "fleet.BankTransport": lambda: BankTransport.objects.create(bank=f.BankFactory()),
    "fleet.TransportTerms": lambda: TransportTerms.objects.create(valid_from=day()),
    "fleet.RuleEdition": lambda: RuleEdition.objects.create(
        name="next edition", editions_csv="mode", fingerprint=code(), loaded_by=f.UserFactory()
    ),
    "inventory.Item": i.ItemFactory,
    "inventory.ItemGoods": lambda: ItemGoods.objects.create(item=i.ItemFactory(), kind="none"),
    "inventory.GoodsLine": goods_line,
    "inventory.GoodsCheck": goods_check,
    "inventory.GoodsListCheck": lambda: GoodsListCheck.objects.create(
        unit=f.UnitFactory(), keys=["bank:B-1"], happened_at=ago(2)
    ),
    "inventory.DesignItem": design_item,
    "inventory.SharedEquipment": lambda: SharedEquipment.objects.create(
        place=f.PlaceFactory(), name="sling", count=1, valid_from=TODAY
    ),
    "inventory.DesignEquipment": lambda: DesignEquipment.objects.create(
        design=f.DesignFactory(), name="sling"
    ),
    "inventory.Lot": lambda: i.LotFactory(serial=code()),
    "inventory.Balance": lambda: Balance.objects.create(lot=i.LotFactory(), place=f.PlaceFactory(), qty=1),
    "inventory.FittedPart": fitted_part,
    "inventory.Movement": movement,
    "inventory.PartDebt": debt,
    "inventory.FundingSource": lambda: FundingSource.objects.create(code=code(), name="Fund"),
    "inventory.Supplier": lambda: Supplier.objects.create(code=code(), name="Supplier"),
    "inventory.SupplyOffer": supply_offer,
    "inventory.LifeExtension": life_extension,
    "inventory.ApprovalLimit": lambda: ApprovalLimit.objects.create(currency=code()[-3:], amount=100),
    "inventory.Order": order,
    "inventory.OrderLine": order_line,
    "inventory.Receipt": receipt,
    "inventory.StockPolicy": lambda: StockPolicy.objects.create(
        item=i.ItemFactory(), place=f.PlaceFactory(), reorder_point=1, order_up_to=2, valid_from=TODAY
    ),
    "readiness.Call": call,
    "readiness.Plan": lambda: Plan.objects.create(code=code()),
    "readiness.PlanLine": plan_line,
    "readiness.ChargerBay": lambda: r.ChargerBayFactory(valid_from=day()),
    "readiness.BayTerms": lambda: r.BayTermsFactory(valid_from=day()),
    "readiness.CrewHours": lambda: CrewHours.objects.create(
        place=f.PlaceFactory(), valid_from=TODAY, weekday=0, opens=dt.time(8), closes=dt.time(17)
    ),
    "readiness.CrewDay": lambda: CrewDay.objects.create(
        place=f.PlaceFactory(), day=TODAY, opens=dt.time(8), closes=dt.time(12), reason="half a day"
    ),
    "readiness.SupplyHours": r.SupplyHoursFactory,
    "readiness.StoragePolicy": lambda: r.StoragePolicyFactory(valid_from=day()),
    "readiness.BayPlan": lambda: BayPlan.objects.create(place=f.PlaceFactory()),
    "readiness.BayPlanLine": r.BayPlanLineFactory,
    "readiness.BayCalendar": lambda: BayCalendar.objects.create(place=f.PlaceFactory(), hash=code()),
    "readiness.Release": lambda: Release.objects.create(
        unit=f.UnitFactory(), check_key="x", reason="needed", signed_by=f.UserFactory(), good_through=TODAY
    ),
    "readiness.Sweep": sweep,
    "readiness.SetAside": lambda: SetAside.objects.create(
        unit=f.UnitFactory(), sweep=sweep(), reason="broken"
    ),
    "readiness.Verdict": r.VerdictFactory,
    "readiness.BankState": lambda: BankState.objects.create(bank=f.BankFactory(), as_of=TODAY, status="ok"),
    "readiness.Alert": r.AlertFactory,
    "readiness.ChemistryLearning": lambda: ChemistryLearning.objects.create(chemistry=code(), as_of=TODAY),
    "readiness.BankCharger": lambda: BankCharger.objects.create(bank=f.BankFactory()),
    "readiness.ChargingRoom": lambda: ChargingRoom.objects.create(place=f.PlaceFactory()),
    "readiness.BankLogger": lambda: BankLogger.objects.create(bank=f.BankFactory()),
    "readiness.LoggerKey": lambda: LoggerKey.objects.create(
        token=ApiToken.objects.create(user=f.UserFactory(), name="logger", hash=code())
    ),
    "readiness.SamplePost": sample_post,
    "readiness.Sample": lambda: Sample.objects.create(
        bank=f.BankFactory(), at=ago(next(number)), temp_c=12.5, post=sample_post()
    ),
    "readiness.SampleDay": lambda: SampleDay.objects.create(
        bank=f.BankFactory(), day=day(), samples=24, last_at=ago(1)
    ),
    "readiness.Reading": r.ReadingFactory,
    "readiness.Charge": r.ChargeFactory,
    "readiness.BankTest": r.BankTestFactory,
    "readiness.InspectionType": r.InspectionTypeFactory,
    "readiness.Inspection": r.InspectionFactory,
    "readiness.Fault": r.FaultFactory,
    "readiness.Task": r.TaskFactory,
}

# Rows on which a unique constraint bites that the plain row does not meet, or meets together with another one.
MAKERS_FOR: dict[str, Maker] = {
    "depot_terms_one_per_start": lambda: terms(valid_to=TODAY),
    "temp_log_unit_day": lambda: TemperatureLog.objects.create(
        place=f.PlaceFactory(), unit=f.UnitFactory(), day=TODAY, mean_c=4
    ),
    "membership_all_depots_once": lambda: f.MembershipFactory(user=f.UserFactory()),
    "balance_lot_unit": lambda: Balance.objects.create(lot=i.LotFactory(), unit=f.UnitFactory(), qty=1),
    "unit_form_once": lambda: unit_form(valid_to=TODAY),
    "design_position_once": lambda: design_item(position=code()),
    "unit_reserved_once": lambda: plan_line(reserved=True),
    "charger_bay_once": lambda: r.ChargerBayFactory(valid_to=TODAY),
    "bay_terms_once": lambda: r.BayTermsFactory(valid_to=TODAY),
    "storage_policy_once": lambda: r.StoragePolicyFactory(valid_to=TODAY),
    "bay_plan_one_published": lambda: BayPlan.objects.create(
        place=f.PlaceFactory(), state="published", published_at=ago(hours=1)
    ),
    "charge_one_open": lambda: r.OpenChargeFactory(happened_at=ago(hours=next(number))),
}


def model_named(label: str) -> type[models.Model]:
    return apps.get_model(label)
