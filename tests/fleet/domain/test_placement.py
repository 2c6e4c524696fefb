"""Placements are checked by a verifier that knows only geometry and limits; small instances against counting all ways."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.domain.fit.conveyances import aircraft
from fleet.domain.fit.trip import Clearances
from fleet.domain.placement import LeftOut, Placed, Placement, faults_of, place
from fleet.domain.placement_rooms import Opening, conveyances_with_floor, hold_of, room_of
from fleet.domain.placement_shapes import Piece, Room, Supports
from fleet.lib.errors import DomainError

FLOOR = Room(length_mm=6000, width_mm=2400, height_mm=2400, payload_kg=20000)
C20 = Room.of_container(
    length_mm=5898,
    width_mm=2352,
    height_mm=2393,
    payload_kg=28260,
    door_width_mm=2340,
    door_height_mm=2280,
    line_load_kg_m=4500,
    gap_mm=20,
)


def box(key: str, length: float, width: float, mass: float = 500.0, **more: object) -> Piece:
    return replace(Piece(key, length, width, 1500.0, mass), **more)  # type: ignore[arg-type]


def cut(rng: np.random.Generator, room: Room, pieces: int) -> list[Piece]:
    """A floor cut by straight cuts from edge to edge: all the parts are known to fit at once, without a gap."""
    parts = [(room.length_mm, room.width_mm)]
    while len(parts) < pieces:
        parts.sort(key=lambda sides: sides[0] * sides[1])
        along, across = parts.pop()
        share = float(rng.integers(3, 8)) / 10.0
        if along >= across:
            first = round(along * share)
            parts += [(first, across), (along - first, across)]
        else:
            first = round(across * share)
            parts += [(along, first), (along, across - first)]
    turned = rng.random(len(parts)) < 0.5
    return [box(f"p{i}", *(sides[::-1] if turned[i] else sides)) for i, sides in enumerate(parts)]


@pytest.mark.parametrize("seed", range(12))
def test_a_box_that_was_cut_is_put_together_again(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces = cut(rng, FLOOR, 3 + seed % 7)
    placement = place(pieces, FLOOR)
    assert faults_of(placement, pieces, FLOOR) == []
    assert len(placement.placed) == len(pieces)
    assert placement.proven


@pytest.mark.parametrize("seed", range(4))
def test_a_cut_box_and_one_piece_too_many_leaves_exactly_one_behind(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    pieces = cut(rng, FLOOR, 5)
    smallest = min(pieces, key=lambda piece: piece.length_mm * piece.width_mm)
    pieces.append(replace(smallest, key="one more"))
    placement = place(pieces, FLOOR)
    assert faults_of(placement, pieces, FLOOR) == []
    assert len(placement.placed) == placement.most == 5


def brute_force(pieces: list[Piece], room: Room) -> int:
    """The largest number that fits, by trying every subset, turn and order at every normal corner; geometry and mass."""

    def packs(chosen: tuple[tuple[float, float], ...]) -> bool:
        def step(
            rest: tuple[tuple[float, float], ...], spots: list[tuple[float, float, float, float]]
        ) -> bool:
            if not rest:
                return True
            (along, across), others = rest[0], rest[1:]
            xs = {0.0} | {x + a for x, _y, a, _b in spots}
            ys = {0.0} | {y + b for _x, y, _a, b in spots}
            for x, y in product(xs, ys):
                if x + along > room.length_mm or y + across > room.width_mm:
                    continue
                free = all(
                    x + along <= u or u + a <= x or y + across <= v or v + b <= y for u, v, a, b in spots
                )
                if free and step(others, [*spots, (x, y, along, across)]):
                    return True
            return False

        return step(chosen, [])

    for count in range(len(pieces), 0, -1):
        for group in combinations(pieces, count):
            if sum(piece.mass_kg for piece in group) > room.payload_kg:
                continue
            turns = product(*([(p.length_mm, p.width_mm), (p.width_mm, p.length_mm)] for p in group))
            if any(packs(order) for sides in turns for order in permutations(sides)):
                return count
    return 0


@given(st.lists(st.tuples(st.integers(5, 30), st.integers(5, 30), st.integers(1, 9)), min_size=1, max_size=4))
@settings(max_examples=25, deadline=None)
def test_the_number_is_the_largest_by_counting_all_ways(sizes: list[tuple[int, int, int]]) -> None:
    pieces = [box(f"p{i}", a * 100.0, b * 100.0, m * 1000.0) for i, (a, b, m) in enumerate(sizes)]
    room = replace(FLOOR, length_mm=4000.0, payload_kg=15000.0)
    placement = place(pieces, room)
    assert faults_of(placement, pieces, room) == []
    assert placement.proven
    assert len(placement.placed) == brute_force(pieces, room)


@given(
    st.lists(
        st.tuples(st.integers(8, 40), st.integers(6, 26), st.integers(2, 60), st.booleans()),
        min_size=1,
        max_size=7,
    )
)
@settings(max_examples=25, deadline=None)
def test_every_placement_in_a_container_is_sound(sizes: list[tuple[int, int, int, bool]]) -> None:
    pieces = [
        box(f"p{i}", a * 100.0, b * 100.0, m * 100.0, may_turn=turn)
        for i, (a, b, m, turn) in enumerate(sizes)
    ]
    placement = place(pieces, C20, time_limit_s=3.0)
    assert faults_of(placement, pieces, C20) == []
    assert len(placement.placed) <= placement.most
    assert {item.key for item in placement.placed} | {out.key for out in placement.left_out} == {
        piece.key for piece in pieces
    }


def test_a_heavy_piece_is_balanced_by_moving_the_others() -> None:
    pieces = [box("heavy", 1500, 2000, 4000.0), box("a", 1500, 2000, 1000.0), box("b", 1500, 2000, 1000.0)]
    placement = place(pieces, C20)
    assert faults_of(placement, pieces, C20) == []
    assert len(placement.placed) == 3
    assert placement.cg_mm is not None
    assert abs(placement.cg_mm - C20.length_mm / 2) <= 0.05 * C20.length_mm


def test_what_cannot_be_balanced_stays_behind() -> None:
    """One heavy and one light long piece: together their centre of gravity is always too far from the middle."""
    pieces = [box("heavy", 2000, 2000, 6000.0), box("light", 3700, 2000, 200.0)]
    both = place(pieces, replace(C20, cg_window_mm=None))
    assert len(both.placed) == 2
    balanced = place(pieces, C20)
    assert faults_of(balanced, pieces, C20) == []
    assert len(balanced.placed) == balanced.most == 1


def test_pieces_too_heavy_abreast_stand_behind_one_another() -> None:
    pieces = [box("a", 1000, 1000, 3000.0), box("b", 1000, 1000, 3000.0)]
    room = replace(C20, cg_window_mm=None)
    placement = place(pieces, room)
    assert faults_of(placement, pieces, room) == []
    first, second = placement.placed
    assert second.x_mm >= first.x_mm + first.along_mm


def test_a_piece_higher_than_the_door_stays_behind_though_the_room_is_higher() -> None:
    pieces = [replace(box("tall", 1000, 1000), height_mm=2300.0), box("low", 1000, 1000)]
    placement = place(pieces, C20)
    assert placement.left_out == (LeftOut("tall", "alone"),)


def test_a_piece_turns_only_if_it_may() -> None:
    fixed = box("fixed", 2000, 3000, may_turn=False)
    assert place([fixed], C20).placed == ()
    assert place([replace(fixed, may_turn=True)], C20).placed[0].turned


def test_pallets_of_one_size_are_proven() -> None:
    """1200 x 1000 pallets in a 20 ft box: 10, the figure of every carrier's guide."""
    pieces = [box(f"p{i}", 1200, 1000, 600.0) for i in range(12)]
    room = replace(C20, gap_mm=0.0)
    placement = place(pieces, room)
    assert faults_of(placement, pieces, room) == []
    assert len(placement.placed) == placement.most == 10


