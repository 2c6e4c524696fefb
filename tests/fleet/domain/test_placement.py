"""Placements are checked by a verifier that knows only geometry and limits; small instances against counting all ways."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.domain.placement import LeftOut, Placed, Placement, faults_of, place
from fleet.domain.placement_rooms import room_of
from fleet.domain.placement_shapes import Piece, Room
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
    room = room_of(key)
    size = 1050.0 if key == "c208b" else 1100.0
    pieces = [box(f"p{i}", size, size, 400.0, height_mm=1200.0) for i in range(number)]
    placement = place(pieces, room, time_limit_s=5.0)
    assert faults_of(placement, pieces, room) == []
    assert len(placement.placed) == number


def test_a_helicopter_has_no_floor() -> None:
    with pytest.raises(DomainError, match="mi8mtv"):
        room_of("mi8mtv")
