"""What the choice of a storage policy rests on in a depot: its banks by chemistry, bays, notice, and the choice in force."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field

import numpy as np

from fleet.models import BankStay, BankTransport, BatteryBank, DepotTerms, Place, Unit
from readiness.domain.bank_forecast import forecast
from readiness.domain.chemistry import LITHIUM, chemistry, chemistry_column
from readiness.domain.storage_choice import GroupCost, KeptBank, group_costs
from readiness.models import ChargerBay, StoragePolicy
from readiness.selectors.snapshot import load_all_banks


@dataclass(frozen=True, slots=True)
class BankKept:
    """A bank with what is believed of its charge now; None where nothing can be said."""

    bank: BatteryBank
    unit: str
    low: float | None
    high: float | None
    floor_soc: float
    kept: KeptBank | None
    lacks: tuple[str, ...]


@dataclass(frozen=True)
class ChemistryKept:
    """The banks of one chemistry at home in a depot. `costs` is empty where there is no choice, or too little is known."""

    code: str
    name: str
    choice: bool
    banks: tuple[BankKept, ...]
    bays: tuple[str, ...]
    lead_time_h: float | None
    policy: StoragePolicy | None
    costs: tuple[GroupCost, ...] = field(default_factory=tuple)

    def costs_at(self, soc: float) -> GroupCost | None:
        """What another level costs; None where it cannot be worked out."""
        known = [each.kept for each in self.banks if each.kept is not None]
        if not known:
            return None
        return group_costs(self.code, known, bays=len(self.bays), lead_time_h=self.lead_time_h, own_soc=soc)[
            -1
        ]


def storage_of(place: Place, today: dt.date) -> list[ChemistryKept]:
    """By chemistry, lithium first. A fixed number of queries."""
    unit_tags = dict(Unit.objects.in_service().filter(home=place).values_list("pk", "tag"))
    aboard = {
        stay.bank_id: stay
        for stay in BankStay.objects.current().filter(unit__in=unit_tags).select_related("bank")
    }
    bays = list(ChargerBay.objects.filter(place=place).valid_on(today).order_by("name"))
    terms = DepotTerms.objects.filter(place=place).valid_on(today).order_by("-valid_from").first()
    policies = {row.chemistry: row for row in StoragePolicy.objects.filter(place=place).valid_on(today)}
    loads = {
        row.bank_id: row.discharge_w
        for row in BankTransport.objects.filter(bank__in=aboard, discharge_allowed=True)
        if row.discharge_w
    }
    rows = _banks(list(unit_tags), unit_tags, aboard, loads, today)
    found: dict[str, list[BankKept]] = {}
    for row in rows:
        found.setdefault(row.bank.chemistry, []).append(row)
    lead = terms.notice_h if terms else None
    groups = []
    for code in sorted(found, key=lambda code: (chemistry(code).family != LITHIUM, code)):
        banks = tuple(sorted(found[code], key=lambda row: row.unit))
        choice = chemistry(code).family == LITHIUM
        suited = tuple(bay.name for bay in bays if _suits(bay, code, banks))
        known = [row.kept for row in banks if row.kept is not None]
        policy = policies.get(code)
        costs = (
            group_costs(
                code, known, bays=len(suited), lead_time_h=lead, own_soc=policy.store_soc if policy else None
            )
            if choice and known
            else ()
        )
        name = str(banks[0].bank.get_chemistry_display())
        groups.append(ChemistryKept(code, name, choice, banks, suited, lead, policy, costs))
    return groups


def _suits(bay: ChargerBay, code: str, banks: tuple[BankKept, ...]) -> bool:
    """Whether the bay has the programme and the voltage for every bank of the group."""
    top = chemistry(code).absorb_v_cell_max
    if code not in bay.profiles:
        return False
    if top is None or math.isnan(top):
        return True
    return all(row.bank.cells_in_series * top <= bay.max_v + 1e-9 for row in banks)


def _banks(
    units: list[int],
    tags: dict[int, str],
    aboard: dict[int, BankStay],
    loads: dict[int, float],
    today: dt.date,
) -> list[BankKept]:
    frame, arrays, events, sites, ends = load_all_banks(units, today)
    answer = forecast(arrays, events, sites, ends)
    estimates, index = answer.estimates, chemistry_column("cell_nominal_v")
    rows = []
    for row, pk in enumerate(frame["id"].tolist()):
        stay = aboard.get(int(pk))
        if stay is None:
            continue
        bank = stay.bank
        site = int(arrays.site[row])
        means = sites.month_mean_c[site] + sites.heat_c[site] if site >= 0 else np.full(12, np.nan)
        capacity = float(arrays.capacity_ah[row])
        lacks = tuple(
            name
            for name, missing in (("capacity", not capacity > 0), ("climate", bool(np.isnan(means).any())))
            if missing
        )
        watts, volts = loads.get(bank.pk), float(index[arrays.chem[row]]) * bank.cells_in_series
        floor = float(estimates.floor_soc[row])
        kept = None
        if not lacks:
            charger = float(arrays.charger_a[row])
            kept = KeptBank(
                key=bank.serial,
                capacity_ah=capacity,
                month_mean_c=np.clip(means, -40.0, 70.0),
                depart_soc=float(estimates.depart_soc[row]),
                charger_a=charger if charger > 0 else None,
                load_a=watts / volts if watts else None,
                floor_soc=floor,
            )
        decided = bool(estimates.decided[row])
        rows.append(
            BankKept(
                bank=bank,
                unit=tags[stay.unit_id or 0],
                low=float(estimates.low[row]) if decided else None,
                high=float(estimates.high[row]) if decided else None,
                floor_soc=floor,
                kept=kept,
                lacks=lacks,
            )
        )
    return rows