SOUND = Placement(
    (Placed("a", 20, 20, 1000, 1000, False), Placed("b", 1100, 20, 1000, 1000, False)), (), 2, 0, None
)
PAIR = [box("a", 1000, 1000, 3000.0), box("b", 1000, 1000, 3000.0)]


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"x_mm": 500.0}, "overlap"),
        ({"x_mm": 1030.0}, "overlap"),
        ({"y_mm": 1400.0}, "outside across"),
        ({"x_mm": 5000.0}, "outside along"),
        ({"along_mm": 900.0}, "other sides"),
        ({"key": "a"}, "two spots"),
        ({"key": "c"}, "no piece"),
        ({"x_mm": 100.0, "y_mm": 1100.0}, "kg/m"),
    ],
)
def test_the_verifier_sees_what_is_wrong(change: dict[str, object], fault: str) -> None:
    room = replace(C20, cg_window_mm=None)
    assert faults_of(SOUND, PAIR, room) == []
    broken = replace(SOUND, placed=(SOUND.placed[0], replace(SOUND.placed[1], **change)))  # type: ignore[arg-type]
    assert any(fault in text for text in faults_of(broken, PAIR, room))


def test_the_verifier_sees_mass_balance_height_and_door() -> None:
    room = replace(C20, cg_window_mm=None)
    assert any("payload" in text for text in faults_of(SOUND, PAIR, replace(room, payload_kg=5000.0)))
    assert any("centre of gravity" in text for text in faults_of(SOUND, PAIR, C20))
    tall = [replace(PAIR[0], height_mm=2300.0), PAIR[1]]
    assert any("too high" in text for text in faults_of(SOUND, tall, room))
    assert any("door" in text for text in faults_of(SOUND, PAIR, replace(room, door_width_mm=900.0)))


