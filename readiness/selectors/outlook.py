"""Stores against what the units will ask of them: fills the columns of `inventory.domain.netting` from records, in bulk.

Only what is known counts: a lot without its date, an order without a day or late, goods to come whose life on arrival
nobody has said, serve nothing and are named as doubts. Stock is what lies in depots; a need falls to the unit's home depot.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from django.db.models import F
from django.db.models.functions import Coalesce

from fleet.models import Deployment, Place, Unit
from inventory.domain.lots import lot_hindrance
from inventory.domain.netting.columns import Bools, Lots, Needs
from inventory.models import Balance, Item, OrderLine, SupplyOffer
from readiness.domain.snapshot import Frame
from readiness.domain.store_demand import COLUMNS, kit_demand, part_demand
from readiness.models import PlanLine
from readiness.selectors.columns import RowOf, id_list, moment
from readiness.selectors.snapshot import day_number, load_units
from readiness.selectors.snapshot_parts import load_parts


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that counted for the worse because it is not known. `what` is one of the words below, `name` its subject.

    Of stock: expiry_unknown (a lot); of orders: no_day, late, life_unknown (an order); of units: kit_uncounted,
    part_unknown, call_length (a tag); of a depot: mission_length.
    """

    what: str
    place: int
    name: str
    item: int | None = None
    qty: Any = None


@dataclass(frozen=True, slots=True)
class StoreRecords:
    """`lots` and `needs` as netting takes them; `incoming` (lots,) marks orders; keys of lots are those of the database,
    of orders those of their lines below zero."""

    lots: Lots
    incoming: Bools
    needs: Needs
    items: dict[int, Item]
    depots: dict[int, Place]
    lot_names: dict[int, str]
    doubts: list[Doubt]


def store_records(today: dt.date, *, horizon: dt.date) -> StoreRecords:
    """All items in all open depots, as known now. A fixed number of queries whatever their number."""
    depots = {depot.pk: depot for depot in Place.objects.filter(kind=Place.Kind.DEPOT, closed_on=None)}
    doubts: list[Doubt] = []
    lines: list[dict[str, Any]] = []
    names: dict[int, str] = {}
    _add_stock(lines, names, doubts, depots, today)
    _add_orders(lines, names, doubts, depots, today)
    units, demand = _demand(depots, doubts, today, horizon)
    columns = ["item", "place", "lot", "qty", "first_day", "last_day", "no_expiry", "usable", "incoming"]
    frame = pd.DataFrame(lines, columns=columns)
    frame = frame.astype({"no_expiry": bool, "usable": bool, "incoming": bool})
    needs = Needs(
        item=demand["item"].astype(np.int64),
        place=units["home"][demand["unit"]].astype(np.int64),
        need=np.arange(len(demand), dtype=np.int64),
        qty=demand["qty"].astype(np.float64),
        day=demand["day"],
        lasts_to=demand["lasts_to"],
        rank=demand["rank"].astype(np.int64),
    )
    return StoreRecords(
        lots=Lots.read(frame),
        incoming=frame["incoming"].to_numpy(dtype=np.bool_),
        needs=needs,
        items={item.pk: item for item in Item.objects.all()},
        depots=depots,
        lot_names=names,
        doubts=doubts,
    )


def _add_stock(
    lines: list[dict[str, Any]],
    names: dict[int, str],
    doubts: list[Doubt],
    depots: dict[int, Place],
    today: dt.date,
) -> None:
    """What lies in the depots. One query."""
    rows = Balance.objects.filter(place__in=depots, qty__gt=0).order_by("pk").values_list(
        "place_id", "qty", "lot_id", "lot__item_id", "lot__item__dated", "lot__code", "lot__serial", "lot__status",
        "lot__expires_on", "lot__no_expiry",
    )  # fmt: skip
    for place, qty, lot, item, dated, code, serial, status, expires_on, no_expiry in rows:
        hindrance = lot_hindrance(
            status=status, expires_on=expires_on, no_expiry=no_expiry, dated=dated, day=today
        )
        if hindrance == "expiry_unknown":
            doubts.append(Doubt("expiry_unknown", place, serial or code, item, qty))
        names[lot] = serial or code
        endless = expires_on is None and (no_expiry or not dated)
        lines.append(_line(item, place, lot, qty, None, expires_on, endless, not hindrance, False))


