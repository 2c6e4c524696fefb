"""Questions to a whole fleet: read in columns, they give for every unit, form and conveyance what the unit alone gives."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.domain.dangerous_goods.unit import judge_unit
from fleet.domain.dangerous_goods.words import Verdict
from fleet.domain.fit.answers import answer_forklift
from fleet.domain.fit.checks import Verdicts
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.trip import Trip
from fleet.domain.transport.answers import ALWAYS_ASKED, MODES, Carried, class_of_fleet
from fleet.domain.transport.columns import columns_of
from fleet.domain.transport.fork import FORK_TRUCK, fork_answers
from fleet.domain.transport.measures import load_of
from fleet.models import BankTransport, DepotTerms, Design, PackedForm, SupplyState, Unit, UnitForm
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck, Item, ItemGoods
from readiness.models import BankState, Reading
from readiness.selectors.transport import TransportFleet, load_fleet, load_transport
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    CertificateFactory,
    CertificateRuleFactory,
    DesignFactory,
    ModificationFactory,
    PackedFormFactory,
    UnitFactory,
    WeighingFactory,
    WetStateFactory,
    ago,
)
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

TRIP = Trip(asked=ALWAYS_ASKED, alt_m=900.0, elevation_m=900.0, isa_dev_c=10.0, sling_leg_mm=5000.0)


class Chance:
    """Facts that may be there or not, the same for the same seed."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)

    def __call__(self, share: float = 0.7) -> bool:
        return self.rng.random() < share

    def of(self, *values: Any) -> Any:
        return self.rng.choice(values)

    def between(self, low: float, high: float) -> float:
        return round(self.rng.uniform(low, high), 3)


def random_fleet(seed: int, count: int) -> None:
    chance = Chance(seed)
    items = [
        ItemFactory(base_unit=unit, mass_kg=kg)
        for unit, kg in (("each", 2.5), ("each", None), ("kg", None), ("l", 1.2))
    ]
    kinds = (
        ("goods", {"un": "2880", "pg": "II"}),
        ("none", {}),
        ("lamp", {"hg_g_each": 0.02, "hg_g_package": 0.08}),
    )
    for item, (kind, facts) in zip(items, kinds, strict=False):
        ItemGoods.objects.create(item=item, kind=kind, attributes=facts, removable=chance())
    designs = [random_design(chance, items) for _n in range(3)]
    for _n in range(count):
        random_unit(chance, chance.of(*designs), items)


def random_design(chance: Chance, items: list[Item]) -> Design:
    design = DesignFactory(trapped_water_kg=chance.of(None, 45.0))
    for code in chance.of(("a",), ("a", "b"), ()):
        PackedFormFactory(
            design=design,
            code=code,
            length_mm=chance.between(1500, 6500),
            width_mm=chance.between(1200, 2600),
            height_mm=chance.of(None, chance.between(1200, 2600)),
            mass_kg=chance.of(None, chance.between(400, 4000)),
            cog_x_mm=chance.of(None, 800.0),
            cog_y_mm=600.0,
            cog_z_mm=500.0,
            lifting_points=4,
            lifting_points_kg=2500.0,
            point_front_mm=100.0,
            point_left_mm=100.0,
            point_length_mm=1300.0,
            point_width_mm=1000.0,
            point_height_mm=chance.of(None, 1100.0),
            may_turn=chance.of(None, True, False),
            load_centre_mm=chance.of(None, 600.0, 900.0),
            fork_pocket_width_mm=chance.of(None, 170.0, 210.0),
            fork_pocket_spacing_mm=chance.of(None, 700.0, 1400.0),
            braked=chance.of(None, True, False),
            tongue_load_kg=chance.of(None, 90.0),
        )
    for item in items:
        if chance(0.6):
            DesignItemFactory(
                design=design,
                item=item,
                purpose="kit",
                qty=chance.of(1, 7),
                per_days=chance.of(None, 10),
                position="",
            )
    for kind, gate in (("lifting_exam", "lift"), ("electrical", "road"), ("container_plate", "sea")):
        if chance(0.5):
            CertificateRuleFactory(design=design, kind=kind, gate=gate)
    return design


