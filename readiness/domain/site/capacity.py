"""What units can do at a site in a day, with the part that limits each: water and energy, never a percentage.

Formula 1d of `reference/water_energy_sites.md` with the parts of sections 2 and 3. Columns of one length, one row a unit (or
a month of one unit); NaN is 'not known' and makes the answer undecided, unless something known already refuses. A standing
bank moves energy into the night at its round trip; a generator or the grid adds to the day.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from readiness.domain.site import energy, treatment
from readiness.domain.site.inputs import BadSite, Bools, Floats, cannot_decide, floats, within

# What is asked of each row, and its words. 0 or 1 answers a question of yes or no.
UNIT: dict[str, str] = {
    "trains": "number of trains",
    "trains_down": "trains that are down",
    "media_area_m2": "area of the media filter",
    "media_rate_m_h": "rate of the media filter",
    "media_load_kg_m2": "solids the media filter holds",
    "backwash_m_h": "backwash rate",
    "backwash_minutes": "minutes of backwash",
    "cartridge_removal": "share of the turbidity that the cartridges hold",
    "carbon_bed_l": "carbon bed",
    "least_ebct_min": "least contact time of the carbon",
    "uv_rated_m3_h": "rated flow of the lamp",
    "uv_rated_uvt": "transmittance the lamp is rated for",
    "uv_path_cm": "path of the light",
    "uv_rated_dose": "rated dose",
    "uv_need_dose": "needed dose",
    "uv_w": "power of a lamp",
    "lamp_burnt_h": "hours of the lamp",
    "lamp_life_h": "rated hours of the lamp",
    "sleeve": "cleanness of the lamp's sleeve",
    "pump_m3_h": "flow of the pump",
    "pump_eta": "efficiency of the pump",
    "standby_w": "standby draw",
    "kwp": "power of the array",
    "performance_ratio": "performance ratio of the array",
    "bank_kwh": "energy of the bank",
    "bank_depth": "depth of discharge",
    "round_trip": "round trip of the bank",
    "inverter_eta": "efficiency of the inverter",
}
SITE: dict[str, str] = {
    "salt": "whether the water is salt, or holds nitrate, arsenic or fluoride",
    "turbidity_ntu": "turbidity of the raw water",
    "uvt_per_cm": "transmittance of the water",
    "tss_per_ntu": "solids per NTU",
    "coagulant": "whether coagulant or settling is there",
    "head_m": "head from source to tank",
    "source_m3_day": "yield of the source",
    "hours_day": "hours of work a day",
    "poa_kwh_m2_d": "sun on the array",
    "daylight_h": "hours of daylight",
    "other_kwh_day": "other power wanted",
    "aid_kwh_day": "energy from generator or grid",
}
INPUTS = UNIT | SITE
SHARES = (
    "sleeve", "cartridge_removal", "uvt_per_cm", "uv_rated_uvt", "pump_eta", "performance_ratio", "bank_depth", "round_trip",
    "inverter_eta", "salt", "coagulant",
)  # fmt: skip
# What may stand in for a figure nobody gave, by the owner's choice; each is named on the result.
USUAL: dict[str, tuple[float, str]] = {
    "tss_per_ntu": (treatment.TSS_PER_NTU, "1.5 mg/L of solids per NTU (Cornwell, from memory)"),
    "sleeve": (treatment.SLEEVE, "a sleeve that lets 90 % through (from memory)"),
    "media_load_kg_m2": (1.5, "the filter holds 1.5 kg/m2 (from memory)"),
    "backwash_m_h": (40.0, "backwash at 40 m/h (from memory)"),
    "backwash_minutes": (8.0, "8 minutes of backwash (from memory)"),
    "least_ebct_min": (treatment.FLAG_EBCT_MIN, "10 minutes in the carbon (WHO annex 5, from memory)"),
    "uv_need_dose": (40.0, "40 mJ/cm2 (NSF/ANSI 55 class A)"),
    "performance_ratio": (0.70, "performance ratio 0.70, hot and dusty (practice)"),
    "round_trip": (0.85, "the bank gives back 85 % (practice)"),
    "inverter_eta": (0.88, "the inverter gives on 88 % (practice)"),
}
PARTS: dict[str, str] = {
    "salt": "salt, nitrate, arsenic or fluoride, which no train removes",
    "turbidity": "the turbidity of the raw water",
    "trains": "no train that runs",
    "media": "the media filter",
    "carbon": "the contact time of the carbon",
    "lamp": "the dose of the lamp",
    "pump": "the pump",
    "source": "the yield of the source",
    "bank": "the bank at night",
    "energy": "the energy of the day",
}
KEYS = tuple(PARTS)
_HOURLY = ("media", "carbon", "lamp", "pump")


@dataclass(frozen=True, slots=True)
class SiteOutput:
    """Per row: water [m3/day] (0 refused, NaN undecided), the limiting part, each part's limit, energy, what is missing.

    `limits_m3_day` (rows, parts as `KEYS`): infinite where a part does not limit, NaN where it cannot be told.
    `energy_kwh_day` what array, generator and grid give; `short_kwh_day` what standby and other power want beyond it;
    `left_kwh_day` what remains after the water and the losses of the bank. `flags`: `lamp_turbid` 1 to 5 NTU into the
    lamp, `hours` the hours of work bind.
    """

    m3_day: Floats
    limiting: tuple[str, ...]
    limits_m3_day: Floats
    energy_kwh_day: Floats
    short_kwh_day: Floats
    left_kwh_day: Floats
    hours_day: Floats
    missing: tuple[tuple[str, ...], ...]
    assumed: tuple[tuple[str, ...], ...]
    flags: dict[str, Bools]

    def sentence(self, row: int = 0) -> str:
        """One plain sentence about a row."""
        water = float(self.m3_day[row])
        if np.isnan(water):
            return cannot_decide(self.missing[row])
        part = PARTS[self.limiting[row]]
        if water <= 0.0:
            return f"No water here: {part}."
        return f"{int(water * 1000):,} L a day; what limits it: {part}."


def daily_output(columns: Mapping[str, ArrayLike | None], assume: frozenset[str] = frozenset()) -> SiteOutput:
    """The answer for every row. `columns` as `UNIT` and `SITE`, broadcast to one length; absent ones are not known.

    `assume` names columns of `USUAL` whose gaps may be filled. BadSite for a name that is not known, or a wrong value.
    """
    unknown = [name for name in columns if name not in INPUTS] + [
        name for name in assume if name not in USUAL
    ]
    if unknown:
        raise BadSite("site.column", "There is no input '{name}' of a site.", name=unknown[0])
    c = _columns(columns)
    assumed: list[tuple[str, ...]] = [() for _row in c["trains"]]
    for name in sorted(assume):
        gaps = np.isnan(c[name])
        for row in np.flatnonzero(gaps):
            assumed[row] = (*assumed[row], USUAL[name][1])
        c[name] = np.where(gaps, USUAL[name][0], c[name])
    missing = _missing(c)
    with np.errstate(divide="ignore", invalid="ignore"):
        return _answer(c, missing, tuple(assumed))


def by_month(
    columns: Mapping[str, ArrayLike | None],
    poa_kwh_m2_d: Floats,
    daylight_h: Floats,
    assume: frozenset[str] = frozenset(),
) -> SiteOutput:
    """One unit in each of twelve months: `poa_kwh_m2_d` and `daylight_h` (12,)."""
    return daily_output({**columns, "poa_kwh_m2_d": poa_kwh_m2_d, "daylight_h": daylight_h}, assume)


def worst_month(year: SiteOutput, months: tuple[int, ...]) -> int:
    """The month 1..12 of a mission with the least water; the first that cannot be decided comes before all."""
    rows = np.asarray(months, dtype=np.int64) - 1
    water = year.m3_day[rows]
    return int(months[int(np.argmin(np.where(np.isnan(water), -1.0, water)))])


def _columns(columns: Mapping[str, ArrayLike | None]) -> dict[str, Floats]:
    rows = np.broadcast_shapes((1,), *(floats(value).shape for value in columns.values()))
    if len(rows) != 1:
        raise BadSite("site.column", "Every input of a site is a number or a column.")
    told = {name: np.broadcast_to(floats(columns.get(name)), rows).copy() for name in INPUTS}
    for name, column in told.items():
        within(INPUTS[name], column, 0.0, 1.0 if name in SHARES else 1e9)
    within(INPUTS["hours_day"], told["hours_day"], 0.0, 24.0)
    within(INPUTS["daylight_h"], told["daylight_h"], 0.0, 24.0)
    for name in (
        "media_area_m2",
        "least_ebct_min",
        "uv_path_cm",
        "uv_need_dose",
        "lamp_life_h",
        "pump_eta",
        "carbon_bed_l",
    ):
        if np.any(told[name] == 0.0):
            raise BadSite("site.column", "The {word} must be more than 0.", word=INPUTS[name])
    for name in ("inverter_eta", "round_trip", "uv_rated_uvt", "media_load_kg_m2"):
        if np.any(told[name] == 0.0):
            raise BadSite("site.column", "The {word} must be more than 0.", word=INPUTS[name])
    return told


def _missing(c: Mapping[str, Floats]) -> tuple[tuple[str, ...], ...]:
    gaps = np.stack([np.isnan(c[name]) for name in INPUTS], axis=1)
    # not asked of water that needs none
    gaps[:, list(INPUTS).index("coagulant")] &= ~(_untreated_will_do(c))
    words = list(INPUTS.values())
    return tuple(tuple(words[place] for place in np.flatnonzero(row)) for row in gaps)


def _answer(
    c: Mapping[str, Floats], missing: tuple[tuple[str, ...], ...], assumed: tuple[tuple[str, ...], ...]
) -> SiteOutput:
    running = c["trains"] - c["trains_down"]
    treated = np.where(np.isnan(c["coagulant"]) & _untreated_will_do(c), 0.0, c["coagulant"])
    removal = np.where(treated == 1.0, treatment.REMOVAL_COAGULANT, treatment.REMOVAL)
    removal = np.where(np.isnan(treated), np.nan, removal)
    into_lamp = c["turbidity_ntu"] * (1.0 - removal) * (1.0 - c["cartridge_removal"])
    ageing = floats(treatment.lamp_ageing(c["lamp_burnt_h"], c["lamp_life_h"]))
    hourly = {
        "media": running * c["media_rate_m_h"] * c["media_area_m2"],
        "carbon": running * c["carbon_bed_l"] / 1000.0 * 60.0 / c["least_ebct_min"],
        "lamp": running * _lamp(c, ageing),
        "pump": c["pump_m3_h"],
    }
    flow = np.min(np.stack([hourly[part] for part in _HOURLY]), axis=0)
    each = flow / running
    run_h = (
        c["media_load_kg_m2"] * c["media_area_m2"] * 1000.0 / (c["turbidity_ntu"] * c["tss_per_ntu"] * each)
    )
    washed = c["backwash_m_h"] * c["backwash_minutes"] / 60.0 * c["media_area_m2"] / (each * run_h)
    kept = np.where(flow == 0.0, 1.0, np.maximum(1.0 - washed, 0.0))
    power = _Power.of(c, flow, running)
    limits = np.full((flow.size, len(KEYS)), np.inf)

    def put(part: str, limit: Floats) -> None:
        limits[:, KEYS.index(part)] = limit

    put("salt", _refuse(c["salt"], c["salt"] > 0.0))
    thick = (
        (c["turbidity_ntu"] > treatment.SETTLE_NTU)
        | ((c["turbidity_ntu"] > treatment.COAGULANT_NTU) & (treated == 0.0))
        | (into_lamp > treatment.LAMP_NTU_MOST)
    )
    put("turbidity", _refuse(into_lamp + treated, thick))
    put("trains", _refuse(running, running <= 0.0))
    for part in _HOURLY:
        put(part, np.where(hourly[part] == 0.0, 0.0, hourly[part] * c["hours_day"] * kept))
    put("source", c["source_m3_day"] * kept)
    put("bank", np.where(power.bank_short > 0.0, 0.0, power.bank_hours * flow * kept))
    put("energy", power.hours * flow * kept)
    refused = np.any(limits <= 0.0, axis=1)
    undecided = ~refused & (np.array([bool(words) for words in missing]) | np.any(np.isnan(limits), axis=1))
    water = np.where(refused, 0.0, np.where(undecided, np.nan, np.min(limits, axis=1)))
    place = np.argmin(np.where(np.isnan(limits), np.inf, limits), axis=1)
    limiting = tuple("" if gap else KEYS[p] for gap, p in zip(undecided, place, strict=True))
    hours = np.where(flow * kept > 0.0, water / (flow * kept), 0.0)
    by_night_h = np.maximum(hours - c["daylight_h"], 0.0)
    spent = (hours - by_night_h + by_night_h / c["round_trip"]) * power.load_kw
    clock = np.isin(place, [KEYS.index(part) for part in _HOURLY]) & (c["hours_day"] < 24.0) & (water > 0.0)
    return SiteOutput(
        water, limiting, limits, power.given, np.maximum(power.wanted - power.given, 0.0),
        np.maximum(power.given - power.wanted - spent, 0.0), hours, missing, assumed,
        {"lamp_turbid": into_lamp > treatment.LAMP_NTU_FLAG, "hours": clock},
    )  # fmt: skip


def _refuse(known: Floats, no: Bools) -> Floats:
    limit: Floats = np.where(no, 0.0, np.where(np.isnan(known), np.nan, np.inf))
    return limit


def _untreated_will_do(c: Mapping[str, Floats]) -> Bools:
    """Whether the water needs neither coagulant nor settling, for the filter and for the lamp."""
    left = c["turbidity_ntu"] * (1.0 - treatment.REMOVAL) * (1.0 - c["cartridge_removal"])
    clear: Bools = (c["turbidity_ntu"] <= treatment.COAGULANT_NTU) & (left <= treatment.LAMP_NTU_MOST)
    return clear


def _lamp(c: Mapping[str, Floats], ageing: Floats) -> Floats:
    """Most flow of one lamp [m3/h]; none from a lamp over its hours."""
    clear = floats(treatment.uv_mean_factor(c["uvt_per_cm"], c["uv_path_cm"]))
    rated = floats(treatment.uv_mean_factor(c["uv_rated_uvt"], c["uv_path_cm"]))
    flow = c["uv_rated_m3_h"] * clear / rated * ageing * c["sleeve"] * c["uv_rated_dose"] / c["uv_need_dose"]
    limit: Floats = np.where(ageing == 0.0, 0.0, flow)
    return limit


@dataclass(frozen=True, slots=True)
class _Power:
    """Load while water is made [kW]; energy given, and wanted without it [kWh/day]; hours a day that energy and bank allow;
    what the bank lacks at night without any water [kWh]."""

    load_kw: Floats
    given: Floats
    wanted: Floats
    hours: Floats
    bank_hours: Floats
    bank_short: Floats

    @classmethod
    def of(cls, c: Mapping[str, Floats], flow: Floats, running: Floats) -> _Power:
        pump_w = floats(energy.pump_wh_per_m3(c["head_m"], c["pump_eta"])) * flow
        load_kw = (pump_w + c["uv_w"] * running) / 1000.0 / c["inverter_eta"]
        given = (
            floats(energy.pv_kwh_day(c["kwp"], c["poa_kwh_m2_d"], c["performance_ratio"])) + c["aid_kwh_day"]
        )
        night_h = 24.0 - c["daylight_h"]
        standby_kw = c["standby_w"] / 1000.0
        # nobody says when other power is drawn: by night costs the most
        from_bank = standby_kw * night_h + c["other_kwh_day"]
        wanted = standby_kw * c["daylight_h"] + from_bank / c["round_trip"]
        holds = c["bank_kwh"] * c["bank_depth"] + c["aid_kwh_day"]
        left = np.maximum(given - wanted, 0.0)
        day_h = np.minimum(c["daylight_h"], left / load_kw)
        night_h = np.minimum(night_h, np.maximum(left - day_h * load_kw, 0.0) * c["round_trip"] / load_kw)
        carried_h = np.maximum(holds - from_bank, 0.0) / load_kw
        return cls(load_kw, given, wanted, day_h + night_h, c["daylight_h"] + carried_h, from_bank - holds)
