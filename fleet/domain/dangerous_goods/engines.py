"""Engines and machines with fuel: clean, drained, or with fuel in the tank.

Source: section 4.5 of the procedure; `tables/dangerous_goods_reasons.csv` (PI 378, SP 363, SP 961/962, 49 CFR 176.905).
"""

from __future__ import annotations

from fleet.domain.dangerous_goods.other_goods import Ruling, free, permitted, unknown
from fleet.domain.dangerous_goods.records import Engine
from fleet.domain.dangerous_goods.words import Mode, Verdict

QUARTER_PCT = 25.0
PLATES_OVER_L = 1000.0
SP962_MOST_L = 250.0
UN_OF_FUEL = {"petrol": "UN 3528", "diesel": "UN 3528", "kerosene": "UN 3528", "lpg": "UN 3529"}
STATES = ("never_fuelled", "drained_purged", "drained", "in_tank")
PURGED = ("never_fuelled", "drained_purged")
EMPTIED = (*PURGED, "drained")


def rule_engine(engine: Engine, mode: Mode, *, strict: bool = True) -> Ruling:
    """An engine by fuel, state and tank level [percent]; `strict` also asks the litres at sea (SP 962: 250 L)."""
    un = UN_OF_FUEL.get(engine.fuel or "", "none")
    state = engine.fuel_state if engine.fuel_state in STATES else None
    if state is None or un == "none":
        lacking = [name for name, known in (("fuel_state", state), ("fuel", un != "none")) if not known]
        return unknown("missing_fuel_state" if state is None else "missing_fuel_type", un, *lacking)
    clean = _clean(engine.other_dg, state, mode)
    if clean is not None:
        return clean
    if mode is Mode.AIR:
        return _by_air(engine, state, un)
    if mode is Mode.SEA:
        return _by_sea(engine, state, un, strict)
    over = engine.fuel_l is not None and engine.fuel_l > PLATES_OVER_L
    return permitted("engine_over_1000l_plates" if over else "engine_surface_sp363", un)


def _clean(other_dg: bool | None, state: str, mode: Mode) -> Ruling | None:
    if other_dg is not False:
        return None
    if mode is Mode.AIR:
        return free("engine_a70_clean") if state in PURGED else None
    if state not in EMPTIED:
        return None
    return free("engine_no_fuel_sea" if mode is Mode.SEA else "engine_no_fuel_sp363")


def _by_air(engine: Engine, state: str, un: str) -> Ruling:
    if engine.fuel == "lpg":
        return Ruling(Verdict.CARGO_AIRCRAFT_ONLY, "engine_un3529_cao", un)
    if state != "in_tank":
        return permitted("engine_air_pi378", un)
    level = ("tank_fill_pct",) if engine.tank_fill_pct is None else ()
    if engine.upright_only is None:
        return unknown("missing_upright", un, "upright_only", *level)
    if not engine.upright_only:
        return Ruling(Verdict.FORBIDDEN, "engine_must_be_drained", un)
    if engine.tank_fill_pct is None:
        return unknown("missing_tank_fill", un, "tank_fill_pct")
    if engine.tank_fill_pct <= QUARTER_PCT:
        return permitted("engine_air_pi378", un)
    if engine.fuel != "diesel":
        return Ruling(Verdict.FORBIDDEN, "engine_tank_over_quarter", un)
    if engine.ullage_ok is True:
        return permitted("engine_air_diesel_ullage", un)
    return unknown("missing_ullage", un, "ullage_ok")


def _by_sea(engine: Engine, state: str, un: str, strict: bool) -> Ruling:
    if state != "in_tank":
        return permitted("engine_surface_sp363", un)
    litres = ("fuel_l",) if strict and engine.fuel_l is None else ()
    if engine.tank_fill_pct is None:
        return unknown("missing_tank_fill", un, "tank_fill_pct", *litres)
    if engine.tank_fill_pct > QUARTER_PCT or (engine.fuel_l or 0.0) > SP962_MOST_L:
        return unknown("sea_tank_over_quarter_expert", un)
    if litres:
        return unknown("missing_fuel_litres", un, *litres)
    return permitted("engine_surface_sp363", un)