def random_unit(chance: Chance, design: Design, items: list[Item]) -> None:
    unit = UnitFactory(design=design)
    terms = DepotTerms.objects.filter(place=unit.home)
    if chance():
        terms.update(mission_days=chance.of(14, 30, 90))
    else:
        terms.delete()
    if chance():
        WetStateFactory(unit=unit, kind=chance.of("dry", "wet"))
    for item in items:
        if chance(0.4):
            aboard(unit, chance.of(1, 3, 12), item=item)
    for form in PackedForm.objects.filter(design=design):
        if chance(0.5):
            WeighingFactory(
                unit=unit,
                packed_form=form,
                mass_kg=chance.between(400, 4000),
                kit_aboard=chance.of(None, True, False),
                water_inside=chance.of(None, True),
                fuel_l=chance.of(None, 5.0),
                happened_at=ago(chance.of(10, 50)),
            )
        if chance(0.4):
            UnitForm.objects.create(
                unit=unit,
                packed_form=form,
                mass_kg=chance.of(None, chance.between(400, 4000)),
                height_mm=chance.of(None, -5.0, chance.between(1200, 2600)),
                reason="measured",
                valid_from=TODAY - dt.timedelta(days=30),
            )
    for _n in range(chance.of(0, 1, 2)):
        ModificationFactory(
            unit=unit,
            touches=chance.of(["mass"], ["lifting"], []),
            mass_change_kg=chance.of(None, -90.0, 35.0),
            happened_at=ago(chance.of(5, 30, 70)),
        )
    for kind in ("lifting_exam", "proof_load", "electrical", "battery_summary", "non_spillable"):
        if chance(0.6):
            CertificateFactory(
                unit=unit, kind=kind, expires_on=TODAY + dt.timedelta(days=chance.of(-5, 20, 400))
            )
    for position in chance.of((), ("main",), ("main", "spare")):
        random_bank(chance, unit, position)
    random_lines(chance, unit)


def random_bank(chance: Chance, unit: Unit, position: str) -> None:
    bank = BankFactory(
        unit=unit, position=position, chemistry=chance.of("lfp", "vrla_gel", "flooded_ca", "nimh")
    )
    if chance():
        BankTransport.objects.create(
            bank=bank,
            config=chance.of("", "installed", "alone"),
            host=chance.of("", "equipment", "ctu_external"),
            un383=chance.of("", "pass", "fail"),
            net_mass_kg=chance.of(None, 22.0, 60.0),
            vib_pressure_ok=chance.of(None, True, False),
            no_free_liquid_55c=chance.of(None, True, False),
            marked_nonspillable=chance.of(None, True),
            discharge_allowed=chance.of(None, True),
        )
    for kind, answers in (
        ("condition", ("ok", "ok", "damaged")),
        ("terminals", ("yes", "yes", "no")),
        ("upright", ("yes", "no")),
    ):
        if chance(0.8):
            GoodsCheck.objects.create(
                unit=unit,
                bank=bank,
                kind=kind,
                answer=chance.of(*answers),
                happened_at=ago(chance.of(2, 29, 60)),
            )
    if chance():
        BankState.objects.create(
            bank=bank, as_of=TODAY, status="known", soc=0.4, low_soc=0.3, high_soc=chance.of(0.25, 0.9)
        )
    if chance(0.5):
        Reading.objects.create(
            bank=bank, kind="meter", meter_soc=0.28, happened_at=ago(hours=chance.of(3, 20, 40))
        )
    if chance(0.3):
        SupplyState.objects.create(bank=bank, kind=chance.of("float", "isolated"), happened_at=ago(hours=10))


def random_lines(chance: Chance, unit: Unit) -> None:
    keys = []
    if chance(0.5):
        line = GoodsLine.objects.create(
            unit=unit,
            label="pump engine",
            kind="engine",
            attributes={"fuel": "diesel"},
            mass_kg=chance.of(None, 60.0),
            happened_at=ago(chance.of(3, 80)),
        )
        keys.append(f"line:{line.pk}")
        if chance():
            GoodsCheck.objects.create(
                unit=unit,
                line=line,
                kind="tank",
                answer=chance.of("drained", "in_tank"),
                fill_pct=20.0,
                fuel_l=chance.of(None, 9.0),
                happened_at=ago(chance.of(3, 20)),
            )
    if chance():
        gone = chance.of([], [], ["line:0"])
        GoodsListCheck.objects.create(unit=unit, keys=[*keys, *gone], happened_at=ago(chance.of(3, 190)))


def fleet_now(**asked: Any) -> TransportFleet:
    ids = Unit.objects.values_list("pk", flat=True)
    return load_fleet(ids, ship_date=TODAY, now=NOW, **asked)


@pytest.mark.parametrize("seed", range(4))
def test_the_fleet_answers_as_each_of_its_units_does(seed: int) -> None:
    random_fleet(seed, 12)
    fleet = fleet_now()
    together = fleet.answer(TRIP, TODAY)
    for n, (tag, record) in enumerate(zip(together.tags, fleet.records, strict=True)):
        (alone,) = load_transport([Unit.objects.get(tag=tag)], ship_date=TODAY, now=NOW)
        assert record == alone
        single = class_of_fleet([alone], TRIP, TODAY)
        for column, mode in enumerate(MODES):
            judged = judge_unit(alone.items, mode, TODAY, list_confirmed=alone.goods_list.confirmed)
            assert Verdict(int(together.law[n, column])) is judged.verdict
        for form in range(len(alone.forms)):
            row = together.row(n, form)
            assert together.carried[row].tolist() == single.carried[form].tolist()
            for key in together.fit.keys:
                assert together.fit.answer(row, key) == single.fit.answer(form, key)


