"""Law, papers and fit together: the fleet's answer is the single one, the worst decides, less known never permits more."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.domain.dangerous_goods.records import Battery, Goods, Lamp
from fleet.domain.dangerous_goods.unit import UnitItem, judge_unit
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.domain.fit.answers import answer_one
from fleet.domain.fit.mass import MassLine, PackedMass, packed_mass
from fleet.domain.fit.trip import OF_THE_FORM, Topic, Trip
from fleet.domain.transport.answers import MODES, Carried, class_of_fleet, law_of_fleet, mode_of_conveyance
from fleet.domain.transport.measures import Measures, hang_of, load_of
from fleet.domain.transport.records import (
    FormRecord,
    Gate,
    ListWord,
    Paper,
    PaperState,
    UnitRecord,
    paper_state,
)

SHIP = dt.date(2026, 6, 30)
TRIP = Trip(asked=OF_THE_FORM | {Topic.PROOF, Topic.HOVER}, alt_m=1900.0, isa_dev_c=10.0)
SKID = Measures(
    length_mm=2400.0,
    width_mm=1600.0,
    height_mm=1900.0,
    mass_kg=1480.0,
    cog_x_mm=1200.0,
    cog_y_mm=800.0,
    cog_z_mm=720.0,
    lifting_points=4.0,
    lifting_points_kg=1000.0,
    point_front_mm=200.0,
    point_left_mm=100.0,
    point_length_mm=2000.0,
    point_width_mm=1400.0,
    point_height_mm=1800.0,
    may_turn=True,
)
GEL = Battery(
    chemistry="lead_acid",
    wet_type="non_spillable",
    condition="ok",
    terminals_protected=True,
    config="installed",
    host="equipment",
    vib_pressure_ok=True,
    no_free_liquid_55c=True,
    marked_nonspillable=True,
)


def mass(kg: float | None) -> PackedMass:
    return packed_mass(MassLine("weighed", kg), ())


def unit(tag: str = "U-1", **changes: object) -> UnitRecord:
    form = FormRecord(1, "skid", "skid", "bare skid", SKID, mass(1600.0), SHIP)
    held = UnitRecord(
        1,
        tag,
        "design",
        "NOR",
        (UnitItem("bank", GEL),),
        ("bank:1",),
        ListWord(True),
        (),
        (form,),
        True,
    )
    return replace(held, **changes)  # type: ignore[arg-type]


def carried(record: UnitRecord, conveyance: str) -> Carried:
    found = class_of_fleet([record], TRIP, SHIP)
    return Carried(int(found.carried[0, found.fit.place(conveyance)]))


def test_a_unit_that_is_in_order_goes_under_a_hook_and_on_a_deck() -> None:
    assert carried(unit(), "mi17v5") == Carried.YES
    assert carried(unit(), "flat_18_eu") == Carried.YES


@pytest.mark.parametrize(
    ("change", "conveyance", "wanted"),
    [
        ({"goods_list": ListWord(False, "never")}, "flat_18_eu", Carried.CANNOT_DECIDE),
        ({"items": ()}, "flat_18_eu", Carried.CANNOT_DECIDE),
        ({"items": (UnitItem("thing", Goods()),)}, "flat_18_eu", Carried.CANNOT_DECIDE),
        ({"items": (UnitItem("bank", replace(GEL, terminals_protected=False)),)}, "flat_18_eu", Carried.NO),
        ({"proof_in_date": None}, "mi17v5", Carried.CANNOT_DECIDE),
        ({"proof_in_date": False}, "mi17v5", Carried.NO),
        ({"proof_in_date": False}, "flat_18_eu", Carried.YES),
        ({"papers": (Paper("lifting_exam", Gate.LIFT, PaperState.LAPSED, SHIP),)}, "mi17v5", Carried.NO),
        ({"papers": (Paper("lifting_exam", Gate.LIFT, PaperState.LAPSED, SHIP),)}, "flat_18_eu", Carried.YES),
        ({"papers": (Paper("electrical", Gate.ANY, PaperState.VOIDED, None),)}, "flat_18_eu", Carried.NO),
        (
            {"papers": (Paper("electrical", Gate.ANY, PaperState.NEVER, None),)},
            "c20hc_typ",
            Carried.CANNOT_DECIDE,
        ),
    ],
)
def test_the_worst_of_law_papers_and_fit_decides(
    change: dict[str, object], conveyance: str, wanted: Carried
) -> None:
    assert carried(unit(**change), conveyance) == wanted


def test_an_unknown_mass_is_never_a_fit() -> None:
    form = replace(unit().forms[0], mass=packed_mass(MassLine("weighed", 1600.0), [MassLine("tank", None)]))
    assert carried(unit(forms=(form,)), "flat_18_eu") == Carried.CANNOT_DECIDE


def test_which_rules_and_gates_a_conveyance_asks_for() -> None:
    assert mode_of_conveyance("mi17v5") == (Mode.AIR, (Gate.AIR, Gate.LIFT))
    assert mode_of_conveyance("hook") == (Mode.AIR, (Gate.AIR, Gate.LIFT))
    assert mode_of_conveyance("c20gp_typ") == (Mode.SEA, (Gate.SEA,))
    assert mode_of_conveyance("b763f+pmc") == (Mode.AIR, (Gate.AIR,))
    assert mode_of_conveyance("flat_18_eu") == (Mode.ROAD, (Gate.ROAD,))
    assert mode_of_conveyance("semi_flat_us48") == (Mode.ROAD_US, (Gate.ROAD,))


def test_a_paper_must_last_through_the_last_mission_day() -> None:
    inf = float("inf")
    assert paper_state(100.0, -inf, 50.0, 100.0) is PaperState.HOLDS
    assert paper_state(99.0, -inf, 50.0, 100.0) is PaperState.ENDS_EARLY
    assert paper_state(49.0, -inf, 50.0, 100.0) is PaperState.LAPSED
    assert paper_state(-inf, -inf, 50.0, 100.0) is PaperState.NEVER
    assert paper_state(40.0, 200.0, 50.0, 100.0) is PaperState.VOIDED
    assert paper_state(inf, -inf, 50.0, inf) is PaperState.HOLDS
    assert paper_state(1e6, -inf, 50.0, inf) is PaperState.ENDS_EARLY


def test_the_sling_geometry_is_that_of_the_flattest_leg() -> None:
    """Plane geometry: centre of gravity 300 mm off the middle of points 2000 × 1400 mm apart."""
    hang = hang_of(replace(SKID, cog_x_mm=1500.0))
    assert hang is not None
    assert hang.run_mm == pytest.approx((1300.0**2 + 700.0**2) ** 0.5)
    assert hang.half_width_mm == pytest.approx(700.0)
    assert hang.cg_above_mm == pytest.approx(720.0 - 1800.0)


def test_a_centre_of_gravity_outside_the_points_is_unstable() -> None:
    trip = Trip(asked=frozenset({Topic.SLING_STABILITY}), sling_leg_mm=4000.0)
    inside = load_of(SKID, 1600.0, proof_in_date=True)
    outside = load_of(replace(SKID, cog_y_mm=60.0), 1600.0, proof_in_date=True)
    assert answer_one(inside, "mi26t", trip).answer.fits
    assert answer_one(outside, "mi26t", trip).answer.reason == "sling_stability"


GOODS = st.sampled_from(
    [
        GEL,
        replace(GEL, terminals_protected=None),
        replace(GEL, condition="damaged"),
        Battery(
            chemistry="li_ion",
            condition="ok",
            terminals_protected=True,
            un383="pass",
            config="alone",
            wh=1280.0,
        ),
        Goods(un="1044", qty=6.0),
        Goods(un="2880", pg="II", qty=25.0),
        Goods(),
        Lamp(hg_g_each=0.02, hg_g_package=0.08),
    ]
)
LISTS = st.lists(GOODS, max_size=4)


@settings(max_examples=60, deadline=None)
@given(lists=st.lists(LISTS, min_size=1, max_size=5), confirmed=st.booleans())
def test_the_law_of_a_fleet_is_the_law_of_each_of_its_units(
    lists: list[list[object]], confirmed: bool
) -> None:
    units = [
        unit(
            items=tuple(UnitItem(str(n), item) for n, item in enumerate(found)),  # type: ignore[arg-type]
            goods_list=ListWord(confirmed),
        )
        for found in lists
    ]
    together = law_of_fleet(units, SHIP)
    for n, record in enumerate(units):
        for column, mode in enumerate(MODES):
            alone = judge_unit(record.items, mode, SHIP, list_confirmed=confirmed)
            assert Verdict(int(together[n, column])) == alone.verdict


@settings(max_examples=40, deadline=None)
@given(heavier=st.floats(0, 5000), first=LISTS, more=GOODS)
def test_more_mass_or_more_goods_never_turn_a_no_into_a_yes(
    heavier: float, first: list[object], more: object
) -> None:
    light = unit(items=tuple(UnitItem(str(n), item) for n, item in enumerate([GEL, *first])))  # type: ignore[arg-type]
    form = replace(light.forms[0], mass=mass(1600.0 + heavier))
    worse = replace(light, items=(*light.items, UnitItem("more", more)), forms=(form,))  # type: ignore[arg-type]
    better, after = class_of_fleet([light], TRIP, SHIP), class_of_fleet([worse], TRIP, SHIP)
    assert (after.carried >= better.carried).all()


@pytest.mark.parametrize("name", ["length_mm", "width_mm", "height_mm", "lifting_points"])
def test_a_measure_that_is_gone_never_permits_more(name: str) -> None:
    whole = unit()
    form = replace(whole.forms[0], measures=replace(SKID, **{name: None}))
    before, after = (
        class_of_fleet([whole], TRIP, SHIP),
        class_of_fleet([replace(whole, forms=(form,))], TRIP, SHIP),
    )
    may, may_after = before.carried <= Carried.APPROVAL, after.carried <= Carried.APPROVAL
    assert not (may_after & ~may).any()


def test_every_answer_of_the_fleet_is_the_answer_of_the_unit_alone() -> None:
    units = [unit(f"U-{n}", proof_in_date=(None, True, False)[n % 3]) for n in range(7)]
    units[3] = replace(units[3], items=(UnitItem("thing", Goods()),))
    units[5] = replace(
        units[5], forms=(*units[5].forms, replace(units[5].forms[0], code="b", mass=mass(9000.0)))
    )
    together = class_of_fleet(units, TRIP, SHIP)
    for n, record in enumerate(units):
        alone = class_of_fleet([record], TRIP, SHIP)
        for form in range(len(record.forms)):
            assert (together.carried[together.row(n, form)] == alone.carried[alone.row(0, form)]).all()