@pytest.mark.parametrize(
    ("field", "value"), [("length_mm", 0.0), ("mass_kg", -1.0), ("height_mm", float("nan"))]
)
def test_an_impossible_piece_is_refused_by_name(field: str, value: float) -> None:
    with pytest.raises(DomainError, match=f"piece 'a', {field}"):
        place([replace(PAIR[0], **{field: value})], C20)


def test_two_pieces_of_one_name_are_refused() -> None:
    with pytest.raises(DomainError, match="'a'"):
        place([PAIR[0], PAIR[0]], C20)


@pytest.mark.parametrize(("key", "number"), [("c20gp_typ", 4), ("c208b", 1), ("flat_18_eu", 4), ("c130h", 9)])
def test_rooms_of_the_tables_take_pieces(key: str, number: int) -> None:
    room = hold_of(key, floor_kg_m2=2000.0 if key == "c130h" else None).room
    size = 1050.0 if key == "c208b" else 1100.0
    pieces = [box(f"p{i}", size, size, 400.0, height_mm=1200.0) for i in range(number)]
    placement = place(pieces, room, time_limit_s=5.0)
    assert faults_of(placement, pieces, room) == []
    assert len(placement.placed) == number


def test_a_helicopter_has_no_floor() -> None:
    with pytest.raises(DomainError, match="mi8mtv"):
        room_of("mi8mtv")


# C1P1: 16 rectangles cut from a square of 20 by 20, turning allowed. Source: E. Hopper and B. C. H. Turton, "An empirical
# investigation of meta-heuristic and heuristic algorithms for a 2D packing problem", Eur. J. Oper. Res. 128 (2001) 34-57
# (sizes from memory: they add up to the area of the square).
HOPPER_TURTON_C1P1 = (
    *((2, 12), (7, 12), (8, 6), (3, 6), (3, 5), (5, 5), (3, 12), (3, 7)),
    *((5, 7), (2, 6), (3, 2), (4, 2), (3, 4), (4, 4), (9, 2), (11, 2)),
)
# Equal boxes on a pallet (length, width, of the box, most): the area bound is reached in each; the first is the example of
# K. A. Dowsland, "An exact algorithm for the pallet loading problem", Eur. J. Oper. Res. 31 (1987) 78-84 (from memory).
PALLETS = ((22, 16, 5, 3, 23), (12, 10, 4, 3, 10), (14, 10, 3, 2, 23))


def test_a_published_perfect_packing_is_found_or_nearly() -> None:
    """All 16 fit without a gap. The proof of the limit is exact; of the search, one piece less is the least asked."""
    room = Room(length_mm=2000, width_mm=2000, height_mm=2400, payload_kg=20000)
    pieces = [box(f"p{n}", a * 100.0, b * 100.0, 100.0) for n, (a, b) in enumerate(HOPPER_TURTON_C1P1)]
    assert sum(a * b for a, b in HOPPER_TURTON_C1P1) == 400
    placement = place(pieces, room, time_limit_s=20.0)
    assert faults_of(placement, pieces, room) == []
    assert placement.most == 16
    assert len(placement.placed) >= 15


