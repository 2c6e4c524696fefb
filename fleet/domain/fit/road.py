"""On the deck of a truck or trailer: payload, deck, legal width and height, lashings.

What stands on a deck stands on it with all its width: what hangs over the edge bears on nothing (common practice).

Sources: 96/53/EC as amended; 23 CFR 658.15; State law; EN 12195-1:2010 top-over lashing (factor 1.25 forward, 1.1 sideways).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from fleet.domain.fit.checks import TAKEN, USUAL, Board, FloatArray
from fleet.domain.fit.conveyances import ConveyanceTable, road_limit
from fleet.domain.fit.form_checks import own_plate, plan_sides, size_and_mass_known
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.trip import Lashing, Topic, Trip

GRAVITY = 9.81
FORWARD_G, SIDE_G, SIDE_TIPPING_G = 0.8, 0.5, 0.6
FACTOR_FORWARD, FACTOR_SIDE = 1.25, 1.1
LEAST_LASHINGS = 2


def legal_mm(vehicles: ConveyanceTable, what: str) -> FloatArray:
    """Legal `width` or `height` [mm] of every vehicle by its region; one of any region counts with the stricter."""
    eu, us = road_limit(f"eu_{what}"), road_limit(f"us_{what}")
    by_region = {"EU": eu, "US": us}
    values = [by_region.get(region, min(eu, us)) for region in vehicles.words["jurisdiction"]]
    return np.array([values], dtype=np.float64)


def lashings_needed(mass_kg: FloatArray, lashing: Lashing) -> FloatArray:
    """Top-over lashings, whole number: `n >= (c - mu) m g fs / (2 mu sin(alpha) STF)`, at least two. EN 12195-1:2010.

    A load blocked in front needs them only against sliding sideways.
    """
    side_g = SIDE_TIPPING_G if lashing.liable_to_tip else SIDE_G
    cases = (
        [(side_g, FACTOR_SIDE)]
        if lashing.blocked_forward
        else [(FORWARD_G, FACTOR_FORWARD), (side_g, FACTOR_SIDE)]
    )
    holding = 2.0 * lashing.mu * math.sin(math.radians(lashing.alpha_deg)) * lashing.stf_dan * 10.0
    if holding <= 0.0:
        return np.full(np.shape(mass_kg), np.inf)
    needs = [max(0.0, g - lashing.mu) * mass_kg * GRAVITY * factor / holding for g, factor in cases]
    # a hair off before rounding up, so that float noise does not ask for one lashing more
    most: FloatArray = np.maximum.reduce(needs)
    return np.maximum(LEAST_LASHINGS, np.ceil(most - 1e-9))


def check_decks(loads: LoadColumns, decks: ConveyanceTable, trip: Trip, *, turned: bool) -> Board:
    """All checks of n loads on m decks, length along the deck or (`turned`) across it."""
    board = Board(loads.size, len(decks))
    size_and_mass_known(board, loads)
    own_plate(board, loads)
    clear = trip.clearances.deck
    along, across = plan_sides(loads, turned)
    board.limit("deck_payload", "kg", decks["payload_kg"], loads["mass_kg"], held="missing_payload_limit")
    deck: dict[str, Any] = {"sided": True, "held": "missing_room_size"}
    board.limit("deck_length", "mm", decks["deck_length_mm"], along + clear.l, rank=USUAL, **deck)
    if trip.asks(Topic.DECK_WIDTH):
        board.limit("deck_width", "mm", decks["deck_width_mm"], across + clear.w, rank=USUAL, **deck)
    board.limit("over_width", "mm", legal_mm(decks, "width"), across + clear.w, rank=USUAL, sided=True)
    top = decks["deck_height_mm"] + loads["height_mm"] + clear.h
    board.lacks("missing_room_size", np.isnan(decks["deck_height_mm"]))
    board.limit("over_height", "mm", legal_mm(decks, "height"), top, rank=USUAL)
    if trip.asks(Topic.LASHING):
        board.lacks("missing_lashing", trip.lashing is None)
        if trip.lashing is not None:
            needed = lashings_needed(loads["mass_kg"], trip.lashing)
            board.limit("lashing_insufficient", "lashings", trip.lashing.n, needed, rank=TAKEN)
    return board
