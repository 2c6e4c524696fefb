"""Coherent pieces of a fleet: a unit stands in its home depot from its first day, its bank sits in it from then on.

Everything is dated backwards from `TODAY`, which a test may state; nothing reads the clock.
"""

import datetime as dt
import os

import factory
from factory.django import DjangoModelFactory

from fleet.models import (
    Attachment,
    BankStay,
    BatteryBank,
    BatteryBlock,
    BlockStay,
    Certificate,
    CertificateRule,
    ClimateNormal,
    Deployment,
    DepotTerms,
    Design,
    Membership,
    Modification,
    PackedForm,
    Place,
    SupplyState,
    Unit,
    UnitStay,
    User,
    Weighing,
    WetState,
)
from fleet.models.banks import Chemistry

TODAY = dt.date.fromisoformat(os.environ.get("MUSTERWELL_TEST_TODAY") or "2026-11-25")
NOW = dt.datetime.combine(TODAY, dt.time(12), tzinfo=dt.UTC)
FIRST_DAY = TODAY - dt.timedelta(days=730)
FIRST_MOMENT = dt.datetime.combine(FIRST_DAY, dt.time(0), tzinfo=dt.UTC)
MEANS_C = (3, 4, 7, 10, 14, 17, 19, 19, 16, 12, 7, 4)


def ago(days: float = 0, hours: float = 0) -> dt.datetime:
    """So long before noon of the stated day."""
    return NOW - dt.timedelta(days=days, hours=hours)


class UserFactory(DjangoModelFactory):
    class Meta:
        model = User
        django_get_or_create = ("username",)

    username = factory.Sequence(lambda n: f"person{n}")
    first_name = "Sam"
    last_name = factory.Sequence(lambda n: f"Person {n}")


class PlaceFactory(DjangoModelFactory):
    class Meta:
        model = Place

    code = factory.Sequence(lambda n: f"P{n:03d}")
    name = factory.Sequence(lambda n: f"Place {n}")
    kind = Place.Kind.SITE
    time_zone = "UTC"


class DepotFactory(PlaceFactory):
    """A depot with terms in force and a mild climate."""

    class Meta:
        skip_postgeneration_save = True

    code = factory.Sequence(lambda n: f"DEP{n:02d}")
    name = factory.Sequence(lambda n: f"Depot {n}")
    kind = Place.Kind.DEPOT
    lat_deg = 52.0
    lon_deg = 5.0

    @factory.post_generation
    def terms(obj, create, extracted, **kwargs):
        if create and extracted is not False:
            DepotTermsFactory(place=obj, **kwargs)

    @factory.post_generation
    def climate(obj, create, extracted, **kwargs):
        if create and extracted is not False:
            ClimateNormal.objects.bulk_create(
                ClimateNormal(
                    place=obj, month=month, mean_c=mean, record_low_c=mean - 18, record_high_c=mean + 16
                )
                for month, mean in enumerate(MEANS_C, start=1)
            )


class DepotTermsFactory(DjangoModelFactory):
    class Meta:
        model = DepotTerms

    place = factory.SubFactory(DepotFactory, terms=False)
    valid_from = FIRST_DAY
    notice_h = 24.0
    mission_days = 30
    reading_max_age_days = 90
    crew_count = 3
    charger_bays = 4
    supply_limit_kw = 11.0


class DesignFactory(DjangoModelFactory):
    class Meta:
        model = Design

    code = factory.Sequence(lambda n: f"D{n:02d}")
    name = factory.Sequence(lambda n: f"Design {n}")
    water_m3_day = 40.0
    enclosure_heat_c = 2.0
    enclosure_swing_c = 3.0


class PackedFormFactory(DjangoModelFactory):
    class Meta:
        model = PackedForm

    design = factory.SubFactory(DesignFactory)
    code = factory.Sequence(lambda n: f"skid{n}")
    kind = PackedForm.Kind.SKID
    length_mm = 3000.0
    width_mm = 2000.0
    height_mm = 2200.0
    mass_kg = 1800.0


class CertificateRuleFactory(DjangoModelFactory):
    class Meta:
        model = CertificateRule

    design = factory.SubFactory(DesignFactory)
    kind = "lifting_exam"
    valid_from = FIRST_DAY


