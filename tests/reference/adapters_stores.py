"""Cases of stores and procurement: from a case's inputs to the public function that the plan uses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from inventory.domain.demand import compound, deployments, history
from inventory.domain.netting import dates, outdating
from inventory.domain.netting.columns import Lots, Needs, day_numbers
from inventory.domain.netting.plan import net
from inventory.domain.part_life import add_months
from inventory.domain.policy import dynamic_lots, lot_size, one_chance, reorder
from inventory.domain.risk import kits
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
                    "lot": [sorted(names).index(name) for name in names],
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


def _duration(i: Inputs) -> Any:
    if "duration_exponential_mean_days" in i:
        return deployments.Duration(exponential_mean=i["duration_exponential_mean_days"])
    return deployments.Duration.of_table(_numbers(i["duration_pmf_days"]))


def _numbers(table: dict[str, float]) -> dict[float, float]:
    return {float(key): value for key, value in table.items()}


def _window(i: Inputs) -> Any:
    told = deployments.window_moments(
        starts_per_day=i["starts_per_day"],
        use_per_day=_numbers(i["use_per_day_pmf"]),
        duration=_duration(i),
        window_days=i["window_days"],
        running=i["history"] == "stationary",
    )
    return {"mean": told.mean, "variance": told.variance}


def _lead_time_demand(i: Inputs) -> Any:
    told = deployments.lead_time_demand(
        mean_per_period=i["demand_mean_per_period"],
        variance_per_period=i["demand_variance_per_period"],
        lead_mean=i["lead_time_mean"],
        lead_variance=i["lead_time_variance"],
    )
    return {"mean": told.mean, "variance": told.variance, "sd": told.sd}


def _first(forecasts: Any, *names: str) -> Any:
    told = {name: float(getattr(forecasts, name)[0]) for name in (*names, "per_period")}
    return {name: None if np.isnan(value) else value for name, value in told.items()}


def _smoothing(i: Inputs) -> Inputs:
    return {"alpha_size": i["alpha_size"], "alpha_interval": i["alpha_interval"]}


def _tsb(i: Inputs) -> Any:
    given = {name: i[name] for name in ("alpha_size", "beta_probability", "size_start", "probability_start")}
    return _first(history.tsb(i["demand"], **given), "size", "probability")


def _classify(i: Inputs) -> Any:
    told = history.classify(i["demand"], adi_cut=i["adi_cut"], cv2_cut=i["cv2_cut"])
    none = str(told.name[0]) == history.NO_DEMAND
    numbers = {"adi": None, "cv2": None} if none else {"adi": float(told.adi[0]), "cv2": float(told.cv2[0])}
    return {**numbers, "class": str(told.name[0])}


def _constrained(i: Inputs) -> Any:
    breaks = [lot_size.PriceBreak(**row) for row in i["price_breaks"]]
    best = lot_size.order_quantities(**{**i, "price_breaks": breaks})[0]
    return asdict(best)


def _joint(i: Inputs) -> Any:
    quick, best = lot_size.joint_order(**i), lot_size.joint_order(**i, most_multiple=8)
    return {
        "cycle": quick.cycle,
        "multiples": list(quick.multiples),
        "heuristic_cost": quick.cost,
        "best_cost_by_enumeration": best.cost,
        "best_multiples": list(best.multiples),
    }


def _best_lots(i: Inputs) -> Any:
    told = dynamic_lots.best_lots(
        i["demand"], i["setup_cost"], i["holding_cost"], usable_periods=i.get("usable_periods")
    )
    return {"cost": told.cost, "orders": list(told.orders), "cumulative_cost": list(told.cumulative_cost)}


def _silver_meal(i: Inputs) -> Any:
    told = dynamic_lots.silver_meal(i["demand"], i["setup_cost"], i["holding_cost"])
    best = dynamic_lots.best_lots(i["demand"], i["setup_cost"], i["holding_cost"])
    return {"cost": told.cost, "orders": list(told.orders), "optimal_cost": best.cost}


def _newsvendor_discrete(i: Inputs) -> Any:
    return asdict(
        one_chance.newsvendor_pmf(
            holding_cost=i["overage_cost"], stockout_cost=i["underage_cost"], pmf=_pmf(i["demand_pmf"])
        )
    )


def _base_stock(i: Inputs) -> Any:
    told = one_chance.base_stock_normal(**i)
    return {"base_stock": told.quantity, "cost": told.cost}


def _life_window(i: Inputs) -> Any:
    use = compound.poisson_demand(i["demand_per_day_poisson"])(i["usable_days"])
    costs = {name: i[name] for name in ("unit_cost", "disposal_cost", "shortage_cost")}
    return asdict(one_chance.life_window(pmf=use, **costs))


def _rq_level(i: Inputs) -> Any:
    lead = i["lead_time"]
    told = reorder.rq_expected_level(
        holding_cost=i["holding_cost"],
        stockout_cost=i["stockout_cost"],
        fixed_cost=i["fixed_cost"],
        demand_mean=i["demand_mean"],
        lead_mean=i["demand_mean"] * lead,
        lead_sd=i["demand_sd"] * lead**0.5,
    )
    return asdict(told)


def _qr(i: Inputs) -> Any:
    given = {"demand_mean" if name == "demand_rate" else name: value for name, value in i.items()}
    return asdict(reorder.rq_expected_level(**given))


def _ss_exact(i: Inputs) -> Any:
    costs = {name: i[name] for name in ("holding_cost", "stockout_cost", "fixed_cost")}
    told = reorder.ss_exact(**costs, pmf=compound.poisson_demand(i["demand_mean_poisson"])(1.0))
    return asdict(told)


def _losses(i: Inputs) -> Any:
    losses = {
        "normal": reorder.normal_loss,
        "poisson": reorder.poisson_loss,
        "negative_binomial": reorder.negative_binomial_loss,
    }
    told = {name: loss(**i[name]) for name, loss in losses.items() if name in i}
    if "standard_normal_z" in i:
        told["standard_normal"] = reorder.standard_normal_loss(i["standard_normal_z"])
    return told


def _kit(i: Inputs) -> Any:
    types, stock = i["types"], i["stock"]
    told = kits.kit_availability(
        events_mean=i["events_mean"],
        probability=[kind["prob"] for kind in types],
        use={name: [kind["use"].get(name, 0) for kind in types] for name in stock},
        stock=stock,
    )
    return asdict(told)


def _fleet(i: Inputs) -> Any:
    told = kits.fleet_availability(units=i["units"], parts=[kits.SparePart(**part) for part in i["items"]])
    return {
        "expected_backorders": list(told.expected_backorders),
        "availability_no_cannibalisation": told.availability,
        "p_at_most_down_with_cannibalisation": list(told.at_most_down),
    }


def _fieldable(i: Inputs) -> Any:
    told = kits.units_fieldable(**i)
    return {"units": told.units, "limiting": list(told.limiting)}


def _wilson(i: Inputs) -> Any:
    low, high = kits.wilson_interval(i["hits"], i["runs"], i["confidence"])
    return {"low": float(low), "high": float(high)}


STORES |= {
    "window_demand_moments": _window,
    "seasonal_compound_moments": lambda i: asdict(deployments.season_moments(**i)),
    "residual_duration": lambda i: {
        "mean_remaining_days": deployments.mean_remaining_days(_duration(i), i["elapsed_days"])
    },
    "erlang_loss": lambda i: {"lost_fraction": deployments.erlang_loss(**i)},
    "start_rate_interval": lambda i: asdict(deployments.start_rate_interval(**i)),
    "predictive_starts": lambda i: asdict(deployments.predicted_starts(**i)),
    "lead_time_demand": _lead_time_demand,
    "croston": lambda i: _first(history.croston(i["demand"], **_smoothing(i)), "size", "interval"),
    "sba": lambda i: _first(history.sba(i["demand"], **_smoothing(i)), "size", "interval"),
    "tsb": _tsb,
    "classify_demand": _classify,
    "eoq": lambda i: asdict(lot_size.eoq(**i)),
    "eoq_all_units": lambda i: asdict(lot_size.eoq_all_units(**i)),
    "eoq_incremental": lambda i: asdict(lot_size.eoq_incremental(**i)),
    "eoq_backorders": lambda i: asdict(lot_size.eoq_backorders(**i)),
    "power_of_two": lambda i: asdict(lot_size.power_of_two(**i)),
    "order_quantity_constrained": _constrained,
    "joint_replenishment": _joint,
    "wagner_whitin": _best_lots,
    "wagner_whitin_shelf_life": _best_lots,
    "silver_meal": _silver_meal,
    "newsvendor_normal": lambda i: asdict(one_chance.newsvendor_normal(**i)),
    "newsvendor_poisson": lambda i: asdict(one_chance.newsvendor_poisson(**i)),
    "newsvendor_profit": lambda i: dict(
        zip(("quantity", "profit"), one_chance.newsvendor_profit(**i), strict=True)
    ),
    "newsvendor_discrete": _newsvendor_discrete,
    "base_stock_normal": _base_stock,
    "life_window_newsvendor": _life_window,
    "rq_expected_level": _rq_level,
    "qr_iteration": _qr,
    "rq_poisson_exact": lambda i: asdict(reorder.rq_poisson(**i)),
    "ss_discrete_exact": _ss_exact,
    "ss_power_approximation": lambda i: asdict(reorder.ss_power_approximation(**i)),
    "reorder_point_cycle_service": lambda i: asdict(reorder.reorder_point_cycle_service(**i)),
    "reorder_point_fill_rate": lambda i: asdict(reorder.reorder_point_fill_rate(**i)),
    "loss_functions": _losses,
    "kit_availability": _kit,
    "fleet_availability": _fleet,
    "units_fieldable": _fieldable,
    "pooling": lambda i: asdict(kits.pooling(**i)),
    "sample_size": lambda i: dict(zip(("z", "runs"), kits.sample_size(**i), strict=True)),
    "wilson_interval": _wilson,
}

WEAR: dict[str, Callable[[Inputs], Any]] = {
    "cartridge_life": lambda i: float(filters.cartridge_life_days(**i)),
    "dp_fraction_used": lambda i: float(filters.fraction_used_by_pressure(**i)),
    "carbon_life": lambda i: float(filters.carbon_life_days(**i)),
    "uv_lamp_days": lambda i: float(lamps.days_of_burning(i["life_h"], _used_h(i), i["h_per_day"])),
    "uv_lamp_due": _lamp_due,
    "hypochlorite_decay": lambda i: float(chemicals.liquid_strength_pct(**i)),
    "calcium_hypochlorite_strength": lambda i: float(chemicals.solid_strength_pct(**i)),
}
