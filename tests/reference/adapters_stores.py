"""Cases of stores and procurement: from a case's inputs to the public function that the plan uses."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from inventory.domain.demand import compound
from inventory.domain.netting import dates, outdating
from inventory.domain.netting.columns import Lots, Needs, day_numbers
from inventory.domain.netting.plan import net
from inventory.domain.part_life import add_months
from inventory.domain.wear import chemicals, filters, lamps
from inventory.domain.wear.remaining import Parts, remaining_life

Inputs = dict[str, Any]


def _pmf(table: dict[str, float]) -> Any:
    return compound.size_pmf({int(size): share for size, share in table.items()})


def _fefo_netting(i: Inputs) -> Any:
    lots, needs = pd.DataFrame(i["lots"]), pd.DataFrame(i["demands"])
    names = lots["lot"].tolist()
    day = pd.to_datetime(needs["date"])
    more = needs["min_days"].fillna(0) if "min_days" in needs else 0
    arrives = lots.get("available", None)
    plan = net(
        Lots.read(
            pd.DataFrame(
                {
                    "item": 1,
                    "place": 1,
                    "lot": range(len(lots)),
                    "qty": lots["qty"],
                    "first_day": arrives,
                    "last_day": lots["expiry"],
                }
            )
        ),
        Needs.read(
            pd.DataFrame(
                {
                    "item": 1,
                    "place": 1,
                    "need": range(len(needs)),
                    "qty": needs["qty"],
                    "day": day,
                    "lasts_to": day + pd.to_timedelta(more, unit="D"),
                }
            )
        ),
    )
    shelf = plan.shelves(int(day_numbers(pd.Series([i["horizon_end"]]))[0])).iloc[0]
    told: Inputs = {
        "served": shelf["planned"],
        "short": shelf["short"],
        "first_short": None if pd.isna(shelf["first_short"]) else str(shelf["first_short"].date()),
        "expired": shelf["expires_unused"],
        "left": shelf["left"],
    }
    issues = zip(plan.issue_need, plan.issue_lot, plan.issue_qty, strict=True)
    if i.get("issues") is not False:
        told["issues"] = [[needs["date"][need], names[lot], qty] for need, lot, qty in issues]
    return told


def _demand(i: Inputs) -> Any:
    if "demand_per_day_poisson" in i:
        return compound.poisson_demand(i["demand_per_day_poisson"])
    return compound.compound_demand_per_day(i["events_per_day"], _pmf(i["size_pmf"]))


def _dated(i: Inputs) -> tuple[list[float], list[float]]:
    return [lot["qty"] for lot in i["lots"]], [lot["expiry_days"] for lot in i["lots"]]


def _expected_outdating(i: Inputs) -> Any:
    lost = outdating.expected_outdating(*_dated(i), _demand(i))
    return {"by_lot": list(lost.by_lot), "total": lost.total}


def _no_shortage(i: Inputs) -> Any:
    chance = outdating.no_shortage_probability(*_dated(i), _demand(i), until_day=i["until_day"])
    return {"probability": chance}


def _order_release(i: Inputs) -> Any:
    told = dates.order_release(
        first_short=date.fromisoformat(i["first_short_date"]),
        lead_days=i["lead_days"],
        safety_days=i["safety_days"],
        today=date.fromisoformat(i["today"]),
    )
    return {"release_date": str(told.release_date), "late_days": told.late_days, "order_now": told.order_now}


def _receipt_acceptance(i: Inputs) -> Any:
    days = {name: date.fromisoformat(i[name]) for name in ("manufactured", "expiry", "received")}
    told = dates.receipt_acceptance(**days, least_fraction=i["min_remaining_fraction"])
    return {"remaining_fraction": told.remaining_fraction, "accept": told.accept}


def _short_life(i: Inputs) -> Any:
    told = dates.lead_longer_than_life(**i)
    return {
        "max_order_quantity": told.max_order_qty,
        "max_days_between_orders": told.max_days_between_orders,
        "orders_open_at_once_at_least": told.orders_open_at_once,
    }


def _compound_moments(i: Inputs) -> Any:
    told = compound.compound_moments(i["events_mean"], _pmf(i["size_pmf"]))
    return {"mean": told.mean, "variance": told.variance}


def _compound_quantiles(i: Inputs) -> Any:
    total = compound.compound_demand(i["events_mean"], _pmf(i["size_pmf"]))
    return {
        "cdf": [compound.cdf(total, at) for at in i["cdf_at"]],
        "quantiles": [compound.quantile(total, level) for level in i["levels"]],
    }


def _negative_binomial(i: Inputs) -> Any:
    told = compound.negative_binomial_fit(i["mean"], i["variance"], i["level"])
    return {"r": told.r, "p": told.p, "quantile": told.quantile}


STORES: dict[str, Callable[[Inputs], Any]] = {
    "fefo_netting": _fefo_netting,
    "expected_outdating": _expected_outdating,
    "no_shortage_probability": _no_shortage,
    "order_release": _order_release,
    "receipt_acceptance": _receipt_acceptance,
    "gs1_expiry": lambda i: {"last_usable_date": str(dates.gs1_expiry(i["ai17"]))},
    "lead_longer_than_life": _short_life,
    "compound_poisson_moments": _compound_moments,
    "compound_poisson_quantiles": _compound_quantiles,
    "negative_binomial_fit": _negative_binomial,
    "mean_undershoot": lambda i: {
        "undershoot": compound.mean_undershoot(_pmf(i["size_pmf"]), lattice=i["lattice"])
    },
}


def _cartridge_use(i: Inputs) -> Any:
    told = filters.cartridges_used(
        volume_m3=i["volume_m3"],
        turbidity_ntu=i["turbidity_ntu"],
        days=i["days"],
        volume_per_cartridge_m3=i["volume_per_cartridge_m3"],
        dirt_capacity_g=i["dirt_capacity_g"],
        max_days_in_service=i["max_days_in_service"],
        cartridges_in_parallel=i["cartridges_in_parallel"],
        solids_g_per_m3_per_ntu=i["solids_g_per_m3_per_ntu"],
        removed_fraction=i["removed_fraction"],
    )
    return {name: float(getattr(told, name)) for name in ("by_volume", "by_solids", "by_time", "cartridges")}


def _lamp_changes(i: Inputs) -> Any:
    changes = lamps.lamp_changes(
        hours_since_new=i["hours_since_new"],
        run_hours=i["run_hours"],
        rated_life_h=i["rated_life_h"],
        lamps=i["lamps"],
    )
    return {"changes": float(changes)}


def _used_h(i: Inputs) -> Any:
    return lamps.equivalent_hours(i["run_h"], i["starts"], start_penalty_h=i["start_penalty_h"])


def _lamp_due(i: Inputs) -> Any:
    """One lamp through the function that dates all parts of the fleet."""
    none, nothing = np.array([np.nan]), np.zeros(1)
    today = np.datetime64(i["today"])
    lamp = Parts(
        unit=np.array([1]),
        limit_h=np.array([float(i["life_h"])]),
        used_h=np.atleast_1d(_used_h(i)),
        limit_m3=none,
        used_m3=nothing,
        limit_g=none,
        used_g=nothing,
        last_day=add_months(
            np.array([i["installed"]], dtype="datetime64[D]"), np.array([float(i["months"])])
        ),
        hours_per_start_h=np.array([float(i["start_penalty_h"])]),
        g_per_m3_ntu=nothing,
        reaches=nothing,
        ntu=none,
        low_factor=np.ones(1),
        high_factor=np.ones(1),
        known=np.array([True]),
    )
    for_years = pd.DataFrame(
        {
            "unit": [1],
            "first_day": [today],
            "last_day": [today + 20_000],
            "h_per_day": [float(i["h_per_day"])],
        }
    )
    return str(remaining_life(lamp, for_years, as_of=today).due[0])


STORES |= {"cartridge_use": _cartridge_use, "lamp_changes": _lamp_changes}

WEAR: dict[str, Callable[[Inputs], Any]] = {
    "cartridge_life": lambda i: float(filters.cartridge_life_days(**i)),
    "dp_fraction_used": lambda i: float(filters.fraction_used_by_pressure(**i)),
    "carbon_life": lambda i: float(filters.carbon_life_days(**i)),
    "uv_lamp_days": lambda i: float(lamps.days_of_burning(i["life_h"], _used_h(i), i["h_per_day"])),
    "uv_lamp_due": _lamp_due,
    "hypochlorite_decay": lambda i: float(chemicals.liquid_strength_pct(**i)),
    "calcium_hypochlorite_strength": lambda i: float(chemicals.solid_strength_pct(**i)),
}