class UnitFactory(DjangoModelFactory):
    """Stands at home since its first day. `stay=False` leaves it nowhere."""

    class Meta:
        model = Unit
        skip_postgeneration_save = True

    tag = factory.Sequence(lambda n: f"MW-{n:03d}")
    design = factory.SubFactory(DesignFactory)
    home = factory.SubFactory(DepotFactory)
    commissioned_on = FIRST_DAY

    @factory.post_generation
    def stay(obj, create, extracted, **kwargs):
        if create and extracted is not False:
            UnitStay.objects.create(unit=obj, place=obj.home, started_at=FIRST_MOMENT)


class BankFactory(DjangoModelFactory):
    """A 24 V gel bank. `unit=` puts it into that unit, `place=` on that shelf, since their first day."""

    class Meta:
        model = BatteryBank

    serial = factory.Sequence(lambda n: f"BK-{n:04d}")
    chemistry = Chemistry.VRLA_GEL
    capacity_ah = 200.0
    cells_in_series = 12
    made_on = FIRST_DAY
    standby_ma = 5.0
    charger_a = 30.0

    @classmethod
    def _create(cls, model_class, *args, unit=None, place=None, position="main", **kwargs):
        bank = super()._create(model_class, *args, **kwargs)
        if unit is not None or place is not None:
            BankStay.objects.create(
                bank=bank, unit=unit, place=place, position=position, started_at=FIRST_MOMENT
            )
        return bank


class BlockFactory(DjangoModelFactory):
    """A block of gel. `bank=` puts it into that bank since its first day."""

    class Meta:
        model = BatteryBlock

    serial = factory.Sequence(lambda n: f"BL-{n:05d}")
    chemistry = Chemistry.VRLA_GEL

    @classmethod
    def _create(cls, model_class, *args, bank=None, place=None, position="", **kwargs):
        block = super()._create(model_class, *args, **kwargs)
        if bank is not None or place is not None:
            BlockStay.objects.create(
                block=block, bank=bank, place=place, position=position, started_at=FIRST_MOMENT
            )
        return block


class SupplyStateFactory(DjangoModelFactory):
    class Meta:
        model = SupplyState

    bank = factory.SubFactory(BankFactory)
    kind = SupplyState.Kind.ISOLATED
    happened_at = FIRST_MOMENT


class CertificateFactory(DjangoModelFactory):
    class Meta:
        model = Certificate

    unit = factory.SubFactory(UnitFactory)
    kind = "lifting_exam"
    number = factory.Sequence(lambda n: f"C-{n}")
    issued_on = factory.LazyFunction(lambda: TODAY - dt.timedelta(days=60))
    expires_on = factory.LazyFunction(lambda: TODAY + dt.timedelta(days=120))
    happened_at = factory.LazyFunction(lambda: ago(60))


class WetStateFactory(DjangoModelFactory):
    class Meta:
        model = WetState

    unit = factory.SubFactory(UnitFactory)
    kind = WetState.Kind.DRY
    happened_at = factory.LazyFunction(lambda: ago(60))


class ModificationFactory(DjangoModelFactory):
    class Meta:
        model = Modification

    unit = factory.SubFactory(UnitFactory)
    kind = Modification.Kind.REPAIR
    description = "Frame welded"
    touches = ["lifting"]
    happened_at = factory.LazyFunction(lambda: ago(5))


class WeighingFactory(DjangoModelFactory):
    class Meta:
        model = Weighing

    unit = factory.SubFactory(UnitFactory)
    packed_form = factory.LazyAttribute(lambda weighing: PackedFormFactory(design=weighing.unit.design))
    mass_kg = 1815.0
    happened_at = factory.LazyFunction(lambda: ago(40))


class DeploymentFactory(DjangoModelFactory):
    class Meta:
        model = Deployment

    code = factory.Sequence(lambda n: f"DPL-{n:03d}")
    unit = factory.SubFactory(UnitFactory)
    site = factory.SubFactory(PlaceFactory)
    started_on = factory.LazyFunction(lambda: TODAY - dt.timedelta(days=20))


class MembershipFactory(DjangoModelFactory):
    class Meta:
        model = Membership

    user = factory.SubFactory(UserFactory)
    role = "viewer"
    depot = None


class AttachmentFactory(DjangoModelFactory):
    class Meta:
        model = Attachment

    file = factory.django.FileField(filename="report.pdf", data=b"%PDF-1.4 a report")
    sha256 = factory.Sequence(lambda n: f"{n:064x}")
    name = "report.pdf"
    content_type = "application/pdf"
    size_bytes = 17
