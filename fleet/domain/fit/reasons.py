"""Reason keys in the order in which a failing check is reported, each with its sentence and source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reason:
    """The sentence of a failed check, and where the rule stands. `binding` words name what limits when all is well."""

    key: str
    sentence: str
    binding: str
    source: str


_MISSING = "never a fit without it"
_PLATE = "container plate and ISO 668, ISO 1496-1; hold and door of the type"
_ROWS = (
    ("missing_mass_kg", "The mass is not known.", "", "SOLAS VI/2: verified gross mass"),
    ("missing_length_mm", "The length is not known.", "", _MISSING),
    ("missing_width_mm", "The width is not known.", "", _MISSING),
    ("missing_height_mm", "The height is not known.", "", _MISSING),
    ("missing_csc_valid", "It is not known whether the container's safety plate is in date.", "", "CSC 1972"),
    (
        "missing_proof_in_date",
        "It is not known whether the lifting proof test is in date.",
        "",
        "LOLER 1998 reg. 9",
    ),
    (
        "missing_driver_licence",
        "The driver's licence for this region is not known.",
        "",
        "2006/126/EC; 49 CFR 383.91",
    ),
    (
        "missing_trailer_gvwr_kg",
        "The plated mass of the trailer is not known.",
        "",
        "plate of the trailer; 49 CFR 390.5; 2006/126/EC",
    ),
    ("missing_braked", "It is not known whether the trailer is braked.", "", "UN R13; 49 CFR 393.42"),
    ("missing_tongue_kg", "The load on the coupling is not known.", "", "UN R55; SAE J684"),
    ("missing_axle_load_kg", "The axle loads are not known.", "", "96/53/EC; 23 CFR 658.17"),
    ("missing_forklift_axle_kg", "The axle load of the fork truck is not known.", "", "ISO 1496-1"),
    ("missing_cg_offset_mm", "The centre of gravity is not known.", "", "CTU Code annex 7, 3.1.4"),
    ("missing_leg_km", "The length of the leg is not known.", "", _MISSING),
    ("missing_runway_m", "The runway length is not known.", "", _MISSING),
    ("missing_elevation_m", "The elevation of the airfield is not known.", "", "ICAO Doc 9157 part 1"),
    ("missing_isa_dev_c", "The temperature above standard is not known.", "", "ICAO Doc 7488"),
    ("missing_surface", "The surface of the runway is not known.", "", _MISSING),
    ("missing_alt_m", "The pressure altitude is not known.", "", "ICAO Doc 7488"),
    ("missing_lift_points", "The number of lifting points is not known.", "", "MIL-STD-209K 5.1.1"),
    (
        "missing_sling_geometry",
        "Point spacing or leg length of the sling is not known.",
        "",
        "MIL-STD-209K 5.1.2",
    ),
    ("missing_leg_wll_kg", "The rated load of a sling leg is not known.", "", "EN 1492-1; ASME B30.9"),
    ("missing_lift_point_wll_kg", "The rated load of a lifting point is not known.", "", "ISO 3266"),
    ("missing_lashing", "The lashing is not known.", "", "EN 12195-1:2010"),
    (
        "missing_forklift",
        "Rated load, rated centre or load centre of the fork truck is not known.",
        "",
        "truck plate",
    ),
    ("missing_fork_pockets", "The fork pockets are not known.", "", "maker's drawing"),
    ("missing_axle_group", "Axles, spacing or mass of the axle group are not known.", "", "23 CFR 658.17"),
    ("missing_payload_limit", "What it may carry is not on file.", "", "plate or loading manual"),
    ("missing_opening_size", "The size of its opening is not on file.", "", _PLATE),
    ("missing_room_size", "The size of its room is not on file.", "", _PLATE),
    ("missing_form_kind", "It is not known whether it is a container itself.", "", "maker's drawing"),
    (
        "missing_container_gross_kg",
        "The maximum gross mass on its safety plate is not known.",
        "",
        "CSC 1972 annex I, reg. 1",
    ),
    (
        "missing_bearing_area_m2",
        "It stands on wheels or corners: the area of the boards under it is not known.",
        "",
        "operator's loading manual",
    ),
    (
        "missing_floor_limit",
        "What the floor of the aircraft bears is not known: ask the operator.",
        "",
        "operator's loading manual",
    ),
    ("missing_line_load_limit", "What its floor bears is not on file.", "", "CTU Code annex 7"),
    ("missing_range_figures", "Its payload and range are not on file.", "", "type data"),
    ("missing_runway_figure", "The runway it needs is not on file.", "", "type data; flight manual"),
    ("missing_hook_limit", "What its hook may carry is not on file.", "", "type data; flight manual"),
    ("missing_radius", "Its radius with a sling load is not on file.", "", "type data; flight manual"),
    ("missing_tow_rating", "What it may tow is not on file.", "", "vehicle plate"),
    ("missing_vehicle_plate", "The plated mass of the vehicle is not on file.", "", "vehicle plate"),
    ("missing_coupling_limit", "What its coupling may carry is not on file.", "", "UN R55 plate value"),
    (
        "outside_performance_table",
        "The density altitude is outside the planning table: only the flight manual can say.",
        "",
        "operator's performance chart",
    ),
    ("csc_invalid", "The container's safety plate is not in date.", "", "CSC 1972 as amended"),
    ("proof_expired", "The lifting proof test is not in date.", "", "LOLER 1998 reg. 9; MIL-STD-209K"),
    (
        "licence",
        "The driver's licence does not cover this combination.",
        "the licence",
        "2006/126/EC; 49 CFR 383.91",
    ),
    ("payload_mass", "It is heavier than the payload.", "the payload", "plate or loading manual"),
    (
        "uld_mass",
        "It is heavier than the pallet may carry.",
        "the pallet's mass limit",
        "IATA ULD Regulations; FM 55-17",
    ),
    (
        "hook_structural",
        "It is heavier than the hook may carry.",
        "the hook limit",
        "type data; flight manual",
    ),
    ("deck_payload", "It is heavier than the vehicle may carry.", "the vehicle's payload", "vehicle plate"),
    (
        "trailer_plate",
        "It is heavier than the plate of the trailer allows.",
        "the plate of the trailer",
        "plate of the trailer; 49 CFR 390.5; 1230/2012",
    ),
    (
        "container_plate",
        "It is heavier than its safety plate allows.",
        "its safety plate",
        "CSC 1972 annex I, reg. 1",
    ),
    ("not_on_wheels", "It does not stand on wheels of its own.", "", "maker's drawing"),
    ("not_a_container", "It is no freight container itself.", "", "CSC 1972 art. II"),
    ("not_iso_size", "It has not the outside size of a 10 or 20 ft container.", "", "ISO 668"),
    (
        "unbraked_limit",
        "It is too heavy to be towed without brakes.",
        "the limit without brakes",
        "2018/858 (O1); 49 CFR 393.42",
    ),
    (
        "tow_rating",
        "It is heavier than the vehicle may tow.",
        "the tow rating",
        "lowest of tow rating, coupling and GCWR",
    ),
    ("coupling_class", "It is heavier than the coupling class allows.", "the coupling class", "SAE J684"),
    ("door_height", "The door is too low.", "the height of the door", _PLATE),
    ("door_width", "The door is too narrow.", "the width of the door", _PLATE),
    (
        "roof_width",
        "The roof opening is too narrow.",
        "the width of the roof opening",
        "GDV TIS open-top page",
    ),
    (
        "roof_length",
        "The roof opening is too short.",
        "the length of the roof opening",
        "GDV TIS open-top page",
    ),
    ("hold_height", "The room is too low.", "the height of the room", _PLATE),
    ("hold_width", "The room is too narrow.", "the width of the room", _PLATE),
    ("hold_length", "The room is too short.", "the length of the room", _PLATE),
    (
        "uld_base",
        "It is larger than the usable area of the pallet.",
        "the pallet's usable area",
        "IATA ULD Regulations",
    ),
    (
        "uld_height",
        "It is higher than the contour allows.",
        "the contour",
        "IATA ULD Regulations; airport planning manuals",
    ),
    ("deck_length", "The deck is too short.", "the length of the deck", "vehicle data"),
    ("deck_width", "It is wider than the deck.", "the width of the deck", "vehicle data; common practice"),
    (
        "line_load",
        "It loads the floor too much per metre.",
        "the line load",
        "GDV Container Handbook; CTU Code annex 7",
    ),
    ("wheel_load", "Its axle is too heavy for the floor.", "its axle on the floor", "ISO 1496-1 floor test"),
    ("floor_pressure", "It presses too hard on the floor.", "the floor pressure", "maker's floor limit"),
    (
        "forklift_axle",
        "The fork truck is too heavy for the floor.",
        "the fork truck's axle",
        "ISO 1496-1 floor test",
    ),
    (
        "cg_eccentric",
        "The centre of gravity is too far from the middle.",
        "the centre of gravity",
        "CTU Code annex 7, 3.1.4",
    ),
    ("axle_load", "An axle carries more than the law allows.", "the axle load", "96/53/EC; 23 CFR 658.17"),
    (
        "tongue_low",
        "The coupling carries too little: the trailer may sway.",
        "the least coupling load",
        "UN R55; SAE J684 practice",
    ),
    (
        "tongue_high",
        "The coupling carries too much.",
        "the coupling load",
        "UN R55 plate value; SAE J684 practice",
    ),
    (
        "bridge_formula",
        "The axle group is heavier than the bridge formula allows.",
        "the bridge formula",
        "23 CFR 658.17",
    ),
    (
        "forklift_capacity",
        "It is too heavy for the fork truck at this load centre.",
        "the fork truck",
        "truck plate; OSHA field method",
    ),
    ("fork_pockets", "The forks do not fit the pockets.", "the fork pockets", "maker's drawing"),
    ("over_width", "It is wider than the law allows.", "the legal width", "96/53/EC; 23 CFR 658.15"),
    ("over_height", "It is higher than the law allows.", "the legal height", "96/53/EC; State law"),
    ("over_length", "It is longer than the law allows.", "the legal length", "96/53/EC"),
    (
        "payload_range",
        "It is too heavy to be flown that far.",
        "the payload at this range",
        "two-point payload-range line",
    ),
    ("range", "The leg is longer than the range.", "the range", "two-point payload-range line"),
    ("runway", "The runway is too short.", "the runway", "ICAO Doc 9157 part 1 corrections"),
    ("runway_surface", "The type does not use unpaved runways.", "the surface", "type data"),
    (
        "hook_performance",
        "It is too heavy to hover with at this altitude and temperature.",
        "the usable sling load",
        "planning rule; operator's chart",
    ),
    (
        "radius",
        "The leg is longer than the radius with a sling load.",
        "the radius",
        "planning rule: 1 h of fuel",
    ),
    ("no_lift_points", "It lacks four lifting points.", "the lifting points", "MIL-STD-209K 5.1.1"),
    ("sling_angle", "The sling legs are too flat.", "the sling angle", "MIL-STD-209K 5.1.2a"),
    ("sling_leg_short", "The sling legs are too short.", "the sling leg", "MIL-STD-209K 5.1.2a: 12 ft"),
    (
        "sling_leg_wll",
        "A sling leg is too weak.",
        "the sling leg's rated load",
        "statics; EN 1492-1, ASME B30.9",
    ),
    ("lift_point_wll", "A lifting point is too weak.", "the lifting point's rated load", "statics; ISO 3266"),
    ("sling_stability", "It could tip in the sling.", "the stability in the sling", "MIL-STD-209K 5.1.2g"),
    ("lashing_insufficient", "There are too few lashings.", "the lashings", "EN 12195-1:2010"),
    ("ok", "It fits.", "", ""),
    ("ok_rotated", "It fits when turned.", "", ""),
)
REASONS: dict[str, Reason] = {row[0]: Reason(*row) for row in _ROWS}
KEYS: tuple[str, ...] = tuple(REASONS)
CODE_OF: dict[str, int] = {key: code for code, key in enumerate(KEYS)}
CAN_FAIL: tuple[str, ...] = tuple(key for key in KEYS if not key.startswith(("missing_", "outside_", "ok")))
BIT_OF: dict[str, int] = {key: bit for bit, key in enumerate(CAN_FAIL)}
CAN_LACK: tuple[str, ...] = tuple(key for key in KEYS if key.startswith(("missing_", "outside_")))
LACK_BIT_OF: dict[str, int] = {key: bit for bit, key in enumerate(CAN_LACK)}
_UNITS: dict[str, tuple[str, ...]] = {
    "mm": (
        *(
            "door_height",
            "door_width",
            "roof_width",
            "roof_length",
            "hold_height",
            "hold_width",
            "hold_length",
        ),
        *(
            "uld_base",
            "uld_height",
            "deck_length",
            "deck_width",
            "cg_eccentric",
            "over_width",
            "over_height",
            "over_length",
        ),
        *("sling_leg_short", "sling_stability", "fork_pockets"),
    ),
    "kg": (
        *(
            "licence",
            "payload_mass",
            "uld_mass",
            "hook_structural",
            "deck_payload",
            "trailer_plate",
            "container_plate",
            "wheel_load",
            "unbraked_limit",
            "tow_rating",
        ),
        *("coupling_class", "forklift_axle", "axle_load", "tongue_low", "tongue_high", "bridge_formula"),
        *("forklift_capacity", "payload_range", "hook_performance", "sling_leg_wll", "lift_point_wll"),
    ),
    "kg/m": ("line_load",),
    "kg/m2": ("floor_pressure",),
    "km": ("range", "radius"),
    "m": ("runway",),
    "deg": ("sling_angle",),
    "lashings": ("lashing_insufficient",),
}
UNIT_OF: dict[str, str] = {key: unit for unit, keys in _UNITS.items() for key in keys}
