"""Use and remaining life of given parts: loads the day logs once and asks `inventory.domain.part_life`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import numpy as np

from fleet.models import DayLog, Deployment
from inventory.domain.part_life import (
    CANNOT_DECIDE,
    FAIL,
    PASS,
    TRAIN_CODES,
    Away,
    DayUse,
    Fittings,
    PartLife,
    PartUse,
    life_left,
    use_of_fittings,
)
from inventory.models import FittedPart

OUTCOMES = {PASS: "pass", FAIL: "fail", CANNOT_DECIDE: "cannot_decide"}
_NAN = float("nan")


@dataclass(frozen=True, slots=True)
class UseRow:
    """One part: use so far [h], [1], [m3], what is left of each limit (None: no such limit), and the outcome."""

    hours_h: float
    starts: int
    volume_m3: float
    life_h: float
    known_h: bool
    known_m3: bool
    unknown_days: int
    left_h: float | None
    left_m3: float | None
    last_day: date | None
    outcome: str

    @property
    def known(self) -> bool:
        return self.known_h and self.known_m3


def use_of_parts(parts: Sequence[FittedPart], *, as_of: datetime) -> list[UseRow]:
    """Use of each part through its removal, or through `as_of` while fitted. Two queries; needs `lot__item` loaded."""
    if not parts:
        return []
    use, life = part_lives(parts, as_of=as_of)
    return [
        UseRow(
            hours_h=float(use.hours_h[n]),
            starts=int(use.starts[n]),
            volume_m3=float(use.volume_m3[n]),
            life_h=float(use.life_h[n]),
            known_h=bool(use.known_h[n]),
            known_m3=bool(use.known_m3[n]),
            unknown_days=int(use.unknown_days[n]),
            left_h=None if np.isnan(life.left_h[n]) else float(life.left_h[n]),
            left_m3=None if np.isnan(life.left_m3[n]) else float(life.left_m3[n]),
            last_day=None if np.isnat(life.last_day[n]) else life.last_day[n].astype("datetime64[D]").item(),
            outcome=OUTCOMES[int(life.outcome[n])],
        )
        for n in range(len(parts))
    ]


def part_lives(parts: Sequence[FittedPart], *, as_of: datetime) -> tuple[PartUse, PartLife]:
    """The arrays behind `use_of_parts`, in the order of `parts`."""
    items = [part.lot.item for part in parts]
    fittings = Fittings(
        unit=_ints(part.unit_id for part in parts),
        train=_ints(TRAIN_CODES.get(part.train, 0) for part in parts),
        fitted_at=_instants(part.fitted_at for part in parts),
        until=_instants(min(part.removed_at or as_of, as_of) for part in parts),
        carried_h=_floats(part.carried_h for part in parts),
        carried_m3=_floats(part.carried_m3 for part in parts),
        carried_starts=_ints(part.carried_starts for part in parts),
        use_known=np.array([part.use_known for part in parts], dtype=np.bool_),
        hours_per_start_h=_floats(item.hours_per_start_h or 0.0 for item in items),
    )
    units = {part.unit_id for part in parts}
    use = use_of_fittings(fittings, day_use_of(units), away_of(units, as_of))
    life = life_left(
        use,
        limit_h=_floats(item.service_life_h for item in items),
        limit_m3=_floats(item.service_life_m3 for item in items),
        limit_months=_floats(item.service_life_months for item in items),
        first_fitted_on=_days(
            part.first_fitted_at.date() if part.first_fitted_at else None for part in parts
        ),
        as_of=np.datetime64(as_of.date(), "D"),
    )
    return use, life


def day_use_of(unit_ids: Any) -> DayUse:
    """The counting day logs of these units' deployments. One query."""
    rows = list(
        DayLog.objects.counting()
        .filter(deployment__unit_id__in=unit_ids)
        .order_by()
        .values_list(
            "deployment__unit_id",
            "deployment_id",
            "day",
            "happened_at",
            "hours_a_h",
            "hours_b_h",
            "volume_a_m3",
            "volume_b_m3",
            "starts_a",
            "starts_b",
        )
    )
    unit, deployment, day, end, hours_a, hours_b, volume_a, volume_b, starts_a, starts_b = (
        zip(*rows, strict=True) if rows else ((),) * 10
    )
    return DayUse(
        unit=_ints(unit),
        deployment=_ints(deployment),
        day=_days(day),
        end_at=_instants(end),
        hours_a_h=_floats(hours_a),
        hours_b_h=_floats(hours_b),
        volume_a_m3=_floats(volume_a),
        volume_b_m3=_floats(volume_b),
        starts_a=_floats(starts_a),
        starts_b=_floats(starts_b),
    )


def away_of(unit_ids: Any, as_of: datetime) -> Away:
    """The deployments of these units, a running one through the as-of day. One query."""
    today = as_of.astimezone(UTC).date()
    rows = list(
        Deployment.objects.filter(unit_id__in=unit_ids, started_on__lte=today)
        .order_by()
        .values_list("unit_id", "pk", "started_on", "ended_on")
    )
    return Away(
        unit=_ints(row[0] for row in rows),
        deployment=_ints(row[1] for row in rows),
        first_day=_days(row[2] for row in rows),
        last_day=_days(min(row[3] or today, today) for row in rows),
    )


def _ints(values: Any) -> Any:
    return np.array(list(values), dtype=np.int64)


def _floats(values: Any) -> Any:
    return np.array([_NAN if value is None else value for value in values], dtype=np.float64)


def _instants(values: Any) -> Any:
    return np.array([value.astimezone(UTC).replace(tzinfo=None) for value in values], dtype="datetime64[s]")


def _days(values: Any) -> Any:
    return np.array(
        [np.datetime64("NaT") if value is None else value for value in values], dtype="datetime64[D]"
    )
