"""The banks that stand in a depot or come back to it, with what is believed of each: a fixed number of queries."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Max, Q

from fleet.models import BankStay, ClimateNormal, Place, Unit
from readiness.domain.bank_records import BankArrays, BankEstimates, EventArrays, EventKind
from readiness.domain.charge_inhibits import Inhibit, Needed, charge_inhibits
from readiness.domain.charge_state import estimate
from readiness.domain.chemistry import chemistry_column, chemistry_index
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.thermal import DEFAULT_HEAT_C, Sites
from readiness.domain.upkeep import interval_days
from readiness.models import Charge
from readiness.selectors.snapshot import EPOCH_AT, date_of, load_snapshot

FORBIDS = int(Inhibit.MAY_BE_FROZEN | Inhibit.TOO_COLD | Inhibit.TOO_HOT)


@dataclass(frozen=True, slots=True)
class Reserved:
    """A unit kept for a dispatch; `leaves_at` is when the call wants it, None where that is not said."""

    plan: str
    call: str
    leaves_at: dt.datetime | None


@dataclass(frozen=True, slots=True)
class RunningCharge:
    pk: int
    started_at: dt.datetime
    planned_end_at: dt.datetime | None
    bay: str
    here: bool


@dataclass(frozen=True, slots=True)
class BankRow:
    """One bank. `row` is its place in the arrays, None for a bank on a shelf; `back_on` the day its unit is due back."""

    pk: int
    serial: str
    chemistry: str
    unit: str
    row: int | None
    away: bool
    back_on: dt.date | None
    running: RunningCharge | None
    reserved: Reserved | None
    # Of a bank on a shelf: its own numbers, and the day on which its interval ends; None: no full charge on file.
    capacity_ah: float = math.nan
    cells: float = math.nan
    charger_a: float = math.nan
    shelf_due_at: dt.datetime | None = None


@dataclass(frozen=True)
class BanksHere:
    """`now` the estimates as of the asking; `arrays`, `events` and `sites` to ask again for another instant."""

    banks: tuple[BankRow, ...]
    unknown_chemistry: tuple[tuple[str, str], ...]
    arrays: BankArrays
    events: EventArrays
    sites: Sites
    estimates: BankEstimates
    wanting: int

    def low_soc(self, at_day: FloatArray) -> FloatArray:
        """The low end at an instant of each bank in a unit (days since 1970, UTC) if nothing is done until then."""
        return estimate(self.arrays, self.events, self.sites, at_day).low

    def allowed_days(self, first_day: int, days: int) -> tuple[BoolArray, BoolArray]:
        """Whether cold, heat or frost let a bank in a unit be charged on a day, and whether that is sure; (banks, days).

        Both ends of the day count, as on the charge card: the air less its daily swing, and the air with what the enclosure
        adds and that swing. A day that reaches over a limit is allowed and not sure: the bank is measured before it is
        connected.
        """
        site = self._site_now()
        mean = self.sites.daily_mean_c(first_day, days)
        swing, heat = self.sites.swing_c[:, None], self.sites.heat_c[:, None]
        known = site >= 0
        at = np.maximum(site, 0)
        low = (
            np.where(known[:, None], (mean - heat - swing)[at], np.nan)
            if len(mean)
            else np.full((len(site), days), np.nan)
        )
        high = np.where(known[:, None], (mean + swing)[at], np.nan) if len(mean) else low
        count = len(site)
        found = charge_inhibits(
            np.repeat(self.arrays.chem, days),
            low.ravel(),
            high.ravel(),
            low_soc=np.repeat(self.estimates.low, days),
            sg_full=np.repeat(self.arrays.sg_full, days),
            sg_empty=np.repeat(self.arrays.sg_empty, days),
        )
        allowed = (found.bits & FORBIDS).reshape(count, days) == 0
        return allowed, (found.needed & int(Needed.TEMPERATURE)).reshape(count, days) == 0

    def _site_now(self) -> IntArray:
        site = self.arrays.site.copy()
        moved = np.flatnonzero(self.events.kind == EventKind.SITE)
        order = moved[np.argsort(self.events.time[moved], kind="stable")]
        site[self.events.bank[order]] = self.events.site[order]
        return site


def at_of(day: float) -> dt.datetime | None:
    """The instant of a day number, None where there is none or it lies beyond the calendar."""
    if not math.isfinite(day) or date_of(day) is None:
        return None
    return EPOCH_AT + dt.timedelta(days=float(day))


def day_of(at: dt.datetime) -> float:
    return (at - EPOCH_AT) / dt.timedelta(days=1)


def banks_here(
    place: Place, *, now: dt.datetime, today: dt.date, horizon_days: int, reserved: Mapping[int, Reserved]
) -> BanksHere:
    """Banks in units that stand here, or belong here and are away, and banks on a shelf here."""
    units = {
        unit["pk"]: unit
        for unit in Unit.objects.in_service()
        .filter(
            Q(stays__ended_at__isnull=True, stays__place=place)
            | Q(home=place, stays__ended_at__isnull=True, stays__absence__isnull=False)
        )
        .values("pk", "tag", "stays__absence", "stays__absence__due_back_on")
    }
    aboard = {
        stay["bank"]: stay
        for stay in BankStay.objects.current()
        .filter(unit__in=list(units))
        .values("bank", "bank__serial", "bank__chemistry", "unit")
    }
    index = chemistry_index()
    unknown = {stay["unit"] for stay in aboard.values() if stay["bank__chemistry"] not in index}
    ids = sorted(set(units) - unknown)
    snapshot = load_snapshot(ids, today, now=now)
    on_shelf = list(
        BankStay.objects.current()
        .filter(place=place, bank__retired_on__isnull=True)
        .select_related("bank")
        .order_by("bank__serial")
    )
    shelf_ids = [stay.bank_id for stay in on_shelf]
    bank_ids = [int(pk) for pk in snapshot.banks["id"]]
    running = _running(place, [*bank_ids, *shelf_ids])
    charged = _shelf_charged(shelf_ids)
    warmest = ClimateNormal.objects.filter(place=place).aggregate(warmest=Max("mean_c"))["warmest"]
    rows = []
    for number, pk in enumerate(bank_ids):
        stay = aboard[pk]
        unit = units[stay["unit"]]
        rows.append(
            BankRow(
                pk=pk,
                serial=stay["bank__serial"],
                chemistry=stay["bank__chemistry"],
                unit=unit["tag"],
                row=number,
                away=unit["stays__absence"] is not None,
                back_on=unit["stays__absence__due_back_on"],
                running=running.get(pk),
                reserved=reserved.get(unit["pk"]),
            )
        )
    unknown_shelf = []
    for stay_ in on_shelf:
        bank = stay_.bank
        if bank.chemistry not in index:
            unknown_shelf.append((bank.serial, bank.chemistry))
            continue
        rows.append(
            BankRow(
                pk=bank.pk,
                serial=bank.serial,
                chemistry=bank.chemistry,
                unit="",
                row=None,
                away=False,
                back_on=None,
                running=running.get(bank.pk),
                reserved=None,
                capacity_ah=bank.capacity_ah,
                cells=float(bank.cells_in_series),
                charger_a=math.nan if bank.charger_a is None else bank.charger_a,
                shelf_due_at=_shelf_due(bank, charged.get(bank.pk), warmest),
            )
        )
    estimates = estimate(snapshot.bank_arrays, snapshot.events, snapshot.sites, day_of(now))
    soon = estimates.due_at <= day_of(now) + horizon_days
    wanting = len(on_shelf) + int((~estimates.decided | soon).sum())
    return BanksHere(
        banks=tuple(rows),
        unknown_chemistry=(
            *(
                (stay["bank__serial"], stay["bank__chemistry"])
                for stay in aboard.values()
                if stay["bank__chemistry"] not in index
            ),
            *unknown_shelf,
        ),
        arrays=snapshot.bank_arrays,
        events=snapshot.events,
        sites=snapshot.sites,
        estimates=estimates,
        wanting=wanting,
    )


def _running(place: Place, bank_ids: list[int]) -> dict[int, RunningCharge]:
    open_now = Charge.objects.counting().filter(bank__in=bank_ids, ended_at__isnull=True)
    return {
        row["bank"]: RunningCharge(
            row["pk"], row["happened_at"], row["planned_end_at"], row["bay"], row["place"] in (None, place.pk)
        )
        for row in open_now.values("bank", "pk", "happened_at", "planned_end_at", "bay", "place")
    }


def _shelf_charged(bank_ids: list[int]) -> dict[int, dt.datetime]:
    done = Charge.objects.counting().filter(bank__in=bank_ids, ended_at__isnull=False, tripped=False)
    ended = done.exclude(end_sign="").values("bank").annotate(at=Max("ended_at"))
    return {row["bank"]: row["at"] for row in ended}


def _shelf_due(bank: Any, charged_at: dt.datetime | None, warmest_c: float | None) -> dt.datetime | None:
    """When the interval of a bank on a shelf ends, counted at the warmest month of the place; None: nobody can tell."""
    if charged_at is None or warmest_c is None:
        return None
    row = chemistry_index()[bank.chemistry]
    days = float(
        interval_days(
            warmest_c + DEFAULT_HEAT_C,
            base_days=float(chemistry_column("interval_base_days")[row]),
            base_c=float(chemistry_column("interval_base_c")[row]),
            doubling_k=float(chemistry_column("interval_doubling_k")[row]),
            cap_days=float(chemistry_column("interval_cap_days")[row]),
        )
    )
    if bank.maker_interval_days is not None:
        days = min(days, float(bank.maker_interval_days))
    return charged_at + dt.timedelta(days=days)
