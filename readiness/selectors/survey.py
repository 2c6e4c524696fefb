"""First weeks of a depot: which facts the verdicts miss, and the order of work that gets most units decided."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from fleet.models import BatteryBank, Place, Unit
from inventory.models import DesignItem
from readiness.domain.bank_records import Reason, Supply
from readiness.domain.check_rows import CHECK, CheckOutcome, CheckRows
from readiness.domain.checks import Assessment, assess
from readiness.domain.checks_papers import CERTIFICATE_KINDS
from readiness.domain.snapshot import FleetSnapshot
from readiness.domain.survey import Stop, walk
from readiness.models import InspectionType, Verdict
from readiness.models.sweep import Outcome
from readiness.selectors.snapshot import load_snapshot

SHARED_MIN = 5.0
# A walk of more units is no walk, and judging them is what a person waits for: the next come as these are surveyed.
SURVEY_UNITS = 500
TERMS, CLIMATE = "terms", "climate"
# Facts without which the verdict cannot be given, or would rest on the absence of a record instead of on the unit.
DECIDING = frozenset(
    {"place", "bank", "reading", "supply", "certificate", "inspection", "kit", "part", "life", "hours"}
)


@dataclass(frozen=True)
class Fact:
    """One thing to find out.

    `key`: place, bank, reading, supply, charge, wet, certificate, inspection, kit, part, life or hours.
    `subject` is the id (or code) of what it is about within the unit, `label` its name; empty: the unit itself.
    """

    key: str
    subject: str = ""
    label: str = ""
    bank: BatteryBank | None = None

    @property
    def decides(self) -> bool:
        return self.key in DECIDING


@dataclass
class UnitSurvey:
    """A unit with what is not known of it."""

    unit: Unit
    facts: list[Fact] = field(default_factory=list)
    shared: set[str] = field(default_factory=set)
    away: bool = False
    minutes_so_far: float = 0.0
    decided_so_far: int = 0

    @property
    def minutes(self) -> float:
        return len(self.facts) * float(self.unit.design.survey_min)

    @property
    def decides(self) -> bool:
        return any(fact.decides for fact in self.facts)


@dataclass(frozen=True)
class SharedFact:
    """A fact of the depot that units wait for."""

    key: str
    minutes: float
    minutes_so_far: float
    decided_so_far: int


@dataclass(frozen=True)
class Survey:
    """`steps` in order of work (shared facts and units), `later` units that are decided but lack a fact, `away` those not
    here to be surveyed; `units` in service, `decided` of them without any step; `cut` were not looked at here, `cut_open` of
    those cannot be decided either."""

    steps: list[SharedFact | UnitSurvey]
    later: list[UnitSurvey]
    away: list[UnitSurvey]
    units: int
    cut: int
    cut_open: int

    @property
    def stops(self) -> list[UnitSurvey]:
        return [step for step in self.steps if isinstance(step, UnitSurvey)]

    @property
    def decided(self) -> int:
        return self.units - len(self.stops) - len([one for one in self.away if one.decides]) - self.cut_open

    @property
    def minutes(self) -> float:
        return self.steps[-1].minutes_so_far if self.steps else 0.0

    @property
    def facts(self) -> int:
        return sum(len(stop.facts) for stop in self.stops)


def survey_of(depot: Place, *, as_of: dt.date, tags: Collection[str] | None = None) -> Survey:
    """What the units of a depot need to be surveyed for, judged by the checks of the sweep. A fixed number of queries.

    At most SURVEY_UNITS units, those without an answer first; `cut` says how many were left out. `tags` narrows to units.
    """
    units, cut, cut_open = _units(depot, tags)
    if not units:
        return Survey([], [], [], 0, 0, 0)
    snapshot = load_snapshot(list(units), as_of)
    found = assess(snapshot)
    surveys = {pk: UnitSurvey(unit) for pk, unit in units.items()}
    by_row = [surveys[int(pk)] for pk in snapshot.units["id"]]
    for row, away in enumerate(snapshot.units["away"]):
        by_row[row].away = bool(away)
    _collect(by_row, snapshot, found)
    return _ordered(list(surveys.values()), cut, cut_open)


def _units(depot: Place, tags: Collection[str] | None) -> tuple[dict[int, Unit], int, int]:
    """The units to look at, and of those left out: how many, and how many of them nobody can decide yet."""
    found = Unit.objects.in_service().filter(home=depot)
    if tags is not None:
        found = found.filter(tag__in=tags)
    total, waiting = found.count(), 0
    if total > SURVEY_UNITS:
        judged = Verdict.objects.filter(current=True, unit__home=depot).exclude(outcome=Outcome.CANNOT_DECIDE)
        decided = judged.order_by().values("unit")
        open_ones = found.exclude(pk__in=decided)
        waiting = open_ones.count()
        first = list(open_ones.order_by("pk").values_list("pk", flat=True)[:SURVEY_UNITS])
        waiting -= len(first)
        rest = found.filter(pk__in=decided).order_by("pk").values_list("pk", flat=True)
        found = found.filter(pk__in=[*first, *rest[: SURVEY_UNITS - len(first)]])
    units = {unit.pk: unit for unit in found.select_related("design", "home")}
    return units, total - len(units), waiting


def _collect(by_row: Sequence[UnitSurvey], snapshot: FleetSnapshot, found: Assessment) -> None:
    """Turns the checks that miss something into facts, each once."""
    rows = found.rows
    shared = _shared(rows)
    for row in np.unique(rows.unit[shared["terms"]]):
        by_row[int(row)].shared.add(TERMS)
    for row in np.unique(rows.unit[shared["climate"]]):
        by_row[int(row)].shared.add(CLIMATE)
    wanted = [(key, at, int(rows.unit[at]), int(rows.subject[at])) for key, at in _own(rows)]
    banks = BatteryBank.objects.in_bulk(
        [subject for key, _, _, subject in wanted if key in {"reading", "charge"}]
    )
    types = InspectionType.objects.in_bulk([subject for key, _, _, subject in wanted if key == "inspection"])
    needs = DesignItem.objects.select_related("item").in_bulk(
        [subject for key, _, _, subject in wanted if key in {"part", "life"}]
    )
    no_load = _without_load(snapshot, found)
    for key, _, row, subject in wanted:
        by_row[row].facts.append(_fact(key, subject, banks, types, needs))
        if key == "reading" and subject in no_load:
            by_row[row].facts.append(_fact("supply", subject, banks, types, needs))
    for row in np.unique(rows.unit[_is(rows, "kit") & rows.missing]).tolist():
        by_row[row].facts.append(Fact("kit"))
    for one in by_row:
        one.facts = list(dict.fromkeys(one.facts))


def _fact(
    key: str,
    subject: int,
    banks: Mapping[int, BatteryBank],
    types: Mapping[int, InspectionType],
    needs: Mapping[int, DesignItem],
) -> Fact:
    if key in {"reading", "supply", "charge"}:
        bank = banks[subject]
        return Fact(key, str(subject), bank.serial, bank)
    if key == "certificate":
        kind = CERTIFICATE_KINDS[subject - 1]
        return Fact(key, str(kind))
    if key == "inspection":
        return Fact(key, str(subject), types[subject].name)
    if key in {"part", "life"}:
        need = needs[subject]
        return Fact(key, str(subject), f"{need.item.name}, {need.position}")
    return Fact(key, str(subject) if subject else "")


def _without_load(snapshot: FleetSnapshot, found: Assessment) -> set[int]:
    """Banks of which neither is known that they are isolated nor what their standby loads draw."""
    maybe_loaded = np.isin(found.estimates.supply, (int(Supply.UNKNOWN), int(Supply.STANDBY)))
    unknown = np.isnan(snapshot.bank_arrays.standby_ma) & maybe_loaded
    return set(snapshot.banks["id"][unknown].tolist())


def _own(rows: CheckRows) -> Iterable[tuple[str, int]]:
    """(fact key, row) of everything that must be found out at the unit itself."""
    undecided = rows.outcome == CheckOutcome.CANNOT_DECIDE
    no_climate = np.nan_to_num(rows.a).astype(np.int64) & int(Reason.NO_CLIMATE) > 0
    only_climate = np.nan_to_num(rows.a).astype(np.int64) == int(Reason.NO_CLIMATE)
    masks = {
        "place": _is(rows, "place_known") & rows.missing,
        "bank": _is(rows, "bank_aboard") & rows.missing,
        "reading": _is(rows, "charge_known") & undecided & ~(no_climate & only_climate),
        "charge": _is(rows, "charge_interval") & rows.missing,
        "wet": _is(rows, "wet_known") & rows.missing,
        "certificate": _is(rows, "certificate") & rows.missing,
        "inspection": _is(rows, "inspection") & rows.missing,
        "part": _is(rows, "part_fitted") & rows.missing,
        "life": _is(rows, "part_life") & undecided,
        "hours": _failing(rows, "fault") & rows.gates & np.isnan(rows.mend_h),
    }
    for key, mask in masks.items():
        for at in np.flatnonzero(mask).tolist():
            yield key, at


def _shared(rows: CheckRows) -> dict[str, np.ndarray]:
    reasons = np.nan_to_num(rows.a).astype(np.int64)
    of_bank = _is(rows, "charge_known") & (rows.outcome == CheckOutcome.CANNOT_DECIDE)
    return {
        "terms": _is(rows, "terms_known") & rows.missing,
        "climate": of_bank & (reasons & int(Reason.NO_CLIMATE) > 0),
    }


def _is(rows: CheckRows, key: str) -> np.ndarray:
    return np.asarray(rows.check == CHECK[key])


def _failing(rows: CheckRows, key: str) -> np.ndarray:
    return _is(rows, key) & (rows.outcome == CheckOutcome.FAIL)


def _ordered(surveys: Sequence[UnitSurvey], cut: int, cut_open: int) -> Survey:
    here = [one for one in surveys if not one.away]
    waiting = [one for one in here if one.decides or one.shared]
    stops = [Stop(one.unit.pk, one.minutes, frozenset(one.shared)) for one in waiting]
    of_unit = {one.unit.pk: one for one in waiting}
    steps: list[SharedFact | UnitSurvey] = []
    for step in walk(stops, defaultdict(lambda: SHARED_MIN)):
        if step.unit is None:
            steps.append(SharedFact(step.shared, step.minutes, step.minutes_so_far, step.decided_so_far))
            continue
        one = of_unit[step.unit]
        one.minutes_so_far, one.decided_so_far = step.minutes_so_far, step.decided_so_far
        steps.append(one)
    later = [one for one in here if one.facts and one not in waiting]
    away = [one for one in surveys if one.away and one.facts]
    return Survey(steps, later, away, len(surveys) + cut, cut, cut_open)
