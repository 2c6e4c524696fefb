"""Papers and standing matters of many units: certificates, inspections, changes, faults, debts, wet state."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from fleet.models.units import WetState
from readiness.domain.checks_papers import CERTIFICATE_KINDS, EVIDENCE
from readiness.domain.snapshot import Frame
from readiness.models.upkeep import Fault
from readiness.selectors.columns import RowOf, day, fetch, flag, id_list, instant, mapped, number, standing

COUNTS = "struck_at IS NULL AND superseded_by_id IS NULL"
_WET = {
    WetState.Kind.DRY: 0,
    WetState.Kind.WET: 1,
    WetState.Kind.PRESERVED: 2,
    WetState.Kind.DISINFECTED: 3,
}
_SEVERITY = {Fault.Severity.MINOR: 0, Fault.Severity.DEGRADES: 1, Fault.Severity.BLOCKS: 2}


def load_papers(units: Frame, rows: RowOf, ids: str, until: str, as_of: dt.date) -> dict[str, Frame]:
    """The paper tables of a snapshot by name. Twelve queries."""
    stated = f"'{as_of.isoformat()}'"
    return {
        "wet": _wet(rows, ids, until),
        "certificate_needs": _certificate_needs(units, stated),
        "certificates": load_certificates(rows, ids),
        "changes": load_changes(rows, ids, until),
        "weighed": mapped(
            fetch(
                {"unit_id": ("unit_id", "i"), "at": (instant("happened_at"), "f")},
                f"FROM fleet_weighing WHERE unit_id IN {ids} AND happened_at <= {until} AND {COUNTS}",
            ),
            "unit_id",
            rows,
            into="unit",
        ),
        "inspection_needs": _inspection_needs(units, stated),
        "inspections": _inspections(units, rows, ids),
        "faults": _faults(rows, ids, until),
        "debts": mapped(
            fetch(
                {"id": ("id", "i"), "unit_id": ("owed_to_id", "i"), "since": (instant("opened_at"), "f")},
                f"FROM inventory_partdebt WHERE owed_to_id IN {ids} AND {standing(until, 'opened_at', 'settled_at')}",
            ),
            "unit_id",
            rows,
            into="unit",
        ),
    }


def codes(words: Any, table: dict[Any, int]) -> np.ndarray:
    return np.array([table[word] for word in words.tolist()], dtype=np.int64)


def _wet(rows: RowOf, ids: str, until: str) -> Frame:
    """The latest counting wet state of each unit, oldest first so that the latest one stays."""
    frame = fetch(
        {
            "unit_id": ("unit_id", "i"),
            "kind": ("kind", "s"),
            "at": (instant("happened_at"), "f"),
            "good_until": (day("good_until"), "f"),
        },
        f"FROM fleet_wetstate WHERE unit_id IN {ids} AND happened_at <= {until} AND {COUNTS} ORDER BY happened_at, id",
    )
    frame = frame.with_columns(kind=codes(frame["kind"], _WET))
    return mapped(frame, "unit_id", rows, into="unit")


def _certificate_needs(units: Frame, stated: str) -> Frame:
    """Each unit's rules; where a design names one kind for leaving and for a mode, the stricter counts once."""
    rules = fetch(
        {
            "design": ("design_id", "i"),
            "kind": ("kind", "s"),
            "gates_all": (flag("gate = 'any'"), "b"),
            "renew_h": ("renew_h", "f"),
            "lead_days": ("lead_days", "f"),
        },
        f"FROM fleet_certificaterule WHERE design_id IN {id_list(np.unique(units['design']).tolist())}"
        f" AND valid_from <= {stated} AND (valid_to IS NULL OR valid_to >= {stated}) ORDER BY id",
    )
    kinds = {kind: number_ for number_, kind in enumerate(CERTIFICATE_KINDS)}
    rules = rules.with_columns(kind=codes(rules["kind"], kinds))
    order = np.lexsort((~rules["gates_all"], rules["kind"], rules["design"]))
    design, kind = rules["design"][order], rules["kind"][order]
    first = (
        np.r_[True, (design[1:] != design[:-1]) | (kind[1:] != kind[:-1])]
        if len(order)
        else order.astype(bool)
    )
    rules = rules.take(order[first])
    rules = rules.with_columns(renew_h=np.where(np.isnan(rules["renew_h"]), np.inf, rules["renew_h"]))
    return per_unit(units, rules)


def per_unit(units: Frame, by_design: Frame) -> Frame:
    """Lines of a design repeated for each of its units (column `design` becomes `unit`)."""
    order = np.argsort(by_design["design"], kind="stable")
    sorted_design = by_design["design"][order]
    first = np.searchsorted(sorted_design, units["design"], side="left")
    last = np.searchsorted(sorted_design, units["design"], side="right")
    count = last - first
    unit = np.repeat(np.arange(len(units)), count)
    line = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    return by_design.take(order[line]).with_columns(unit=unit)