@pytest.mark.parametrize(("length", "width", "long_side", "short_side", "most"), PALLETS)
def test_published_pallets_of_equal_boxes(
    length: int, width: int, long_side: int, short_side: int, most: int
) -> None:
    room = Room(length_mm=length * 100, width_mm=width * 100, height_mm=2400, payload_kg=20000)
    pieces = [box(f"p{n}", long_side * 100.0, short_side * 100.0, 100.0) for n in range(most + 1)]
    placement = place(pieces, room, time_limit_s=20.0)
    assert faults_of(placement, pieces, room) == []
    assert len(placement.placed) == placement.most == most


DECK = Room(
    length_mm=7000,
    width_mm=2500,
    height_mm=2400,
    payload_kg=9000,
    supports=Supports(front_mm=1000.0, rear_mm=5000.0, front_kg=4000.0, rear_kg=6000.0),
)


def most_by_axles(masses: list[float], room: Room) -> int:
    """The most of equal pieces of 2,000 mm by 2,400 mm that axles allow, by a grid of places, coarse but independent."""
    s = room.supports
    assert s is not None
    places = range(0, int(room.length_mm) - 2000 + 1, 250)
    for count in range(len(masses), 0, -1):
        for group in combinations(masses, count):
            for spots in permutations(places, count):
                apart = all(abs(one - other) >= 2000 for one, other in combinations(spots, 2))
                if not apart or sum(group) > room.payload_kg:
                    continue
                rear = sum(m * (x + 1000 - s.front_mm) for m, x in zip(group, spots, strict=True)) / 4000
                front = sum(group) - rear
                if 0 <= rear <= s.rear_kg and 0 <= front <= s.front_kg:
                    return count
    return 0


@pytest.mark.parametrize(
    "masses",
    [
        [2500.0, 2500.0, 2500.0],
        [5000.0, 3000.0],
        [6500.0, 200.0],
        [3900.0, 3900.0, 900.0],
        [8900.0, 100.0],
        [9000.0],
    ],
)
def test_axles_are_respected_and_the_number_is_no_less_than_by_trying(masses: list[float]) -> None:
    pieces = [box(f"p{n}", 2000, 2400, mass, may_turn=False) for n, mass in enumerate(masses)]
    placement = place(pieces, DECK)
    assert faults_of(placement, pieces, DECK) == []
    assert most_by_axles(masses, DECK) <= len(placement.placed) <= placement.most


def test_the_verifier_sees_axles_floor_and_openings() -> None:
    piece = box("a", 1000, 1000, 6000.0)
    there = Placement((Placed("a", 0, 0, 1000, 1000, False),), (), 1, 0, None)
    assert any("front axle" in text for text in faults_of(there, [piece], DECK))
    floor = replace(FLOOR, floor_kg_m2=5999.0)
    assert any("floor" in text for text in faults_of(there, [piece], floor))
    assert faults_of(there, [piece], replace(floor, floor_kg_m2=6000.0)) == []
    roof = replace(FLOOR, door_length_mm=999.0)
    assert any("door" in text for text in faults_of(there, [piece], roof))
    assert place([piece], floor).left_out == place([piece], roof).left_out == (LeftOut("a", "alone"),)


def test_an_axle_bears_what_statics_say() -> None:
    """A beam on two supports: a mass above one of them rests on it alone, half way it is shared."""
    s = Supports(front_mm=1000.0, rear_mm=5000.0, front_kg=1.0, rear_kg=1.0)
    assert s.borne_kg(1000.0, 1000.0) == (1000.0, 0.0)
    assert s.borne_kg(1000.0, 3000.0) == (500.0, 500.0)
    assert s.borne_kg(1000.0, 6000.0) == (-250.0, 1250.0)


SIZES = st.lists(
    st.tuples(st.integers(8, 30), st.integers(6, 22), st.integers(2, 30)), min_size=1, max_size=5
)