def test_a_fork_truck_is_answered_for_all_as_for_each() -> None:
    random_fleet(31, 14)
    fleet = fleet_now()
    forks = (180.0, 1600.0, 250.0, 1100.0)
    verdicts = []
    for truck in (ForkTruck(900.0, 500.0), ForkTruck(9000.0, 500.0), ForkTruck(9000.0, 500.0, *forks)):
        with CaptureQueriesContext(connection) as seen:
            together = fleet.lifted_by(truck)
        assert len(seen) == 0
        for n, record in enumerate(fleet.records):
            for form, packed in enumerate(record.forms):
                found = together.fit.answer(together.row(n, form), FORK_TRUCK)
                assert [found] == fork_answers([packed], truck)
                measures = load_of(packed.measures, packed.mass.total_kg, proof_in_date=None)
                plain = answer_forklift(measures, truck, ask_pockets=truck.blade_width_mm is not None).answer
                assert replace(found, conveyance=plain.conveyance) == plain
                word = {"fits": Carried.YES, "refused": Carried.NO}.get(found.verdict, Carried.CANNOT_DECIDE)
                assert int(together.carried[together.row(n, form), 0]) == word
                verdicts.append(found.verdict)
    assert set(verdicts) == {"fits", "refused", "cannot_decide"}


@pytest.mark.parametrize("seed", [11, 12])
def test_the_columns_read_from_the_database_say_what_the_records_say(seed: int) -> None:
    random_fleet(seed, 10)
    fleet = fleet_now(mission_days=30)
    of_records = class_of_fleet(list(fleet.records), TRIP, TODAY)
    together = fleet.answer(TRIP, TODAY)
    assert together.form_of == of_records.form_of
    for name in ("law", "papers", "carried"):
        assert np.array_equal(getattr(together, name), getattr(of_records, name)), name
    for field in fields(Verdicts):
        found = [getattr(answer.fit.verdicts, field.name) for answer in (together, of_records)]
        assert np.array_equal(*found, equal_nan=field.name in ("margin", "margin_mm", "margin_kg")), (
            field.name
        )
    again = columns_of(list(fleet.records))
    assert [again.items[k] for k in again.line_item] == [
        fleet.columns.items[k] for k in fleet.columns.line_item
    ]


def test_neither_the_queries_nor_the_words_grow_with_the_fleet() -> None:
    def asked(seed: int) -> int:
        random_fleet(seed, 6)
        with CaptureQueriesContext(connection) as seen:
            fleet = fleet_now()
        with CaptureQueriesContext(connection) as after:
            found = fleet.answer(TRIP, TODAY)
            assert found.units[-1].tag == found.tags[-1]
        assert len(after) == 0, "answers and records come out of what was read"
        return len(seen)

    assert asked(21) == asked(22)


def test_goods_that_are_alike_are_judged_once() -> None:
    unit = UnitFactory()
    item = ItemFactory()
    for one in (unit, *(UnitFactory(design=unit.design) for _n in range(5))):
        aboard(one, 2, item=item)
    columns = fleet_now().columns
    assert (columns.size, len(columns.line_unit), len(columns.items)) == (6, 6, 1)


def test_a_kit_by_days_has_no_known_mass_while_nobody_says_how_long_the_mission_is() -> None:
    unit = UnitFactory()
    PackedFormFactory(design=unit.design, mass_kg=1000.0)
    WetStateFactory(unit=unit)
    DesignItemFactory(
        design=unit.design, item=ItemFactory(mass_kg=2.0), purpose="kit", qty=3, per_days=10, position=""
    )
    DepotTerms.objects.all().delete()
    assert fleet_now().records[0].forms[0].mass.total_kg is None
    assert fleet_now(mission_days=25).records[0].forms[0].mass.total_kg == pytest.approx(1000.0 + 3 * 3 * 2.0)


def test_a_mass_that_cannot_be_is_not_known_and_stops_nobody() -> None:
    unit = UnitFactory()
    PackedFormFactory(design=unit.design, mass_kg=100.0)
    ModificationFactory(unit=unit, touches=["mass"], mass_change_kg=-300.0, happened_at=ago(2))
    other = UnitFactory(design=unit.design)
    for one in (unit, other):
        WetStateFactory(unit=one)
    fleet = fleet_now()
    found = fleet.answer(TRIP, TODAY)
    fits = {tag: found.fit.answer(found.row(n, 0), "flat_18_eu").reason for n, tag in enumerate(found.tags)}
    assert fits[unit.tag] == "missing_mass_kg"
    assert fits[other.tag] != "missing_mass_kg"
