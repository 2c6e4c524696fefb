"""A packed form that is a freight container of its own, aboard a ship as such: outside size, safety plate, balance.

Sources: ISO 668 outside sizes, of which a box may be smaller by the tolerance and never larger; CSC 1972 (a plate in date,
and no more mass than it says); CTU Code annex 7, 3.1.4. The corners lie on twist locks: a box of another size lies on none.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from fleet.domain.fit.checks import USUAL, Board, BoolArray, FloatArray
from fleet.domain.fit.containers import CG_SHARE_OF_LENGTH
from fleet.domain.fit.conveyances import TABLES, ConveyanceTable
from fleet.domain.fit.form_checks import size_and_mass_known
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.trip import Topic, Trip
from fleet.lib.tables import read_table

SIDES = ("length", "width", "height")
AS_CONTAINER = "as_container"


@cache
def slots() -> ConveyanceTable:
    """The place of a container aboard a ship: one, for boxes of every size of the table."""
    return ConveyanceTable((AS_CONTAINER,), {}, {"name": ("container ship, as the container it is",)})


@cache
def iso_sizes_mm() -> tuple[FloatArray, FloatArray]:
    """(largest, least) outside length, width, height [mm] of every ISO box, shape (sizes, 3)."""
    rows = read_table(TABLES, "iso_boxes")
    largest = np.array([[row.number(f"{side}_mm") for side in SIDES] for row in rows])
    minus = np.array([[row.number(f"{side}_minus_mm") for side in SIDES] for row in rows])
    return largest, largest - minus


def is_iso_size(length_mm: FloatArray, width_mm: FloatArray, height_mm: FloatArray) -> BoolArray:
    """Whether boxes have the outside size of a 10 or 20 ft container, by any one row of the table. Shapes are equal."""
    largest, least = iso_sizes_mm()
    sides = np.stack([length_mm, width_mm, height_mm], axis=-1)[..., None, :]
    within: BoolArray = (sides <= largest) & (sides >= least)
    return np.asarray(within.all(axis=-1).any(axis=-1))


def check_own_box(loads: LoadColumns, places: ConveyanceTable, trip: Trip) -> Board:
    """All checks of n loads as containers aboard a ship, shape (n, 1)."""
    board = Board(loads.size, len(places))
    size_and_mass_known(board, loads)
    boxed, mass = loads.yes("boxed"), loads["mass_kg"]
    board.lacks("missing_form_kind", ~loads.known("boxed"))
    board.lacks("missing_csc_valid", boxed & ~loads.known("plate_in_date"))
    board.must("csc_invalid", loads.yes("plate_in_date"), when=boxed & loads.known("plate_in_date"))
    board.lacks("missing_container_gross_kg", boxed & ~loads.known("container_gross_kg"))
    board.limit("container_plate", "kg", loads["container_gross_kg"], mass, when=boxed, rank=USUAL)
    board.must("not_a_container", boxed, when=loads.known("boxed"))
    sides = loads["length_mm"], loads["width_mm"], loads["height_mm"]
    board.must("not_iso_size", is_iso_size(*sides), when=boxed & ~np.isnan(sum(sides)))
    if trip.asks(Topic.CENTRE_OF_GRAVITY):
        board.lacks("missing_cg_offset_mm", boxed & ~loads.known("cg_offset_mm"))
        most = CG_SHARE_OF_LENGTH * loads["length_mm"]
        board.limit("cg_eccentric", "mm", most, np.abs(loads["cg_offset_mm"]), when=boxed, rank=USUAL)
    return board
