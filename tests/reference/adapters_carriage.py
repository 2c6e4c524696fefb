"""Cases of carriage: a fact the case does not state is a question it does not ask."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

from fleet.domain.fit.answers import (
    FullAnswer,
    answer_axle_group,
    answer_forklift,
    answer_one,
    answer_sling,
)
from fleet.domain.fit.forklift import ForkTruck
from fleet.domain.fit.loads import Load
from fleet.domain.fit.trip import Clearance, Clearances, Lashing, Topic, Topics, Trip

Values = dict[str, Any]
LOAD_FACTS = ("length_mm", "width_mm", "height_mm", "mass_kg", "no_rotate", "braked", "tongue_kg")
CONDITION_FACTS_OF_LOAD = {
    "cg_offset_mm": "cg_offset_mm",
    "bearing_length_mm": "bearing_length_mm",
    "bearing_area_m2": "bearing_area_m2",
    "csc_valid": "csc_valid",
    "trailer_gvwr_kg": "trailer_gvwr_kg",
    "lift_points": "lift_points",
    "lift_point_wll_kg": "lift_point_wll_kg",
    "point_wll_kg": "lift_point_wll_kg",
    "cg_above_points_mm": "cg_above_points_mm",
    "half_width_mm": "half_width_mm",
}
TRIP_FACTS = {
    "load_by": "load_by",
    "allow_overheight": "allow_overheight",
    "allow_oog": "allow_oog",
    "forklift_axle_kg": "forklift_axle_kg",
    "uld": "uld",
    "leg_km": "leg_km",
    "runway_m": "runway_m",
    "elevation_m": "elevation_m",
    "isa_dev_c": "isa_dev_c",
    "slope_pct": "slope_pct",
    "surface": "surface",
    "alt_m": "alt_m",
    "rigging_kg": "rigging_kg",
    "driver_licence": "driver_licence",
    "sae_class": "sae_class",
    "leg_length_mm": "sling_leg_mm",
    "n_eff": "sling_legs_bearing",
    "leg_wll_kg": "sling_leg_wll_kg",
}
TOPIC_OF_FACT = {
    "csc_valid": Topic.PLATE,
    "driver_licence": Topic.LICENCE,
    "braked": Topic.BRAKES,
    "tongue_kg": Topic.TONGUE,
    "forklift_axle_kg": Topic.FORKLIFT_AXLE,
    "cg_offset_mm": Topic.CENTRE_OF_GRAVITY,
    "runway_m": Topic.RUNWAY,
    "surface": Topic.SURFACE,
    "alt_m": Topic.HOVER,
    "lift_points": Topic.LIFT_POINTS,
    "leg_length_mm": Topic.SLING_ANGLE,
    "leg_wll_kg": Topic.SLING_LEG,
    "lift_point_wll_kg": Topic.LIFT_POINT_RATING,
    "point_wll_kg": Topic.LIFT_POINT_RATING,
    "cg_above_points_mm": Topic.SLING_STABILITY,
    "lashing": Topic.LASHING,
}


def carriage(inputs: Values) -> Values:
    load, conditions = inputs["load"], inputs["conditions"]
    return _told(_answered(load, inputs["conveyance"], conditions))


def _answered(load: Values, conveyance: str, conditions: Values) -> FullAnswer:
    if conveyance == "axle_group_us":
        return answer_axle_group(*(conditions.get(name) for name in ("axles", "spacing_ft", "group_mass_kg")))
    if conveyance == "forklift":
        truck = ForkTruck(conditions.get("rated_kg"), conditions.get("rated_lc_mm"))
        return answer_forklift(
            Load(mass_kg=load.get("mass_kg"), load_centre_mm=conditions.get("lc_mm")), truck
        )
    record, trip = _load(load, conditions), _trip(load, conditions)
    return answer_sling(record, trip) if conveyance == "sling" else answer_one(record, conveyance, trip)


def _load(load: Values, conditions: Values) -> Load:
    facts = {name: load[name] for name in LOAD_FACTS if name in load}
    facts |= {
        field: conditions[name] for name, field in CONDITION_FACTS_OF_LOAD.items() if name in conditions
    }
    if "point_spacing_mm" in conditions:
        # the cases take the half diagonal in whole millimetres, as their sources print it; the product does not round
        facts["point_run_mm"] = float(round(math.hypot(*conditions["point_spacing_mm"]) / 2))
    return Load(**facts)


def _trip(load: Values, conditions: Values) -> Trip:
    clear = conditions.get("clearance_mm") or {}
    if not isinstance(clear, dict):
        clear = dict.fromkeys("whl", clear)
    facts = {field: conditions[name] for name, field in TRIP_FACTS.items() if name in conditions}
    if "alt_m" in facts or "runway_m" in facts:
        facts = {"isa_dev_c": 0.0, "elevation_m": 0.0} | facts
    if conditions.get("lashing"):
        stated = conditions["lashing"]
        facts["lashing"] = Lashing(**{f.name: stated[f.name] for f in fields(Lashing) if f.name in stated})
    clearances = Clearances.same(Clearance(clear.get("w", 0), clear.get("h", 0), clear.get("l", 0)))
    return Trip(asked=_asked(load | conditions), clearances=clearances, **{"rigging_kg": 0.0, **facts})


def _asked(facts: Values) -> Topics:
    topics = {topic for fact, topic in TOPIC_OF_FACT.items() if facts.get(fact) is not None}
    if facts.get("leg_km") is not None:
        topics |= {Topic.RANGE, Topic.RADIUS}
    return frozenset(topics)


def _told(full: FullAnswer) -> Values:
    answer = full.answer
    return {
        "verdict": answer.verdict,
        "reason_key": answer.reason,
        "margin": answer.margin,
        "margin_unit": answer.margin_unit,
        "margin_check": answer.margin_check,
        "also_fails": answer.also_fails,
    }
