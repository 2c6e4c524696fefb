"""On its own wheels behind a vehicle: licence, brakes, tow rating, coupling, tongue, axles, legal size.

Sources: 2018/858 and UN R13 (brakes), UN R55 (coupling load: 4 % of the trailer or 25 kg, at most the plate), SAE J684
(classes; tongue 10 to 15 %), 96/53/EC and 23 CFR 658 (size, axles). The lowest of tow rating, coupling and GCWR counts.
The trailer itself bears no more than its own plate: 49 CFR 390.5 (gross vehicle weight rating), 1230/2012 annex I.
"""

from __future__ import annotations

import numpy as np

from fleet.domain.fit.checks import NEVER, OTHER, USUAL, Board, FloatArray
from fleet.domain.fit.conveyances import ConveyanceTable, road_limit
from fleet.domain.fit.form_checks import size_and_mass_known
from fleet.domain.fit.licences import check_licence
from fleet.domain.fit.loads import LoadColumns
from fleet.domain.fit.road import legal_mm
from fleet.domain.fit.trip import Topic, Trip
from fleet.lib.errors import DomainError

EU_LEAST_TONGUE_KG = 25.0
SAE_CLASSES = ("1", "2", "3", "4")


def check_towing(loads: LoadColumns, vehicles: ConveyanceTable, trip: Trip) -> Board:
    """All checks of n loads as trailers behind m vehicles. Raises DomainError for a coupling class that is none."""
    board = Board(loads.size, len(vehicles))
    size_and_mass_known(board, loads)
    mass = loads["mass_kg"]
    board.must("not_on_wheels", loads.yes("on_wheels"), when=loads.known("on_wheels"))
    if trip.asks(Topic.TRAILER_PLATE):
        board.lacks("missing_trailer_gvwr_kg", ~loads.known("trailer_gvwr_kg"))
    if trip.asks(Topic.LICENCE):
        # no plate is less than what the trailer lawfully weighs: a licence too small for the mass is too small for it
        plate = np.where(loads.known("trailer_gvwr_kg"), loads["trailer_gvwr_kg"], mass)
        check_licence(board, vehicles, plate, trip.driver_licence)
    board.limit("trailer_plate", "kg", loads["trailer_gvwr_kg"], mass, rank=USUAL)
    _brakes(board, loads, vehicles, trip)
    rating = np.minimum(vehicles["tow_braked_kg"], vehicles["gcwr_kg"] - vehicles["kerb_kg"])
    board.limit("tow_rating", "kg", rating, mass, rank=USUAL, held="missing_tow_rating")
    if trip.sae_class is not None:
        board.limit("coupling_class", "kg", sae_class_kg(trip.sae_class), mass, rank=USUAL)
    if trip.asks(Topic.TONGUE):
        board.lacks("missing_tongue_kg", ~loads.known("tongue_kg"))
        least, most = tongue_limits_kg(vehicles, mass)
        board.limit("tongue_low", "kg", loads["tongue_kg"], least, rank=USUAL)
        board.lacks("missing_coupling_limit", np.isnan(vehicles["coupling_vertical_max_kg"]))
        board.limit("tongue_high", "kg", most, loads["tongue_kg"], rank=USUAL)
    if trip.asks(Topic.AXLES):
        _axles(board, loads, vehicles)
    board.limit("over_width", "mm", legal_mm(vehicles, "width"), loads["width_mm"])
    board.limit("over_height", "mm", legal_mm(vehicles, "height"), loads["height_mm"])
    eu = vehicles.is_word("jurisdiction", "EU")
    board.limit("over_length", "mm", road_limit("eu_len_trailer"), loads["length_mm"], when=eu, rank=NEVER)
    return board


def sae_class_kg(sae_class: str) -> float:
    """Trailer gross [kg] of a coupling class of SAE J684."""
    if str(sae_class) not in SAE_CLASSES:
        raise DomainError(
            "tow.class_unknown",
            "'{value}' is no coupling class; write one of: {classes}.",
            value=sae_class,
            classes=", ".join(SAE_CLASSES),
        )
    return road_limit(f"sae_class{sae_class}")


def tongue_limits_kg(vehicles: ConveyanceTable, mass_kg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(least, most) load on the coupling [kg], by the region of the vehicle."""
    us = vehicles.is_word("jurisdiction", "US")
    eu_least = np.maximum(road_limit("eu_coupling_min") / 100.0 * mass_kg, EU_LEAST_TONGUE_KG)
    least = np.where(us, road_limit("us_tongue_min") / 100.0 * mass_kg, eu_least)
    plate = vehicles["coupling_vertical_max_kg"]
    most = np.where(us, np.minimum(plate, road_limit("us_tongue_max") / 100.0 * mass_kg), plate)
    return least, most


def axle_limit_kg(region: str, axles: FloatArray, spacing_mm: FloatArray) -> FloatArray:
    """Legal load of one axle [kg] in its group; a spacing that is not known counts with the strictest group.

    EU trailer tandems by spacing under 1.0, 1.3 and 1.8 m; US single and tandem (40 to 96 in).
    """
    if region == "US":
        return np.where(axles >= 2, road_limit("us_axle_tandem") / 2.0, road_limit("us_axle_single"))
    close, middle, wide = (
        road_limit(key) / 2.0 for key in ("eu_tandem_lt1000", "eu_tandem_1000_1300", "eu_tandem_1300_1800")
    )
    tandem = np.where(spacing_mm >= 1300, wide, np.where(spacing_mm >= 1000, middle, close))
    tridem = np.minimum(tandem, road_limit("eu_tridem_1300_1400") / 3.0)
    return np.where(axles >= 3, tridem, np.where(axles >= 2, tandem, road_limit("eu_axle_single")))


def _brakes(board: Board, loads: LoadColumns, vehicles: ConveyanceTable, trip: Trip) -> None:
    if not trip.asks(Topic.BRAKES):
        return
    limit, mass = vehicles["tow_unbraked_kg"], loads["mass_kg"]
    board.lacks("missing_tow_rating", np.isnan(limit) & ~loads.yes("braked"))
    unknown = ~loads.known("braked")
    board.lacks("missing_braked", unknown & (mass > limit))
    light = unknown & (mass <= limit)
    unbraked = loads.known("braked") & ~loads.yes("braked")
    board.limit("unbraked_limit", "kg", limit, mass, when=unbraked | light, rank=USUAL)


def _axles(board: Board, loads: LoadColumns, vehicles: ConveyanceTable) -> None:
    board.lacks("missing_axle_load_kg", ~loads.known("axle_load_kg") | ~loads.known("axle_count"))
    us = vehicles.is_word("jurisdiction", "US")
    count, spacing = loads["axle_count"], loads["axle_spacing_mm"]
    limit = np.where(us, axle_limit_kg("US", count, spacing), axle_limit_kg("EU", count, spacing))
    board.limit("axle_load", "kg", limit, loads["axle_load_kg"], rank=OTHER)
