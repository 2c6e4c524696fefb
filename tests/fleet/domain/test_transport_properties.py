"""What must hold of `carried` as a whole: more room never refuses, less known never permits, the order says nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.domain.dangerous_goods.columns import ANSWERS
from fleet.domain.dangerous_goods.records import WORDS, Battery, Item
from fleet.domain.dangerous_goods.unit import UnitItem, judge_unit
from fleet.domain.dangerous_goods.words import Verdict
from fleet.domain.fit.answers import Conveyances, answer_one, held_conveyances
from fleet.domain.fit.conveyances import ConveyanceTable
from fleet.domain.fit.helicopters import hook
from fleet.domain.fit.mass import MassLine, PackedMass, packed_mass
from fleet.domain.fit.trip import Clearance, Clearances, Trip
from fleet.domain.transport.answers import (
    _OF_LAW,
    ALWAYS_ASKED,
    MODES,
    Carried,
    class_of_fleet,
    mode_of_conveyance,
    papers_for,
)
from fleet.domain.transport.measures import Measures, load_of
from fleet.domain.transport.records import FormRecord, Gate, ListWord, Paper, PaperState, UnitRecord
from tests.fleet.domain.test_dangerous_goods_properties import BATTERIES, OTHERS
from tests.fleet.domain.test_transport_class import GEL, SHIP
from tests.fleet.domain.test_transport_class import unit as in_order

TRIP = Trip(asked=ALWAYS_ASKED, alt_m=900.0, elevation_m=900.0, isa_dev_c=10.0, sling_leg_mm=5000.0)
# Facts whose loss may turn 'cannot decide' or 'no' into better, each with the reason why that is not permissive.
HARMFUL_FACTS: dict[str, str] = {
    "measures.may_turn": "without it the form stands only as drawn: the worse way to stand, with its centre of gravity, is "
    "not an answer any more",
}


def known(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.one_of(st.floats(low, high), st.floats(low, high), st.floats(low, high), st.none())


MEASURES = st.builds(
    Measures,
    length_mm=known(1200, 6500),
    width_mm=known(900, 2600),
    height_mm=known(900, 2700),
    cog_x_mm=known(500, 3500),
    cog_y_mm=known(400, 1300),
    cog_z_mm=known(200, 1500),
    lifting_points=st.sampled_from([4.0, 4.0, 4.0, 0.0, None]),
    lifting_points_kg=known(100, 4000),
    point_front_mm=known(0, 400),
    point_left_mm=known(0, 300),
    point_length_mm=known(800, 5000),
    point_width_mm=known(600, 2000),
    point_height_mm=known(0, 2500),
    axle_count=st.sampled_from([1.0, 2.0, 3.0, None]),
    axle_load_kg=known(200, 12000),
    axle_spacing_mm=known(600, 1900),
    tongue_load_kg=known(10, 400),
    trailer_gvwr_kg=known(700, 3500),
    container_gross_kg=known(3000, 10160),
    braked=st.sampled_from([True, True, False, None]),
    may_turn=st.sampled_from([True, False, None]),
)
KINDS = st.sampled_from(["skid", "skid", "trailer", "container"])
GOOD: st.SearchStrategy[Item] = st.one_of(st.just(GEL), st.just(GEL), BATTERIES, OTHERS)
PAPERS = st.lists(
    st.builds(
        Paper,
        st.sampled_from(["lifting_exam", "electrical", "container_plate"]),
        st.sampled_from(list(Gate)),
        st.sampled_from([PaperState.HOLDS, PaperState.HOLDS, *PaperState]),
        st.none(),
    ),
    max_size=3,
)


def mass(kg: float | None) -> PackedMass:
    return packed_mass(MassLine("weighed", kg), ())


def form_of(measures: Measures, kg: float | None, kind: str = "skid") -> FormRecord:
    return FormRecord(1, "skid", kind, "skid", measures, mass(kg), None)


@st.composite
def units(draw: st.DrawFn) -> UnitRecord:
    goods = draw(st.lists(GOOD, min_size=1, max_size=3))
    forms = draw(st.lists(st.builds(form_of, MEASURES, known(200, 6000), KINDS), min_size=1, max_size=2))
    return UnitRecord(
        1,
        draw(st.sampled_from(["U-1", "U-2", "U-3"])),
        "design",
        "NOR",
        tuple(UnitItem(str(n), item) for n, item in enumerate(goods)),
        tuple(str(n) for n in range(len(goods))),
        ListWord(draw(st.sampled_from([True, True, True, False]))),
        tuple(draw(PAPERS)),
        tuple(forms),
        draw(st.sampled_from([True, True, None, False])),
        draw(st.sampled_from([True, True, None, False])),
    )


def with_form(unit: UnitRecord, place: int, form: FormRecord) -> UnitRecord:
    return replace(unit, forms=(*unit.forms[:place], form, *unit.forms[place + 1 :]))


def known_less(unit: UnitRecord) -> Iterator[tuple[str, UnitRecord]]:
    """The unit with one fact not known, for every fact of its record."""
    for place, form in enumerate(unit.forms):
        for field in fields(Measures):
            if getattr(form.measures, field.name) is not None:
                less = replace(form, measures=replace(form.measures, **{field.name: None}))
                yield f"measures.{field.name}", with_form(unit, place, less)
        yield "mass", with_form(unit, place, replace(form, mass=mass(None)))
    for place, entry in enumerate(unit.items):
        for item_field in fields(entry.item):
            if getattr(entry.item, item_field.name) is not None:
                item = replace(entry.item, **{item_field.name: None})
                items = (*unit.items[:place], replace(entry, item=item), *unit.items[place + 1 :])
                yield f"{type(item).__name__}.{item_field.name}", replace(unit, items=items)
    for place, paper in enumerate(unit.papers):
        gone = replace(paper, state=PaperState.NEVER)
        yield "paper", replace(unit, papers=(*unit.papers[:place], gone, *unit.papers[place + 1 :]))
    yield "proof", replace(unit, proof_in_date=None)
    yield "plate", replace(unit, plate_in_date=None)
    yield "list", replace(unit, goods_list=ListWord(False, "never"))


@settings(max_examples=120, deadline=None)
@given(unit=units())
def test_a_fact_that_is_gone_never_permits_more(unit: UnitRecord) -> None:
    names, less = zip(*known_less(unit), strict=True)
    found = class_of_fleet([unit, *less], TRIP, SHIP)
    size = len(unit.forms)
    whole = found.carried[:size]
    for place, name in enumerate(names):
        after = found.carried[size * (place + 1) : size * (place + 2)]
        worse = (after >= whole) | (after >= int(Carried.CANNOT_DECIDE))
        assert worse.all() or name in HARMFUL_FACTS, (name, unit)


NO_CLEARANCE = Clearances.same(Clearance())


def roomier(table: ConveyanceTable, *names: str) -> ConveyanceTable:
    numbers = {name: column + 500.0 if name in names else column for name, column in table.numbers.items()}
    return replace(table, numbers=numbers)


def roomier_conveyances() -> Conveyances:
    held = held_conveyances()
    return replace(
        held,
        containers=roomier(
            held.containers,
            "int_length_mm",
            "int_width_mm",
            "int_height_mm",
            "door_width_mm",
            "door_height_mm",
            "payload_kg",
            "line_load_kg_per_m",
        ),
        helicopters=roomier(
            held.helicopters, "hook_limit_kg", "sling_sl_isa_kg", "sling_2000m_isa20_kg", "radius_km"
        ),
        decks=roomier(held.decks, "deck_length_mm", "payload_kg"),
        tow_vehicles=roomier(
            held.tow_vehicles, "gcwr_kg", "tow_braked_kg", "tow_unbraked_kg", "coupling_vertical_max_kg"
        ),
    )


@settings(max_examples=60, deadline=None)
@given(unit=units(), hook_kg=st.floats(300, 8000), more_kg=st.floats(0, 3000))
def test_more_room_a_larger_door_or_a_bigger_hook_never_refuse(
    unit: UnitRecord, hook_kg: float, more_kg: float
) -> None:
    before = class_of_fleet([unit], TRIP, SHIP).carried
    assert (class_of_fleet([unit], TRIP, SHIP, conveyances=roomier_conveyances()).carried <= before).all()
    free = replace(TRIP, clearances=NO_CLEARANCE, rigging_kg=0.0)
    assert (class_of_fleet([unit], free, SHIP).carried <= before).all()
    small, big = (
        class_of_fleet([unit], TRIP, SHIP, conveyances=Conveyances.only(helicopters=hook(kg))).carried
        for kg in (hook_kg, hook_kg + more_kg)
    )
    assert (big <= small).all()


@settings(max_examples=60, deadline=None)
@given(unit=units(), less_kg=st.floats(0, 1500))
def test_a_lighter_unit_is_never_refused_where_the_heavier_goes(unit: UnitRecord, less_kg: float) -> None:
    """Not asked of US vehicles that tow: there the load on the coupling may be no more than 15 % of the trailer."""
    lighter = unit
    for place, form in enumerate(unit.forms):
        if form.mass.total_kg is not None:
            kg = max(form.mass.total_kg - less_kg, 50.0)
            lighter = with_form(lighter, place, replace(form, mass=mass(kg)))
    before, after = class_of_fleet([unit], TRIP, SHIP), class_of_fleet([lighter], TRIP, SHIP)
    towed = held_conveyances().tow_vehicles.keys
    columns = [place for place, key in enumerate(before.fit.keys) if key not in towed]
    assert (after.carried[:, columns] <= before.carried[:, columns]).all()


@settings(max_examples=60, deadline=None)
@given(fleet=st.lists(units(), min_size=1, max_size=4), random=st.randoms(use_true_random=False))
def test_the_order_of_units_forms_goods_and_papers_says_nothing(fleet: list[UnitRecord], random: Any) -> None:
    together = class_of_fleet(fleet, TRIP, SHIP)
    order = random.sample(range(len(fleet)), len(fleet))
    mixed = []
    for n in order:
        record = fleet[n]
        places = random.sample(range(len(record.items)), len(record.items))
        mixed.append(
            replace(
                record,
                items=tuple(record.items[place] for place in places),
                keys=tuple(record.keys[place] for place in places),
                papers=tuple(random.sample(record.papers, len(record.papers))),
                forms=tuple(reversed(record.forms)),
            )
        )
    after = class_of_fleet(mixed, TRIP, SHIP)
    for place, n in enumerate(order):
        assert after.law[place].tolist() == together.law[n].tolist()
        forms = len(fleet[n].forms)
        for form in range(forms):
            row, was = after.row(place, form), together.row(n, forms - 1 - form)
            assert after.carried[row].tolist() == together.carried[was].tolist()


OF_FIT = {"fits": Carried.YES, "refused": Carried.NO, "cannot_decide": Carried.CANNOT_DECIDE}


def carried_by_hand(unit: UnitRecord, form: FormRecord, key: str) -> Carried:
    """One unit, one form, one conveyance by the functions that answer one thing, without any array of a fleet."""
    mode, _gates = mode_of_conveyance(key)
    load = load_of(
        form.measures,
        form.mass.total_kg,
        proof_in_date=unit.proof_in_date,
        kind=form.kind,
        plate_in_date=unit.plate_in_date,
    )
    plane, _plus, uld = key.partition("+")
    fit = OF_FIT[answer_one(load, plane, replace(TRIP, uld=uld or None)).answer.verdict]
    law = judge_unit(unit.items, mode, SHIP, list_confirmed=unit.goods_list.confirmed).verdict
    papers = [
        {PaperState.HOLDS: Carried.YES, PaperState.NEVER: Carried.CANNOT_DECIDE}.get(paper.state, Carried.NO)
        for paper in papers_for(unit, key)
    ]
    return max(fit, Carried(int(_OF_LAW[law])), *papers)


@settings(max_examples=25, deadline=None)
@given(fleet=st.lists(units(), min_size=1, max_size=4), data=st.data())
def test_the_fleet_answers_as_one_unit_asked_by_hand(fleet: list[UnitRecord], data: st.DataObject) -> None:
    together = class_of_fleet(fleet, TRIP, SHIP)
    keys = data.draw(st.lists(st.sampled_from(together.fit.keys), min_size=3, max_size=6, unique=True))
    for n, record in enumerate(fleet):
        for place, mode in enumerate(MODES):
            alone = judge_unit(record.items, mode, SHIP, list_confirmed=record.goods_list.confirmed)
            assert Verdict(int(together.law[n, place])) is alone.verdict
        for k, form in enumerate(record.forms):
            for key in keys:
                found = together.carried[together.row(n, k), together.fit.place(key)]
                assert Carried(int(found)) is carried_by_hand(record, form, key), key


LITHIUM = Battery(
    chemistry="li_ion",
    form="battery",
    condition="ok",
    terminals_protected=True,
    config="packed_with",
    host="equipment",
    un383="pass",
    wh=1280.0,
    soc_pct=25.0,
    net_mass_kg=12.0,
    package_gross_kg=14.0,
    spare_sets=1.0,
)
SOUND = (
    GEL,
    LITHIUM,
    replace(LITHIUM, config="installed"),
    replace(LITHIUM, config="alone"),
    replace(GEL, wet_type="flooded", upright_secured=True, package_gross_kg=40.0),
)
VALUES: dict[str, tuple[object, ...]] = {**WORDS, **dict.fromkeys(ANSWERS, (True, False))}


@pytest.mark.parametrize("name", VALUES)
def test_what_is_not_known_is_never_taken_for_the_better_answer(name: str) -> None:
    """A battery of which a fact is not known may go only where it might go whatever the fact is."""
    measures = Measures(length_mm=2000.0, width_mm=1200.0, height_mm=1300.0)
    form = form_of(measures, 900.0)
    record = UnitRecord(1, "U-1", "design", "NOR", (), (), ListWord(True), (), (form,), True)
    for battery in SOUND:
        units = [
            replace(record, items=(UnitItem("bank", replace(battery, **{name: value})),))  # type: ignore[arg-type]
            for value in (None, *VALUES[name])
        ]
        law = class_of_fleet(units, TRIP, SHIP).law
        may_go = law <= int(Verdict.APPROVAL_NEEDED)
        assert (may_go[1:] | ~may_go[0]).all(), (name, battery)


def test_a_unit_in_order_goes_under_every_hook_that_bears_it_and_under_no_smaller_one() -> None:
    """Rows: heavier and heavier; columns: bigger and bigger hooks. Usable load = hook, less 150 kg of slings and gear."""
    kgs = [float(kg) for kg in range(300, 3000, 300)]
    hooks = [float(kg) for kg in range(400, 9000, 400)]
    sound = in_order()
    strong = replace(sound.forms[0].measures, lifting_points_kg=9000.0)
    fleet = [replace(sound, forms=(form_of(strong, kg),)) for kg in kgs]
    trip = replace(TRIP, rigging_kg=150.0)
    found = [
        class_of_fleet(fleet, trip, SHIP, conveyances=Conveyances.only(helicopters=hook(kg))).carried[:, 0]
        for kg in hooks
    ]
    wanted = [
        [int(Carried.YES) if kg + 150.0 <= hook_kg else int(Carried.NO) for kg in kgs] for hook_kg in hooks
    ]
    assert [row.tolist() for row in found] == wanted