def _add_orders(
    lines: list[dict[str, Any]],
    names: dict[int, str],
    doubts: list[Doubt],
    depots: dict[int, Place],
    today: dt.date,
) -> None:
    """What is still to come. Two queries."""
    rows = OrderLine.objects.still_to_come().filter(order__place__in=depots).order_by("pk")
    rows = rows.annotate(due_on=Coalesce(F("promised_on"), F("order__promised_on")))
    coming: list[Any] = list(rows.select_related("item", "order"))
    offered: dict[tuple[int, int], list[int]] = {}
    offers = SupplyOffer.objects.valid_on(today).filter(shelf_life_on_arrival_days__isnull=False)
    for offer in offers:
        assert offer.shelf_life_on_arrival_days is not None
        offered.setdefault((offer.supplier_id, offer.item_id), []).append(offer.shelf_life_on_arrival_days)
    for row in coming:
        item, place, due = row.item, row.order.place_id, row.due_on
        lives = offered.get((row.order.supplier_id, item.pk), [])
        lives = [*lives, item.min_life_days] if item.min_life_days is not None else lives
        why = "no_day" if due is None else "late" if due < today else ""
        why = why or ("life_unknown" if item.dated and not lives else "")
        if why:
            doubts.append(Doubt(why, place, row.order.code, item.pk, row.open_qty))
            continue
        names[-row.pk] = row.order.code
        last = due + dt.timedelta(days=min(lives)) if item.dated else None
        lines.append(_line(item.pk, place, -row.pk, row.open_qty, due, last, not item.dated, True, True))


def _line(
    item: int,
    place: int,
    lot: int,
    qty: Any,
    first: dt.date | None,
    last: dt.date | None,
    no_expiry: bool,
    usable: bool,
    incoming: bool,
) -> dict[str, Any]:
    return {
        "item": item, "place": place, "lot": lot, "qty": float(qty), "first_day": first, "last_day": last,
        "no_expiry": no_expiry, "usable": usable, "incoming": incoming,
    }  # fmt: skip


def _demand(
    depots: dict[int, Place], doubts: list[Doubt], as_of: dt.date, horizon: dt.date
) -> tuple[Frame, Frame]:
    """The units with home in a depot, and what they ask for. A fixed number of queries."""
    tags = dict(Unit.objects.filter(retired_on=None, home__in=depots).order_by("pk").values_list("pk", "tag"))
    ids, today = id_list(tags), day_number(as_of)
    units = load_units(ids, as_of, today)
    rows = RowOf(units["id"])
    units = units.with_columns(mission_days=_mission_days(units, rows, tags, depots, doubts))
    until = moment(float(units["as_of"].max(initial=today + 1.0)))
    parts = load_parts(units, rows, ids, until, as_of, today)
    working = Deployment.objects.filter(unit__home__in=depots, started_on__lte=as_of, ended_on=None)
    away = np.isin(units["id"], list(working.values_list("unit_id", flat=True)))
    kits = kit_demand(units, parts["kit"], parts["aboard"], today=today)
    changes = part_demand(
        units, parts["positions"], parts["fitted"], today=today, horizon=day_number(horizon), away=away
    )
    for what, frame in (("kit_uncounted", kits), ("part_unknown", changes)):
        for unit in np.unique(frame["unit"][frame["unknown"]]).tolist():
            doubts.append(Doubt(what, int(units["home"][unit]), tags[int(units["id"][unit])]))
    return units, Frame({name: np.concatenate([kits[name], changes[name]]) for name in COLUMNS})


def _mission_days(
    units: Frame, rows: RowOf, tags: dict[int, str], depots: dict[int, Place], doubts: list[Doubt]
) -> np.ndarray:
    """The depot's standard mission, or the length of the call a unit is reserved for, if that is longer. One query."""
    days = units["mission_days"].copy()
    for home in np.unique(units["home"][np.isnan(days)]).tolist():
        doubts.append(Doubt("mission_length", home, depots[home].name))
    reserved: Sequence[tuple[int, int | None]] = list(
        PlanLine.objects.filter(reserved=True, unit__home__in=depots, unit__retired_on=None).values_list(
            "unit_id", "call__days"
        )
    )
    for unit, length in reserved:
        row = int(rows([unit])[0])
        if length is None:
            doubts.append(Doubt("call_length", int(units["home"][row]), tags[unit]))
        else:
            days[row] = np.fmax(days[row], length)
    return days
