"""Everything about one charge of one bank in one answer: settings, what forbids it, hours, energy, circuit, air.

Puts the question to `charge_settings`, `charge_inhibits`, `charge_times`, `charge_supply` and `ventilation`, which state
their sources; adds none of its own. What is not known stays missing: no part of the answer is made up for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from readiness.domain.charge_checks import ChargeCheck, known
from readiness.domain.charge_inhibits import Condition, Inhibits, charge_inhibits
from readiness.domain.charge_settings import ChargeSettings, MakerSettings, charge_settings
from readiness.domain.charge_supply import CircuitLoad, circuit_load
from readiness.domain.charge_times import charge_courses
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import chemistry, chemistry_index
from readiness.domain.inputs import FloatArray
from readiness.domain.ventilation import GassingBank, Room, Ventilation, room_ventilation


@dataclass(frozen=True, slots=True)
class Circuit:
    """The circuit that feeds the charger; None is not known. `volts` [V] of the circuit, `breaker_a` [A]."""

    volts: float | None = None
    phases: int = 1
    power_factor: float | None = None
    breaker_a: float | None = None


@dataclass(frozen=True, slots=True)
class ChargeQuestion:
    """One bank as it stands. `temp_low_c`, `temp_high_c` [degC] of its cells; `low_soc` [1] the low end of its charge;
    `rest_v_cell` [V] of its lowest block; `charger_a` [A], `charger_v` [V]; `gas_ma_ah` what its maker states."""

    chemistry: str
    cells: float
    capacity_ah: float
    temp_low_c: float | None = None
    temp_high_c: float | None = None
    low_soc: float | None = None
    condition: Condition = Condition.UNKNOWN
    rest_v_cell: float | None = None
    sg_full: float | None = None
    sg_empty: float | None = None
    charger_a: float | None = None
    charger_v: float | None = None
    maker: MakerSettings | None = None
    gas_ma_ah: float | None = None
    room: Room = field(default_factory=Room)
    circuit: Circuit = field(default_factory=Circuit)


@dataclass(frozen=True, slots=True)
class ChargePhases:
    """Hours [h], energy [kWh] and power [kW] of the charge; None where it cannot be told."""

    bulk_h: float | None
    tail_h: float | None
    hold_h: float | None
    wait_h: float | None
    total_h: float | None
    removed_ah: float | None
    wall_kwh: float | None
    start_a: float | None
    start_kw: float | None


@dataclass(frozen=True, slots=True)
class ChargeCard:
    """The answer. `forbidden` names what forbids the charge, `unknown` what must be found out before it is allowed."""

    settings: ChargeSettings
    inhibits: Inhibits
    forbidden: tuple[str, ...]
    unknown: tuple[str, ...]
    phases: ChargePhases
    unstated: int
    circuit: CircuitLoad
    air: Ventilation

    @property
    def outcome(self) -> CheckOutcome:
        """Whether the bank may be charged now: what forbids it, and what is not known of that."""
        return CheckOutcome(int(self.inhibits.outcome[0]))

    @property
    def checks(self) -> tuple[ChargeCheck, ...]:
        return (*self.settings.checks, *self.circuit.checks, *self.air.checks)


def charge_card(asked: ChargeQuestion) -> ChargeCard:
    """Answer for one bank. Raises RejectedInput where a figure cannot be (no capacity, temperature band crossed)."""
    settings = charge_settings(
        asked.chemistry,
        asked.cells,
        asked.capacity_ah,
        temp_low_c=asked.temp_low_c,
        temp_high_c=asked.temp_high_c,
        maker=asked.maker,
        charger_a=asked.charger_a,
        charger_v=asked.charger_v,
    )
    chem = np.array([chemistry_index()[asked.chemistry]])
    inhibits = charge_inhibits(
        chem,
        _one(asked.temp_low_c),
        _one(asked.temp_high_c),
        low_soc=_one(asked.low_soc),
        condition=np.array([int(asked.condition)]),
        rest_v_cell=_one(asked.rest_v_cell),
        sg_full=_one(asked.sg_full),
        sg_empty=_one(asked.sg_empty),
    )
    course = charge_courses(
        chem,
        _one(asked.capacity_ah),
        _one(asked.low_soc),
        _one(asked.charger_a),
        _one(asked.cells),
        v_cell=_one(None if settings.absorb_v is None else settings.absorb_v / asked.cells),
    )
    phases = ChargePhases(
        *(
            known(float(column[0]))
            for column in (
                course.bulk_h, course.tail_h, course.hold_h, course.wait_h, course.total_h,
                course.removed_ah, course.wall_kwh, course.start_a, course.start_kw,
            )
        )
    )  # fmt: skip
    return ChargeCard(
        settings,
        inhibits,
        inhibits.reasons(0),
        inhibits.missing(0),
        phases,
        0 if np.isnan(course.unstated[0]) else int(course.unstated[0]),
        _circuit(asked),
        room_ventilation([_gassing(asked)], asked.room),
    )


def _circuit(asked: ChargeQuestion) -> CircuitLoad:
    """The charger alone on its circuit, at the most it can draw: a bank nearly full today will not always be."""
    empty = charge_courses(
        np.array([chemistry_index()[asked.chemistry]]),
        _one(asked.capacity_ah),
        np.zeros(1),
        _one(asked.charger_a),
        _one(asked.cells),
    )
    return circuit_load(
        [known(float(empty.start_kw[0]))],
        volts=asked.circuit.volts,
        pf=asked.circuit.power_factor,
        breaker_a=asked.circuit.breaker_a,
        hours=known(float(empty.total_h[0])),
        phases=asked.circuit.phases,
    )


def _gassing(asked: ChargeQuestion) -> GassingBank:
    """At its worst: on boost, at the voltage its charger is set to where that is higher than the table's."""
    stated = (
        None if asked.maker is None else asked.maker.absorb_v_cell,
        None if asked.charger_v is None else asked.charger_v / asked.cells,
        chemistry(asked.chemistry).absorb_v_cell_25c,
    )
    volts = max((value for value in stated if value is not None), default=None)
    return GassingBank(
        "bank",
        asked.chemistry,
        asked.cells,
        asked.capacity_ah,
        v_cell_25c=volts,
        i_gas_ma_ah=asked.gas_ma_ah,
    )


def _one(value: float | None) -> FloatArray:
    return np.array([np.nan if value is None else float(value)])


def missing_of(checks: Sequence[ChargeCheck]) -> tuple[str, ...]:
    """What all of these checks lack, once each."""
    return tuple(dict.fromkeys(name.partition(":")[0] for check in checks for name in check.missing))