def load_certificates(rows: RowOf, ids: str) -> Frame:
    frame = fetch(
        {
            "id": ("id", "i"),
            "unit_id": ("unit_id", "i"),
            "kind": ("kind", "s"),
            "issued": (day("issued_on"), "f"),
            "expires": (day("expires_on"), "f"),
            # A corrected row is written again later: what it is about was on file since it happened.
            "recorded": (
                instant("CASE WHEN happened_at < recorded_at THEN happened_at ELSE recorded_at END"),
                "f",
            ),
        },
        f"FROM fleet_certificate WHERE unit_id IN {ids} AND {COUNTS}",
    )
    kinds = {kind: number_ for number_, kind in enumerate(CERTIFICATE_KINDS)}
    expires = np.where(np.isnan(frame["expires"]), np.inf, frame["expires"])
    return mapped(
        frame.with_columns(kind=codes(frame["kind"], kinds), expires=expires), "unit_id", rows, into="unit"
    )


def load_changes(rows: RowOf, ids: str, until: str) -> Frame:
    """Changes to bodies with the evidence they touch, as bits; the words stand in a short JSON list."""
    frame = fetch(
        {
            "unit_id": ("unit_id", "i"),
            "at": (instant("happened_at"), "f"),
            "touches": ("CAST(touches AS TEXT)", "s"),
        },
        f"FROM fleet_modification WHERE unit_id IN {ids} AND happened_at <= {until} AND {COUNTS}",
    )
    bits = [
        sum(1 << place for place, word in enumerate(EVIDENCE) if f'"{word}"' in text)
        for text in frame["touches"].tolist()
    ]
    return mapped(frame.with_columns(touches=np.array(bits, dtype=np.int64)), "unit_id", rows, into="unit")


def _inspection_needs(units: Frame, stated: str) -> Frame:
    """The inspections each unit falls due for: those of its design, and those of every design."""
    designs = np.unique(units["design"])
    types = fetch(
        {
            "type": ("t.id", "i"),
            "design": ("COALESCE(l.design_id, 0)", "i"),
            "interval_days": ("t.interval_days", "f"),
            "grounds": (flag("t.grounds_unit"), "b"),
            "work_h": ("t.work_h", "f"),
            "crew": ("t.crew", "f"),
        },
        "FROM readiness_inspectiontype t LEFT JOIN readiness_inspectiontype_designs l ON l.inspectiontype_id = t.id"
        f" WHERE t.active_from <= {stated} AND (t.active_to IS NULL OR t.active_to >= {stated})",
    )
    everywhere = np.flatnonzero(types["design"] == 0)
    named = types.take(np.flatnonzero(np.isin(types["design"], designs)))
    line = np.tile(everywhere, len(designs))
    spread = types.take(line).with_columns(design=np.repeat(designs, len(everywhere)))
    both = Frame({name: np.concatenate([named[name], spread[name]]) for name in types.names})
    return per_unit(units, both)


def _inspections(units: Frame, rows: RowOf, ids: str) -> Frame:
    frame = mapped(
        fetch(
            {
                "unit_id": ("unit_id", "i"),
                "type": ("type_id", "i"),
                "at": (instant("happened_at"), "f"),
                "passed": (flag("passed"), "b"),
            },
            f"FROM readiness_inspection WHERE unit_id IN {ids} AND {COUNTS}",
        ),
        "unit_id",
        rows,
        into="unit",
    )
    return frame.with_columns(day=np.floor(frame["at"] + units["offset_days"][frame["unit"]] + 1e-9))


def _faults(rows: RowOf, ids: str, until: str) -> Frame:
    frame = fetch(
        {
            "id": ("id", "i"),
            "unit_id": ("unit_id", "i"),
            "severity": ("severity", "s"),
            "mend_h": ("mend_h", "f"),
            "mend_here": (flag("mend_here"), "b"),
            "crew": ("crew", "f"),
            "item": ("COALESCE(part_item_id, 0)", "i"),
            "qty": (f"COALESCE({number('part_qty')}, 1.0)", "f"),
            "since": (instant("happened_at"), "f"),
        },
        f"FROM readiness_fault WHERE unit_id IN {ids} AND {COUNTS}"
        f" AND {standing(until, 'happened_at', 'closed_at')}",
    )
    return mapped(
        frame.with_columns(severity=codes(frame["severity"], _SEVERITY)), "unit_id", rows, into="unit"
    )