@given(SIZES, st.sampled_from(["gap_mm", "length_mm", "payload_kg", "line_load_kg_m"]))
@settings(max_examples=12, deadline=None)
def test_more_gap_or_less_room_never_places_more(sizes: list[tuple[int, int, int]], what: str) -> None:
    pieces = [box(f"p{n}", a * 100.0, b * 100.0, m * 100.0) for n, (a, b, m) in enumerate(sizes)]
    harder = replace(C20, **{what: getattr(C20, what) * (3.0 if what == "gap_mm" else 0.6)})
    if what == "length_mm":  # the window of the centre of gravity moves along
        harder = replace(harder, cg_window_mm=None)
    easier = replace(C20, cg_window_mm=None) if what == "length_mm" else C20
    first, second = (place(pieces, room, time_limit_s=4.0) for room in (easier, harder))
    assert faults_of(second, pieces, harder) == []
    assert len(second.placed) <= first.most
    if first.proven:
        assert len(second.placed) <= len(first.placed)


def test_every_floor_of_the_tables_takes_a_small_piece_and_gives_it_back_inside() -> None:
    for key in conveyances_with_floor():
        floor = 2000.0 if key in aircraft().keys else None
        hold = hold_of(key, clearances=Clearances(), floor_kg_m2=floor)
        piece = box("a", 600, 500, 50.0, height_mm=300.0)
        placement = place([piece], hold.room)
        assert faults_of(placement, [piece], hold.room) == [], key
        (item,) = placement.placed
        x, y = item.x_mm + hold.shift_along_mm, item.y_mm + hold.shift_across_mm
        assert -1e-6 <= x <= hold.length_mm - item.along_mm + 1e-6, key
        assert -1e-6 <= y <= hold.width_mm - item.across_mm + 1e-6, key


def test_clearances_of_the_owner_count_at_walls_roof_and_door() -> None:
    """A ramp aircraft by MIL-STD-1791 practice: 150 mm to each wall, though the gap between pieces is 50 mm."""
    loose, kept = hold_of("c130h", gap_mm=50.0), hold_of("c130h", gap_mm=50.0, clearances=Clearances())
    assert loose.shift_across_mm == 0
    assert kept.shift_across_mm == 100
    assert kept.room.width_mm == loose.room.width_mm - 200
    assert kept.room.height_mm == loose.room.height_mm - 150
    assert kept.room.door_width_mm < loose.room.door_width_mm


def test_a_deck_and_a_pallet_have_no_walls() -> None:
    for key in ("flat_18_eu", "b763f+pmc", "c20fr_typ"):
        hold = hold_of(key, gap_mm=80.0)
        wide = box("a", 600, hold.width_mm, 50.0, height_mm=300.0, may_turn=False)
        assert len(place([wide], hold.room).placed) == 1, key


def test_a_pallet_takes_the_lower_contour_and_what_it_may_carry() -> None:
    """PMC: 6,804 kg gross less 120 kg of its own; 2,438 mm in the contour of the type."""
    room = room_of("b763f+pmc")
    assert room.payload_kg == 6684
    assert room.height_mm <= 2438


def test_an_opening_above_takes_both_sides_and_no_door() -> None:
    by_door, above = hold_of("c20ot_typ"), hold_of("c20ot_typ", from_above=True)
    assert above.opening is Opening.ABOVE
    assert above.room.door_height_mm == float("inf")
    assert above.room.door_length_mm == 5350  # 5,400 mm less the gap
    assert by_door.room.door_height_mm == 2230 or by_door.room.door_height_mm < above.room.height_mm
    with pytest.raises(DomainError, match="no opening above"):
        hold_of("c20gp_typ", from_above=True)


@pytest.mark.parametrize(
    ("supports", "key", "sentence"),
    [
        (Supports(5000.0, 1000.0, 1.0, 1.0), "flat_18_eu", "must stand behind"),
        (Supports(0.0, 1000.0, 0.0, 1.0), "flat_18_eu", "more than 0 kg"),
        (Supports(0.0, 1000.0, 1.0, 1.0), "c20gp_typ", "Only a deck has axles"),
    ],
)
def test_axles_that_cannot_be_are_refused(supports: Supports, key: str, sentence: str) -> None:
    with pytest.raises(DomainError, match=sentence):
        hold_of(key, supports=supports)
