"""Transport class of 10,000 units that all differ: all conveyances and all modes in one pass, against one unit at a time."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from fleet.domain.dangerous_goods.batteries import BatteryVerdicts, decide_columns
from fleet.domain.dangerous_goods.columns import battery_columns
from fleet.domain.dangerous_goods.records import Battery
from fleet.domain.dangerous_goods.words import Mode
from fleet.domain.fit.answers import Conveyances, FleetAnswer, answer_fleet, held_conveyances
from fleet.domain.fit.helicopters import hook
from fleet.domain.fit.loads import Load
from fleet.domain.fit.trip import Trip

pytestmark = pytest.mark.bench

UNITS = 10_000
SAMPLE = 60
LEAST_RATIO = 50.0
SHIP_DATE = date(2026, 6, 30)
TRIP = Trip(
    leg_km=60.0,
    runway_m=2000.0,
    elevation_m=400.0,
    isa_dev_c=10.0,
    surface="paved",
    alt_m=900.0,
    driver_licence="CE",
)


def fleet_of(count: int) -> tuple[list[Load], list[Battery]]:
    rng = np.random.default_rng(3)
    sizes = rng.uniform((1500, 1200, 1200, 400), (6500, 2700, 2800, 7000), (count, 4))
    loads = [
        Load(
            *size,
            braked=True,
            tongue_kg=0.12 * size[3],
            lift_points=4.0,
            csc_valid=True,
            proof_in_date=True,
            cg_offset_mm=50.0,
            trailer_gvwr_kg=3500.0,
        )
        for size in sizes.tolist()
    ]
    chemistries = rng.choice(["li_ion", "lead_acid", "na_ion", "nimh", "li_metal"], count).tolist()
    configs = rng.choice(["installed", "alone", "packed_with"], count).tolist()
    numbers = rng.uniform((5, 10, 0.5, 5), (3000, 90, 60, 60), (count, 4)).tolist()
    batteries = [
        Battery(
            chemistry=chemistry,
            form="battery",
            condition="ok",
            terminals_protected=True,
            config=config,
            host="equipment",
            un383="pass",
            wh=wh,
            li_g=wh / 100.0,
            soc_pct=soc,
            net_mass_kg=net,
            package_gross_kg=gross,
            spare_sets=1.0,
            electrolyte="organic",
            wet_type="flooded",
            upright_secured=True,
        )
        for chemistry, config, (wh, soc, net, gross) in zip(chemistries, configs, numbers, strict=True)
    ]
    return loads, batteries


def transport_class(
    loads: list[Load], batteries: list[Battery]
) -> tuple[FleetAnswer, dict[Mode, BatteryVerdicts]]:
    columns = battery_columns(batteries)
    modes = {mode: decide_columns(columns, mode, SHIP_DATE) for mode in Mode}
    return answer_fleet(loads, TRIP), modes


def processor_seconds(work: Callable[[], Any]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def test_ten_thousand_units_in_one_pass() -> None:
    loads, batteries = fleet_of(UNITS)
    assert len(set(loads)) == len(set(batteries)) == UNITS
    held_conveyances.cache_clear()

    start = time.perf_counter()
    together = processor_seconds(lambda: transport_class(loads, batteries))
    wall = time.perf_counter() - start
    one_by_one = processor_seconds(
        lambda: [transport_class([loads[i]], [batteries[i]]) for i in range(SAMPLE)]
    )
    ratio = one_by_one / SAMPLE * UNITS / together
    tracemalloc.start()
    fleet, modes = transport_class(loads, batteries)
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    pairs = UNITS * (len(fleet.keys) + len(modes))
    print(
        f"\n{UNITS} units x {len(fleet.keys)} conveyances and {len(modes)} modes = {pairs} answers: "
        f"{together:.2f} s of processor, {wall:.2f} s by the clock, {peak / 2**20:.0f} MiB at most; "
        f"one unit at a time {one_by_one / SAMPLE * UNITS:.0f} s (from {SAMPLE}): {ratio:.0f} times"
    )
    assert_equal_to_singles(fleet, modes, loads, batteries)
    assert ratio >= LEAST_RATIO
    assert peak < 600 * 2**20


def assert_equal_to_singles(
    fleet: FleetAnswer, modes: dict[Mode, BatteryVerdicts], loads: list[Load], batteries: list[Battery]
) -> None:
    for place in range(0, UNITS, UNITS // SAMPLE):
        single, single_modes = transport_class([loads[place]], [batteries[place]])
        for key in fleet.keys:
            assert fleet.answer(place, key) == single.answer(0, key)
        for mode, verdicts in modes.items():
            one = single_modes[mode]
            for name in ("verdict", "un", "reason"):
                assert getattr(verdicts, name)[place] == getattr(one, name)[0]
            assert verdicts.missing_of(place) == one.missing_of(0)


def test_which_units_go_under_a_hook_today() -> None:
    """The question of a filter: every unit that can go under a 2,800 kg hook, one pass over 10,000 units."""
    loads, _batteries = fleet_of(UNITS)
    trip = replace(TRIP, alt_m=1900.0, isa_dev_c=0.0)
    hooks = Conveyances.only(helicopters=hook(2800.0))
    seconds = processor_seconds(lambda: answer_fleet(loads, trip, hooks))
    fits = answer_fleet(loads, trip, hooks).fits("hook")
    print(f"\n{UNITS} units under a 2,800 kg hook: {seconds:.3f} s; {fits.sum()} fit")
    assert fits.tolist() == [load.mass_kg + trip.rigging_kg <= 2800.0 for load in loads]
    assert seconds < 1.0
