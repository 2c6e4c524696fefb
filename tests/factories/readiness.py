"""Coherent records of upkeep, dated backwards from the stated day."""

import datetime as dt

import factory
from factory.django import DjangoModelFactory

from readiness.models import (
    Alert,
    BankTest,
    BayPlan,
    BayPlanLine,
    BayTerms,
    Charge,
    ChargerBay,
    Fault,
    Inspection,
    InspectionType,
    Reading,
    StoragePolicy,
    SupplyHours,
    Task,
    Verdict,
)
from tests.factories.fleet import FIRST_DAY, TODAY, BankFactory, PlaceFactory, UnitFactory, UserFactory, ago


class ReadingFactory(DjangoModelFactory):
    """A rested voltage of a 24 V gel bank, nearly full."""

    class Meta:
        model = Reading

    bank = factory.SubFactory(BankFactory)
    kind = Reading.Kind.VOLTAGE
    volts_v = 25.6
    temp_c = 15.0
    rest_h = 48.0
    happened_at = factory.LazyFunction(lambda: ago(10))
    recorded_at = factory.SelfAttribute("happened_at")


class ChargeFactory(DjangoModelFactory):
    """A completed maintenance charge."""

    class Meta:
        model = Charge

    bank = factory.SubFactory(BankFactory)
    happened_at = factory.LazyFunction(lambda: ago(days=30))
    ended_at = factory.LazyAttribute(lambda charge: charge.happened_at + dt.timedelta(hours=14))
    end_sign = Charge.EndSign.CURRENT_STEADY
    recorded_at = factory.SelfAttribute("ended_at")


class OpenChargeFactory(ChargeFactory):
    happened_at = factory.LazyFunction(lambda: ago(hours=6))
    ended_at = None
    end_sign = Charge.EndSign.NONE
    planned_end_at = factory.LazyFunction(lambda: ago(hours=-8))
    recorded_at = factory.SelfAttribute("happened_at")


class BankTestFactory(DjangoModelFactory):
    class Meta:
        model = BankTest

    bank = factory.SubFactory(BankFactory)
    kind = BankTest.Kind.CAPACITY
    capacity_ah = 190.0
    happened_at = factory.LazyFunction(lambda: ago(200))


class InspectionTypeFactory(DjangoModelFactory):
    class Meta:
        model = InspectionType

    code = factory.Sequence(lambda n: f"insp_{n}")
    name = factory.Sequence(lambda n: f"Inspection {n}")
    interval_days = 180
    work_h = 0.5
    active_from = FIRST_DAY


class InspectionFactory(DjangoModelFactory):
    class Meta:
        model = Inspection

    unit = factory.SubFactory(UnitFactory)
    type = factory.SubFactory(InspectionTypeFactory)
    passed = True
    happened_at = factory.LazyFunction(lambda: ago(20))


class FaultFactory(DjangoModelFactory):
    class Meta:
        model = Fault

    unit = factory.SubFactory(UnitFactory)
    description = "Pump seal drips"
    severity = Fault.Severity.DEGRADES
    mend_h = 2.0
    happened_at = factory.LazyFunction(lambda: ago(3))


class TaskFactory(DjangoModelFactory):
    class Meta:
        model = Task

    unit = factory.SubFactory(UnitFactory)
    title = "Fetch the spare hose"
    created_by = factory.SubFactory(UserFactory)


class VerdictFactory(DjangoModelFactory):
    class Meta:
        model = Verdict

    unit = factory.SubFactory(UnitFactory)
    from_day = factory.LazyFunction(lambda: TODAY)
    last_confirmed_day = factory.SelfAttribute("from_day")
    outcome = "ready"
    digest = "0" * 32


class AlertFactory(DjangoModelFactory):
    class Meta:
        model = Alert

    rule = "charge_due"
    unit = factory.SubFactory(UnitFactory)
    about_unit = factory.SelfAttribute("unit")
    depot = factory.SelfAttribute("unit.home")
    subject_key = factory.LazyAttribute(lambda alert: f"unit:{alert.unit.pk}")
    raised_at = factory.LazyFunction(lambda: ago(2))


class ChargerBayFactory(DjangoModelFactory):
    class Meta:
        model = ChargerBay

    place = factory.SubFactory(PlaceFactory)
    name = factory.Sequence(lambda n: f"B{n}")
    max_a = 60.0
    max_v = 60.0
    max_kw = 3.5
    profiles = factory.LazyFunction(lambda: ["vrla_gel", "vrla_agm", "lfp"])
    valid_from = FIRST_DAY


class BayTermsFactory(DjangoModelFactory):
    class Meta:
        model = BayTerms

    place = factory.SubFactory(PlaceFactory)
    valid_from = FIRST_DAY
    base_kw = 1.0
    handlings_per_hour = 4.0
    least_h = 1.0
    horizon_days = 14


class SupplyHoursFactory(DjangoModelFactory):
    class Meta:
        model = SupplyHours

    place = factory.SubFactory(PlaceFactory)
    valid_from = FIRST_DAY
    starts = dt.time(6)
    ends = dt.time(9)
    limit_kw = 5.0


class StoragePolicyFactory(DjangoModelFactory):
    class Meta:
        model = StoragePolicy

    place = factory.SubFactory(PlaceFactory)
    chemistry = "lfp"
    store_soc = 0.5
    valid_from = FIRST_DAY
    reason = "to last"


class BayPlanFactory(DjangoModelFactory):
    class Meta:
        model = BayPlan

    place = factory.SubFactory(PlaceFactory)


class BayPlanLineFactory(DjangoModelFactory):
    class Meta:
        model = BayPlanLine

    plan = factory.SubFactory(BayPlanFactory)
    bank = factory.SubFactory(BankFactory)
    bay = factory.SubFactory(ChargerBayFactory)
    starts_at = factory.LazyFunction(lambda: ago(hours=8))
    ends_at = factory.LazyFunction(lambda: ago(hours=2))
    off_at = factory.LazyFunction(lambda: ago(hours=1))
    kw = 2.0
