"""A packed form that is a container itself, and forms that do not stand on their base."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fleet.domain.dangerous_goods.words import Mode
from fleet.domain.fit.answers import answer_fleet, answer_one, conveyances_of
from fleet.domain.fit.loads import Load
from fleet.domain.fit.own_box import AS_CONTAINER, iso_sizes_mm
from fleet.domain.fit.trip import Clearance, Clearances, Topic, Trip
from fleet.domain.transport.answers import class_of_fleet, mode_of_conveyance
from fleet.domain.transport.measures import Measures, load_of
from fleet.domain.transport.records import Gate
from tests.fleet.domain.test_transport_class import SHIP
from tests.fleet.domain.test_transport_class import unit as in_order

BOX = Load(
    2991.0,
    2438.0,
    2591.0,
    4350.0,
    cg_offset_mm=100.0,
    boxed=True,
    on_wheels=False,
    plate_in_date=True,
    container_gross_kg=10160.0,
)
TRIP = Trip(
    asked=frozenset({Topic.CENTRE_OF_GRAVITY, Topic.FLOOR}),
    clearances=Clearances.same(Clearance()),
    rigging_kg=0.0,
)


def ask(load: Load, key: str = AS_CONTAINER) -> tuple[str, str]:
    answer = answer_one(load, key, TRIP).answer
    return answer.verdict, answer.reason


@pytest.mark.parametrize(
    ("facts", "verdict", "reason"),
    [
        ({}, "fits", "ok"),
        ({"mass_kg": 10160.0}, "fits", "ok"),
        ({"mass_kg": 10161.0}, "refused", "container_plate"),
        ({"container_gross_kg": None}, "cannot_decide", "missing_container_gross_kg"),
        ({"plate_in_date": None}, "cannot_decide", "missing_csc_valid"),
        ({"plate_in_date": False}, "refused", "csc_invalid"),
        ({"boxed": None}, "cannot_decide", "missing_form_kind"),
        ({"boxed": False}, "refused", "not_a_container"),
        ({"mass_kg": None}, "cannot_decide", "missing_mass_kg"),
        ({"width_mm": None}, "cannot_decide", "missing_width_mm"),
        ({"cg_offset_mm": 149.5}, "fits", "ok"),  # 5 % of 2,991 mm are 149.55: CTU Code annex 7, 3.1.4
        ({"cg_offset_mm": -149.6}, "refused", "cg_eccentric"),
        ({"cg_offset_mm": None}, "cannot_decide", "missing_cg_offset_mm"),
    ],
)
def test_each_fact_of_the_box_is_asked(facts: dict[str, object], verdict: str, reason: str) -> None:
    assert ask(replace(BOX, **facts)) == (verdict, reason)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("sides", "fits"),
    [
        ((2991.0, 2438.0, 2438.0), True),  # 1D
        ((6058.0, 2438.0, 2591.0), True),  # 1CC
        ((6052.0, 2433.0, 2891.0), True),  # 1CCC, each at its least
        ((6051.9, 2438.0, 2591.0), False),
        ((2991.1, 2438.0, 2438.0), False),  # never larger
        ((2991.0, 2432.9, 2591.0), False),
        ((2991.0, 2438.0, 2896.0), False),  # no 10 ft box of 9 ft 6 in
        ((12192.0, 2438.0, 2591.0), False),
        ((2438.0, 2991.0, 2438.0), False),
    ],
)
def test_only_a_box_of_an_iso_size_lies_on_the_locks(sides: tuple[float, float, float], fits: bool) -> None:
    """ISO 668: 10 ft 2,991, 20 ft 6,058 long; 2,438 wide; 8 ft, 8 ft 6 in, 9 ft 6 in high."""
    length, width, height = sides
    box = replace(BOX, length_mm=length, width_mm=width, height_mm=height, cg_offset_mm=0.0)
    assert ask(box) == (("fits", "ok") if fits else ("refused", "not_iso_size"))


def test_the_table_of_sizes_is_that_of_the_containers_outside() -> None:
    largest, least = iso_sizes_mm()
    assert (least < largest).all()
    assert (largest - least <= 6).all()
    assert set(largest[:, 0]) == {2991.0, 6058.0}
    assert set(largest[:, 1]) == {2438.0}


def test_a_container_is_never_lifted_or_carried_beyond_its_plate() -> None:
    heavy = replace(BOX, mass_kg=5000.0, container_gross_kg=4999.0, proof_in_date=True)
    for key in ("flat_18_eu", "ch47f", "c17"):
        assert "container_plate" in answer_one(heavy, key, TRIP).answer.refusals, key
        assert "container_plate" not in answer_one(replace(heavy, mass_kg=4999.0), key, TRIP).answer.refusals


@pytest.mark.parametrize("facts", [{"boxed": True}, {"boxed": False, "on_wheels": True}])
def test_wheels_and_corners_press_on_next_to_nothing(facts: dict[str, bool]) -> None:
    """3,613 kg/m2 below a C-17: on all of its base 4,350 kg are 597 kg/m2; on four corners of 0.03 m2 they are 36,000."""
    load = replace(BOX, **facts)  # type: ignore[arg-type]
    assert ask(load, "c17") == ("cannot_decide", "missing_bearing_area_m2")
    assert ask(replace(load, bearing_area_m2=2.0), "c17") == ("fits", "ok")
    assert ask(replace(load, bearing_area_m2=1.2), "c17") == ("refused", "floor_pressure")
    assert ask(replace(load, boxed=False, on_wheels=False), "c17") == ("fits", "ok")
    assert ask(replace(load, boxed=False, on_wheels=None), "c17") == ("cannot_decide", "missing_form_kind")
    pallet = replace(TRIP, uld="pga")
    assert "missing_bearing_area_m2" not in answer_one(load, "b744f_side", pallet).answer.missing


def test_a_trailer_stands_in_a_container_on_its_axle() -> None:
    """7,260 kg on an axle: the floor test of ISO 1496-1. Its length says nothing of what the floor bears below a wheel."""
    trailer = Load(
        3000.0, 2000.0, 2000.0, 2500.0, cg_offset_mm=0.0, on_wheels=True, boxed=False, axle_load_kg=2300.0
    )
    assert ask(trailer, "c20gp_typ") == ("fits", "ok")
    assert ask(replace(trailer, axle_load_kg=None), "c20gp_typ") == ("cannot_decide", "missing_axle_load_kg")
    assert ask(replace(trailer, on_wheels=None), "c20gp_typ") == ("cannot_decide", "missing_form_kind")
    assert ask(replace(trailer, axle_load_kg=7261.0), "c20gp_typ") == ("refused", "wheel_load")
    assert ask(replace(trailer, axle_load_kg=None, bearing_length_mm=3000.0), "c20gp_typ") == ("fits", "ok")


def test_beams_and_boards_reach_no_further_than_the_floor_they_lie_on() -> None:
    """4,500 kg/m and 5.898 m are 26,541 kg; a Cessna 208B has 3.86 × 1.575 m of floor at 976 kg/m2: 5,933 kg."""
    long = Load(2000.0, 1500.0, 1500.0, 26600.0, cg_offset_mm=0.0, on_wheels=False, boxed=False)
    assert ask(replace(long, bearing_length_mm=90_000.0), "c20gp_typ") == ("refused", "line_load")
    assert ask(replace(long, mass_kg=26500.0, bearing_length_mm=90_000.0), "c20gp_typ") == ("fits", "ok")
    small = replace(long, length_mm=1100.0, width_mm=1000.0, height_mm=1000.0, mass_kg=6000.0)
    assert "floor_pressure" in answer_one(replace(small, bearing_area_m2=90.0), "c208b", TRIP).answer.refusals


def test_the_kind_of_a_form_says_how_it_stands() -> None:
    measures = Measures(length_mm=2991.0, container_gross_kg=10160.0)
    for kind, wheels, boxed in (
        ("skid", False, False),
        ("trailer", True, False),
        ("container", False, True),
        ("", None, None),
    ):
        load = load_of(measures, 900.0, proof_in_date=None, kind=kind, plate_in_date=True)
        assert (load.on_wheels, load.boxed) == (wheels, boxed)
        assert (load.container_gross_kg, load.plate_in_date) == (10160.0, True)


def test_a_unit_goes_as_the_container_it_is() -> None:
    assert mode_of_conveyance(AS_CONTAINER) == (Mode.SEA, (Gate.SEA,))
    sound = in_order()
    form = sound.forms[0]
    box = Measures(
        length_mm=2991.0,
        width_mm=2438.0,
        height_mm=2591.0,
        cog_x_mm=1480.0,
        container_gross_kg=10160.0,
    )
    boxed = replace(sound, plate_in_date=True, forms=(replace(form, kind="container", measures=box),))
    skid = replace(boxed, forms=(replace(form, kind="skid", measures=box),))
    unplated = replace(boxed, plate_in_date=None)
    found = class_of_fleet([boxed, skid, unplated], TRIP, SHIP, conveyances=conveyances_of([AS_CONTAINER]))
    assert [found.fit.answer(row, AS_CONTAINER).verdict for row in range(3)] == [
        "fits",
        "refused",
        "cannot_decide",
    ]


def test_many_boxes_are_answered_as_each_alone() -> None:
    rng = np.random.default_rng(3)
    boxes = [
        replace(
            BOX,
            length_mm=float(rng.choice([2991.0, 6058.0, 3000.0])),
            mass_kg=float(rng.integers(3000, 12000)),
            boxed=[True, True, False, None][rng.integers(4)],
            plate_in_date=[True, True, False, None][rng.integers(4)],
        )
        for _n in range(60)
    ]
    together = answer_fleet(boxes, TRIP, conveyances_of([AS_CONTAINER]))
    for row, box in enumerate(boxes):
        assert together.answer(row, AS_CONTAINER) == answer_one(box, AS_CONTAINER, TRIP).answer
