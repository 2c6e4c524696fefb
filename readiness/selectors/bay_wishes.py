"""Each bank of a depot as the plan asks about it: a job, or the reason why it is not in the plan. No queries."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from readiness.domain.bay_plan.hours import Grid
from readiness.domain.bay_plan.problem import Booked, BoolArray, FloatArray, Job, Need
from readiness.domain.bay_plan.wishes import (
    WEIGHTS,
    Banks,
    BayKind,
    Fit,
    Misfit,
    Why,
    allowed_from,
    fit_of,
    fits_hours,
    longest_window,
    may_pause,
)
from readiness.domain.charge_times import CHARGER_EFFICIENCY
from readiness.domain.chemistry import chemistry_index
from readiness.domain.rest_voltage import is_lithium
from readiness.selectors.bay_banks import BankRow, BanksHere, Reserved, RunningCharge, at_of, day_of

__all__ = ["BankWish", "Reserved", "RunningCharge", "Wishes", "wishes_of"]

Said = dict[str, Any]


@dataclass(frozen=True, slots=True)
class BankWish:
    """What is known of one bank in the problem. By kind of bay: current to set [A], hours and energy from the wall [kWh]."""

    pk: int
    serial: str
    unit: str
    chemistry: str
    why: Why
    known: bool
    low_soc: float | None
    to_soc: float
    due_at: dt.datetime | None
    floor_at: dt.datetime | None
    floor_soc: float | None
    leaves_at: dt.datetime | None
    charge: int | None
    started_at: dt.datetime | None
    set_a: Mapping[str, float]
    hours: Mapping[str, float]
    kwh: Mapping[str, float]


@dataclass(frozen=True)
class Wishes:
    """`other_kw`: drawn per slot by charges that run beside the bays of the plan [kW]; `facts` by serial."""

    jobs: tuple[Job, ...]
    banks: Mapping[str, BankWish]
    left_out: tuple[Said, ...]
    notes: tuple[Said, ...]
    other_kw: FloatArray
    facts: Mapping[str, Any]


@dataclass(slots=True)
class _Draft:
    """A bank on its way into the plan."""

    row: BankRow
    why: Why
    low_soc: float
    known: bool
    to_soc: float = 1.0
    release: int = 0
    due: int | None = None
    floor: int | None = None
    leaves: int | None = None
    due_at: dt.datetime | None = None
    floor_at: dt.datetime | None = None
    floor_soc: float | None = None
    low_now: float | None = None


def wishes_of(
    here: BanksHere,
    *,
    grid: Grid,
    now: dt.datetime,
    present: BoolArray,
    kinds: Sequence[BayKind],
    bays: Mapping[str, tuple[str, int]],
    unattended: frozenset[str],
    policies: Mapping[str, float],
    published: Mapping[int, Booked],
) -> Wishes:
    """`bays`: kind and number by the name of a bay; `published`: where the plan people know has a bank."""
    return _Asking(here, grid, now, present, kinds, bays, unattended, policies, published).wishes()


class _Asking:
    def __init__(
        self,
        here: BanksHere,
        grid: Grid,
        now: dt.datetime,
        present: BoolArray,
        kinds: Sequence[BayKind],
        bays: Mapping[str, tuple[str, int]],
        unattended: frozenset[str],
        policies: Mapping[str, float],
        published: Mapping[int, Booked],
    ) -> None:
        self.here, self.grid, self.now, self.kinds, self.bays = here, grid, now, kinds, bays
        self.unattended, self.policies, self.published = unattended, policies, published
        self.window = longest_window(present)
        self.left_out: list[Said] = [
            {"key": "unknown_chemistry", "bank": serial, "chemistry": code}
            for serial, code in here.unknown_chemistry
        ]
        self.notes: list[Said] = []
        self.facts: dict[str, Any] = {}
        self.other_kw = np.zeros(grid.slots)
        self.days = grid.days()
        self.low_end, (self.allowed, self.sure) = self._ahead()

    def _ahead(self) -> tuple[FloatArray, tuple[BoolArray, BoolArray]]:
        """Where each bank's charge begins at worst, the days on which it may be charged, and on which that is sure."""
        arrays = self.here.arrays
        asked = np.full(len(arrays), day_of(self.grid.ends_at))
        for bank in self.here.banks:
            if bank.row is not None and bank.running is not None:
                asked[bank.row] = day_of(bank.running.started_at)
        first = (self.days[0] - dt.date(1970, 1, 1)).days
        return self.here.low_soc(asked), self.here.allowed_days(first, len(self.days))

    def wishes(self) -> Wishes:
        drafts = [draft for bank in self.here.banks if (draft := self._draft(bank)) is not None]
        for draft in drafts:
            self.facts[draft.row.serial] = self._facts(draft.row, draft)
        banks = self._banks(drafts)
        fits = {kind.key: fit_of(banks, kind) for kind in self.kinds} if drafts else {}
        jobs: list[Job] = []
        wished: dict[str, BankWish] = {}
        held: set[tuple[str, int]] = set()
        for number, draft in enumerate(drafts):
            running = draft.row.running
            if running is not None:
                spot = self.bays.get(running.bay) if running.here else None
                if spot is None or spot in held:
                    self._beside(draft, fits, number, taken=spot is not None)
                    continue
                held.add(spot)
                job = self._held(draft, fits, number, spot)
            else:
                found = self._free(draft, fits, number)
                if found is None:
                    continue
                job = found
            jobs.append(job)
            wished[job.key] = self._wish(draft, fits, number)
        return Wishes(tuple(jobs), wished, tuple(self.left_out), tuple(self.notes), self.other_kw, self.facts)

    # --- which banks want a charge --------------------------------------------------------------------------

    def _draft(self, bank: BankRow) -> _Draft | None:
        if bank.row is None:
            return self._shelf(bank)
        estimates = self.here.estimates
        row = bank.row
        known = bool(estimates.decided[row])
        due_at, floor_at = at_of(float(estimates.due_at[row])), at_of(float(estimates.floor_at[row]))
        draft = _Draft(
            bank,
            Why.NOT_KNOWN,
            low_soc=float(self.low_end[row]) if known else 0.0,
            known=known,
            to_soc=self._goal(bank),
            due_at=due_at if known else None,
            floor_at=floor_at if known else None,
            floor_soc=float(estimates.floor_soc[row]),
            low_now=float(estimates.low[row]) if known else None,
        )
        if bank.running is not None:
            draft.why = Why.RUNNING
            return draft
        if bank.away:
            return self._away(draft)
        ends = self.grid.ends_at
        if known:
            under = floor_at is not None and floor_at <= self.now
            soon = floor_at is not None and floor_at <= ends
            if due_at is not None and due_at <= ends:
                draft.why = Why.UNDER_FLOOR if under else Why.FLOOR if soon else Why.INTERVAL
                draft.due = max(0, self.grid.boundary_before(due_at))
                if soon and not under and floor_at is not None:
                    draft.floor = max(0, self.grid.boundary_before(floor_at))
            elif not self._leaves(draft):
                top_up = at_of(float(estimates.top_up_at[row]))
                if top_up is None or top_up > ends:
                    return None
                draft.why, draft.due_at = Why.KEPT, top_up
                draft.due = max(0, self.grid.boundary_before(top_up))
        self._leaves(draft)
        return self._weather(draft)

    def _shelf(self, bank: BankRow) -> _Draft | None:
        """On a shelf nobody works out a charge: a full one is assumed once its interval ends, or where none is on file."""
        draft = _Draft(
            bank, Why.SHELF, low_soc=0.0, known=False, to_soc=self._goal(bank), due_at=bank.shelf_due_at
        )
        if bank.running is not None:
            draft.why = Why.RUNNING
            return draft
        if bank.shelf_due_at is not None:
            if bank.shelf_due_at > self.grid.ends_at:
                return None
            draft.due = max(0, self.grid.boundary_before(bank.shelf_due_at))
        self.notes.append({"key": "weather_untold", "bank": bank.serial})
        return draft

    def _goal(self, bank: BankRow) -> float:
        """Full, or for lithium that stays in store the level at which its owner keeps it."""
        if bank.row is not None:
            kept = float(self.here.arrays.kept_soc[bank.row])
            return kept if bank.reserved is None and math.isfinite(kept) else 1.0
        chem = np.array([chemistry_index()[bank.chemistry]])
        if bank.reserved is None and bool(is_lithium(chem)[0]):
            return self.policies.get(bank.chemistry, 1.0)
        return 1.0

    def _away(self, draft: _Draft) -> _Draft | None:
        """A unit that is away uses its bank: it is charged in full once it is back."""
        bank = draft.row
        if bank.back_on is None:
            self.left_out.append({"key": "away", "bank": bank.serial, "unit": bank.unit})
            return None
        back = dt.datetime.combine(bank.back_on + dt.timedelta(days=1), dt.time(0), tzinfo=self.grid.zone)
        if back >= self.grid.ends_at:
            self.left_out.append(
                {"key": "back_later", "bank": bank.serial, "unit": bank.unit, "day": bank.back_on.isoformat()}
            )
            return None
        draft.why, draft.known, draft.low_soc = Why.NOT_KNOWN, False, 0.0
        draft.due_at = draft.floor_at = draft.low_now = None
        draft.release = max(0, self.grid.boundary_after(back))
        self.notes.append({"key": "weather_untold", "bank": bank.serial})
        return draft

    def _leaves(self, draft: _Draft) -> bool:
        """A unit that is kept for a dispatch has its banks full before it goes. Whether that asks for a charge."""
        reserved = draft.row.reserved
        estimates = self.here.estimates
        if reserved is None or draft.row.row is None:
            return False
        row = draft.row.row
        at = reserved.leaves_at
        short_from = at_of(float(estimates.depart_at[row])) if draft.known else self.now
        if at is not None and at <= self.now:
            at = None
        if at is not None and at > self.grid.ends_at:
            return False
        if draft.known and (short_from is None or (at is not None and short_from > at)) and draft.due is None:
            return False
        draft.why = Why.LEAVES
        draft.leaves = None if at is None else self.grid.boundary_before(at)
        wanted = 0 if draft.leaves is None else draft.leaves
        # A floor or an interval that ends before the unit leaves is no later for its leaving.
        draft.due = wanted if draft.due is None else min(draft.due, wanted)
        return True

    def _weather(self, draft: _Draft) -> _Draft | None:
        assert draft.row.row is not None
        first = allowed_from(self.allowed[draft.row.row])
        if first is None:
            self.left_out.append({"key": "weather", "bank": draft.row.serial, "unit": draft.row.unit})
            self.facts[draft.row.serial] = self._facts(draft.row, draft)
            return None
        if first > 0:
            day = self.days[first]
            begins = dt.datetime.combine(day, dt.time(0), tzinfo=self.grid.zone)
            draft.release = max(draft.release, self.grid.boundary_after(begins))
            self.notes.append({"key": "weather_until", "bank": draft.row.serial, "day": day.isoformat()})
        if not self.sure[draft.row.row, first:].all():
            self.notes.append({"key": "weather_unsure", "bank": draft.row.serial})
        return draft

    # --- what each asks of the bays -------------------------------------------------------------------------

    def _banks(self, drafts: Sequence[_Draft]) -> Banks:
        arrays = self.here.arrays

        def column(name: str) -> FloatArray:
            return np.array(
                [
                    float(getattr(arrays, name)[d.row.row]) if d.row.row is not None else getattr(d.row, name)
                    for d in drafts
                ],
                dtype=np.float64,
            )

        index = chemistry_index()
        return Banks(
            chem=np.array([index[draft.row.chemistry] for draft in drafts], dtype=np.int64),
            capacity_ah=column("capacity_ah"),
            cells=column("cells"),
            charger_a=column("charger_a"),
            low_soc=np.array([draft.low_soc for draft in drafts]),
            to_soc=np.array([draft.to_soc for draft in drafts]),
        )

    def _free(self, draft: _Draft, fits: Mapping[str, Fit], number: int) -> Job | None:
        alone = draft.row.chemistry in self.unattended
        needs: dict[str, Need] = {}
        misfits: list[tuple[Misfit, float]] = []
        pauses = False
        for key, fit in fits.items():
            misfit = fit.misfit[number]
            if misfit is not None:
                misfits.append((misfit, 0.0))
                continue
            need = fit.need(number, self.grid.slot_h)
            if not fits_hours(need, unattended=alone, window=self.window):
                misfits.append((Misfit.LENGTH, need.slots * self.grid.slot_h))
                continue
            needs[key] = need
            pauses |= may_pause(need, unattended=alone, window=self.window)
        if not needs:
            self.left_out.append(self._no_bay(draft, misfits))
            return None
        return Job(
            key=draft.row.serial,
            needs=needs,
            weight=WEIGHTS[draft.why],
            release=draft.release,
            due=draft.due,
            floor=draft.floor,
            leaves=draft.leaves,
            may_pause=pauses and all(need.tail_kw for need in needs.values()),
            unattended=alone,
            published=self.published.get(draft.row.pk),
        )

    def _no_bay(self, draft: _Draft, misfits: Sequence[tuple[Misfit, float]]) -> Said:
        """The reason that is nearest to being mended tells most."""
        order = (Misfit.LENGTH, Misfit.VOLTAGE, Misfit.PROGRAMME, Misfit.CAPACITY, Misfit.NO_CURRENT)
        reason, hours = min(misfits, key=lambda row: (order.index(row[0]), row[1]))
        return {
            "key": f"misfit_{reason}",
            "bank": draft.row.serial,
            "unit": draft.row.unit,
            "hours": hours,
            "window": self.window * self.grid.slot_h,
            "chemistry": draft.row.chemistry,
        }

    def _left_h(self, running: RunningCharge) -> tuple[float, float]:
        """Hours it has run by the first slot, and hours until its planned end from there (0: none planned, or past)."""
        elapsed = (self.grid.starts_at - running.started_at) / dt.timedelta(hours=1)
        planned = running.planned_end_at
        left = 0.0 if planned is None else (planned - self.grid.starts_at) / dt.timedelta(hours=1)
        return max(0.0, elapsed), max(0.0, left)

    def _held(self, draft: _Draft, fits: Mapping[str, Fit], number: int, spot: tuple[str, int]) -> Job:
        running = draft.row.running
        assert running is not None
        kind, bay = spot
        elapsed, left = self._left_h(running)
        fit = fits[kind]
        if math.isfinite(float(fit.courses.total_h[number])):
            need = fit.need(number, self.grid.slot_h, elapsed_h=elapsed, least_h=left)
        else:
            slots = max(1, math.ceil(left / self.grid.slot_h))
            need = Need(slots - 1, _most_kw(fit.kind), (_most_kw(fit.kind),))
        slots = min(need.slots, self.grid.slots)
        if slots < need.slots:
            need = Need(max(0, slots - 1), need.bulk_kw, need.profile_kw[slots - 1 : slots])
        if running.planned_end_at is not None and running.planned_end_at < self.now:
            self.notes.append({"key": "past_end", "bank": draft.row.serial, "bay": running.bay})
        return Job(
            key=draft.row.serial,
            needs={kind: need},
            weight=WEIGHTS[Why.RUNNING],
            due=None if draft.due_at is None else max(0, self.grid.boundary_before(draft.due_at)),
            unattended=True,
            held=kind,
            held_bay=bay,
        )

    def _beside(self, draft: _Draft, fits: Mapping[str, Fit], number: int, *, taken: bool) -> None:
        """A charge that runs on no bay of the plan: it draws power, and nobody knows for how long it needs a place."""
        running = draft.row.running
        assert running is not None
        key = "same_bay" if taken else "no_such_bay" if running.bay else "bay_not_named"
        self.notes.append({"key": key, "bank": draft.row.serial, "bay": running.bay})
        if not running.here or not fits:
            return
        elapsed, left = self._left_h(running)
        # Nobody knows which charger it is: in each slot the kind of bay that draws most there counts.
        most = np.zeros(self.grid.slots)
        for fit in fits.values():
            if math.isfinite(float(fit.courses.total_h[number])):
                profile = fit.need(number, self.grid.slot_h, elapsed_h=elapsed, least_h=left).profile_kw
            else:
                profile = (_most_kw(fit.kind),) * max(1, math.ceil(left / self.grid.slot_h))
            profile = profile[: self.grid.slots]
            most[: len(profile)] = np.maximum(most[: len(profile)], profile)
        self.other_kw += most

    def _wish(self, draft: _Draft, fits: Mapping[str, Fit], number: int) -> BankWish:
        bank = draft.row
        usable = {key: fit for key, fit in fits.items() if math.isfinite(float(fit.courses.total_h[number]))}
        return BankWish(
            pk=bank.pk,
            serial=bank.serial,
            unit=bank.unit,
            chemistry=bank.chemistry,
            why=draft.why,
            known=draft.known,
            low_soc=draft.low_now,
            to_soc=draft.to_soc,
            due_at=draft.due_at,
            floor_at=draft.floor_at,
            floor_soc=draft.floor_soc,
            leaves_at=bank.reserved.leaves_at if bank.reserved is not None else None,
            charge=bank.running.pk if bank.running else None,
            started_at=bank.running.started_at if bank.running else None,
            set_a={key: round(float(fit.set_a[number]), 1) for key, fit in usable.items()},
            hours={key: round(float(fit.courses.total_h[number]), 2) for key, fit in usable.items()},
            kwh={key: round(float(fit.courses.wall_kwh[number]), 2) for key, fit in usable.items()},
        )

    def _facts(self, bank: BankRow, draft: _Draft) -> dict[str, Any]:
        """What of this bank a plan rests on, as plain values that do not drift while nothing happens."""
        estimates, arrays = self.here.estimates, self.here.arrays
        evidence, data = None, [bank.capacity_ah, bank.cells, bank.charger_a]
        if bank.row is not None:
            evidence = _number(estimates.evidence_at[bank.row])
            columns = (arrays.capacity_ah, arrays.cells, arrays.charger_a)
            data = [float(column[bank.row]) for column in columns]
        return {
            "charge": bank.running.pk if bank.running else None,
            "unit": bank.unit,
            "away": [bank.away, bank.back_on.isoformat() if bank.back_on else None],
            "reserved": _reserved(bank.reserved),
            "evidence": evidence,
            "known": draft.known,
            "due": _minute(draft.due_at),
            "floor": _minute(draft.floor_at),
            "data": [bank.chemistry, draft.to_soc, *(_number(value) for value in data)],
        }


def _most_kw(kind: BayKind) -> float:
    """What a bay can draw at most [kW], where nothing tells more."""
    return kind.max_kw if kind.max_kw is not None else kind.max_a * kind.max_v / 1000.0 / CHARGER_EFFICIENCY


def _number(value: float) -> float | None:
    return round(float(value), 4) if math.isfinite(value) else None


def _minute(at: dt.datetime | None) -> str | None:
    return at.strftime("%Y-%m-%dT%H:%M") if at is not None else None


def _reserved(reserved: Reserved | None) -> list[str | None] | None:
    if reserved is None:
        return None
    return [reserved.plan, reserved.call, reserved.leaves_at.isoformat() if reserved.leaves_at else None]
