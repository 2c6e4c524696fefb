"""Water that people and institutions need, what must be made for it, and the taps and storage it takes.

Formulas 1a to 1g of `reference/water_energy_sites.md`; litres per person from the Sphere Handbook 2018, WASH standard 2.1
and appendix 3 (`readiness/domain/tables/water_demand.csv`, each row with its source and how sure it is).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fleet.lib.tables import read_table
from readiness.domain.site.inputs import Answer, BadSite, floats, given, missing_of, not_negative, positive

SPHERE_L_PERSON_DAY = 15.0  # Sphere 2018 WASH 2.1, minimum indicator (read)
PEOPLE_PER_TAP, TAP_L_MIN = 250, 7.5  # the same
LOSS_FRACTION = 0.15  # 10 to 25 %, until metered (practice)
STORAGE_H = 24.0  # half a day is the least (EU module, memory); a day is safer
WHOLE = 1e-9  # an exact multiple takes no extra unit


@dataclass(frozen=True, slots=True)
class Norm:
    """Litres one head of a group needs a day, low and high, with source and confidence."""

    key: str
    group: str
    use: str
    low_l: float
    high_l: float
    per: str
    source: str
    confidence: str

    @property
    def middle_l(self) -> float:
        return (self.low_l + self.high_l) / 2.0


@cache
def norms() -> dict[str, Norm]:
    """Every norm in litres of `water_demand.csv`, by key."""
    return {
        row["id"]: Norm(
            row["id"],
            row["group"],
            row["use"],
            row.number("low"),
            row.number("high"),
            row["per"],
            row["source"],
            row["confidence"],
        )
        for row in read_table("readiness.domain.tables", "water_demand")
        if row["unit"] == "L" and row["group"] in {"household", "institution", "livestock"}
    }


@dataclass(frozen=True, slots=True)
class Group:
    """Heads of one institution: `n` patients, pupils, animals; `l_per_day` each (None: the high end of its norm)."""

    key: str
    n: float | None
    l_per_day: float | None = None


def household_m3_day(people: ArrayLike, l_per_person_day: ArrayLike) -> Any:
    """1a: m3 a day. BadSite for people or litres of 0 or less."""
    return given(
        positive("number of people", people)
        * positive("litres per person and day", l_per_person_day)
        / 1000.0
    )


def institutions_m3_day(n: ArrayLike, l_per_day: ArrayLike) -> Any:
    """1b: m3 a day of all heads together; arrays of one length."""
    return given(
        np.sum(not_negative("number of heads", n) * not_negative("litres per head", l_per_day), axis=-1)
        / 1000.0
    )


def production_m3_day(net_m3_day: ArrayLike, loss_fraction: ArrayLike = LOSS_FRACTION) -> Any:
    """1c: what must be made so that `net_m3_day` arrives. BadSite for a loss outside 0 to below 1."""
    loss = not_negative("loss", loss_fraction)
    if np.any(loss >= 1.0):
        raise BadSite("site.loss", "The share that is lost must be below 1 (100 %).")
    return given(not_negative("demand", net_m3_day) / (1.0 - loss))


def units_needed(demand_m3_day: ArrayLike, unit_m3_day: ArrayLike, spare: ArrayLike = 0) -> Any:
    """1e: whole units for a demand, and `spare` more (1: it holds with any one out). NaN where something is missing."""
    demand = not_negative("demand", demand_m3_day)
    units = np.ceil(demand / positive("output of a unit", unit_m3_day) - WHOLE)
    return given(units + not_negative("number of spare units", spare))


def taps_needed(people: ArrayLike, people_per_tap: ArrayLike = PEOPLE_PER_TAP) -> Any:
    """1f: taps, whole."""
    return given(
        np.ceil(positive("number of people", people) / positive("people per tap", people_per_tap) - WHOLE)
    )


def tap_hours(
    people: ArrayLike, l_per_person_day: ArrayLike, taps: ArrayLike, l_per_min: ArrayLike = TAP_L_MIN
) -> Any:
    """1f: hours a day that all taps must run."""
    litres = positive("number of people", people) * positive("litres per person and day", l_per_person_day)
    return given(litres / (positive("number of taps", taps) * positive("flow of a tap", l_per_min) * 60.0))


def storage_m3(m3_day: ArrayLike, hours: ArrayLike = STORAGE_H) -> Any:
    """1g: treated water to keep."""
    return given(not_negative("demand", m3_day) * not_negative("hours of storage", hours) / 24.0)


@dataclass(frozen=True, slots=True)
class Demand:
    """What a call needs a day [m3], by line; `answer` is what must be made, or what is missing."""

    lines: tuple[tuple[str, float], ...]
    net_m3_day: float | None
    answer: Answer

    @property
    def sentence(self) -> str:
        return self.answer.sentence


def demand_of_call(
    people: float | None,
    groups: Sequence[Group] = (),
    l_per_person_day: float | None = None,
    loss_fraction: float | None = None,
) -> Demand:
    """Households and institutions of one call. A norm that stands in for a figure nobody gave is named in `assumed`.

    Of a norm with two ends the high one counts: too little water is the harm. Missing people or heads cannot be decided.
    """
    assumed: list[str] = []
    if l_per_person_day is None:
        l_per_person_day = SPHERE_L_PERSON_DAY
        assumed.append(f"{SPHERE_L_PERSON_DAY:g} L per person and day (Sphere 2018, WASH 2.1)")
    if loss_fraction is None:
        loss_fraction = LOSS_FRACTION
        assumed.append(f"{LOSS_FRACTION:.0%} lost between unit and tap (practice)")
    known = norms()
    for group in groups:
        if group.key not in known:
            raise BadSite(
                "site.group",
                "There is no norm '{key}'. Known are: {known}.",
                key=group.key,
                known=", ".join(sorted(known)),
            )
    missing = missing_of(
        {"number of people": people, **{f"number for {known[g.key].use}": g.n for g in groups}}
    )
    if missing:
        return Demand((), None, Answer(None, "m3/day", missing, tuple(assumed)))
    not_negative("number of people", people)
    lines: list[tuple[str, float]] = []
    if people:
        lines.append(("households", household_m3_day(people, l_per_person_day)))
    elif not groups:
        raise BadSite("site.number_of_people", "A call serves at least one person or institution.")
    for group in groups:
        norm = known[group.key]
        each_l = norm.high_l if group.l_per_day is None else group.l_per_day
        if group.l_per_day is None:
            assumed.append(f"{each_l:g} L per {norm.per} for {norm.use} ({norm.source})")
        lines.append((norm.use, float(institutions_m3_day([floats(group.n)], [each_l]))))
    net = sum(amount for _use, amount in lines)
    return Demand(
        tuple(lines), net, Answer(float(production_m3_day(net, loss_fraction)), "m3/day", (), tuple(assumed))
    )
