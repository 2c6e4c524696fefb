"""Many units as columns: what the transport class reads of them, equal facts held once.

A kind of goods that lies in a thousand units is one item here, and a packed form measured once for its design one load.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fleet.domain.dangerous_goods.records import Item
from fleet.domain.fit.loads import LoadColumns, load_columns
from fleet.domain.transport.measures import Measures, load_of
from fleet.domain.transport.records import GATES, PAPER_STATES, UnitRecord

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FleetColumns:
    """n units with f packed forms, l lines of goods and p papers.

    `unit_of` (f,) is the unit of each form, those of a unit side by side; `loads` are the forms as they are carried. Lines:
    `line_unit` and `line_item` (l,), the place of the line in `items`. `confirmed` (n,): the list of goods counts as
    complete. Papers: `paper_unit`, `paper_gate` (place in `GATES`) and `paper_state` (place in `PAPER_STATES`), (p,).
    """

    size: int
    unit_of: IntArray
    loads: LoadColumns
    line_unit: IntArray
    line_item: IntArray
    items: tuple[Item, ...]
    confirmed: BoolArray
    paper_unit: IntArray
    paper_gate: IntArray
    paper_state: IntArray

    @property
    def form_of(self) -> tuple[tuple[int, int], ...]:
        """(unit, form of the unit) of each row of `loads`."""
        first = np.searchsorted(self.unit_of, self.unit_of, side="left")
        place = np.arange(len(self.unit_of)) - first
        return tuple(zip(self.unit_of.tolist(), place.tolist(), strict=True))


def columns_of(units: Sequence[UnitRecord]) -> FleetColumns:
    """The columns of n records. Raises DomainError naming load and field of a measure that cannot be."""
    forms = [(n, form, unit) for n, unit in enumerate(units) for form in unit.forms]
    items: dict[Item, int] = {}
    lines = [
        (n, items.setdefault(entry.item, len(items))) for n, unit in enumerate(units) for entry in unit.items
    ]
    papers = [
        (n, GATES.index(paper.gate), PAPER_STATES.index(paper.state))
        for n, unit in enumerate(units)
        for paper in unit.papers
    ]
    line, paper = _whole(lines, 2), _whole(papers, 3)
    return FleetColumns(
        size=len(units),
        unit_of=np.array([n for n, _form, _unit in forms], dtype=np.int64),
        loads=loads_of(
            [
                LoadKind(form.measures, form.kind, unit.proof_in_date, unit.plate_in_date)
                for _n, form, unit in forms
            ],
            np.arange(len(forms)),
            np.array([form.mass.total_kg for _n, form, _unit in forms], dtype=np.float64),
        ),
        line_unit=line[:, 0],
        line_item=line[:, 1],
        items=tuple(items),
        confirmed=np.array([unit.goods_list.confirmed for unit in units], dtype=np.bool_),
        paper_unit=paper[:, 0],
        paper_gate=paper[:, 1],
        paper_state=paper[:, 2],
    )


class LoadKind(NamedTuple):
    """What is the same of many loads: measures, kind of form, and whether the lifting points and the plate are in date."""

    measures: Measures
    form: str
    proof_in_date: bool | None
    plate_in_date: bool | None


def loads_of(kinds: Sequence[LoadKind], kind_of: IntArray, mass_kg: FloatArray) -> LoadColumns:
    """f loads: `kind_of` (f,) is the one of `kinds` of each load, `mass_kg` (f,) its packed mass, nan for not known.

    Equal kinds are worked out once.
    """
    places: dict[LoadKind, int] = {}
    place_of = np.array([places.setdefault(kind, len(places)) for kind in kinds], dtype=np.int64)
    distinct = [
        load_of(
            kind.measures,
            None,
            proof_in_date=kind.proof_in_date,
            kind=kind.form,
            plate_in_date=kind.plate_in_date,
        )
        for kind in places
    ]
    columns = load_columns(distinct)
    rows = place_of[kind_of] if len(place_of) else np.zeros(0, dtype=np.int64)
    numbers = {name: column[rows] for name, column in columns.numbers.items()}
    numbers["mass_kg"] = _masses(mass_kg)
    return LoadColumns(len(rows), numbers, columns.may_turn[rows])


def _masses(mass_kg: FloatArray) -> FloatArray:
    """Masses as a column; what cannot be a mass is not known, and must not stop the answers for other units."""
    column = mass_kg.reshape(-1, 1)
    return np.where((column > 0) & np.isfinite(column), column, np.nan)


def _whole(rows: Iterable[tuple[int, ...]], width: int) -> IntArray:
    return np.array(list(rows), dtype=np.int64).reshape(-1, width)
