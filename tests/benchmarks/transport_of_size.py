"""What the transport class asks, for every unit of a fleet of any size: no two are alike in mass, size or bank."""

from __future__ import annotations

import datetime as dt
import json
import random
from typing import Any

from fleet.models import BankStay, PackedForm, Unit
from inventory.models import Item, ItemGoods
from tests.benchmarks.fleet_of_size import text, write

FORMS = ("bench-skid", "bench-trailer")


def add_transport(today: dt.date, seed: int = 5) -> None:
    """Two packed forms a design, and for every unit: own measures and a weighing of each, a dry tank, the facts of its bank
    with three looks at it, a line and a confirmed list of goods, a proof test.
    """
    rng = random.Random(seed)
    now = dt.datetime.combine(today, dt.time(6), tzinfo=dt.UTC)
    recently, since = text(now - dt.timedelta(days=3)), (today - dt.timedelta(days=200)).isoformat()
    forms = _forms()
    designs = dict(Unit.objects.values_list("pk", "design_id"))
    banks = list(
        BankStay.objects.current()
        .filter(unit__isnull=False)
        .values_list("bank_id", "unit_id", "bank__serial")
    )
    codes = list(Item.objects.order_by("pk").values_list("code", flat=True))
    _items()
    event = "happened_at, recorded_at, struck_reason"
    write(
        "fleet_unitform",
        "version, updated_at, unit_id, packed_form_id, length_mm, width_mm, height_mm, lifting_points_kg, reason,"
        " valid_from",
        (
            (
                1,
                recently,
                unit,
                form,
                rng.uniform(1800, 6000),
                rng.uniform(1200, 2450),
                rng.uniform(1300, 2500),
                rng.uniform(600, 4000),
                "measured",
                since,
            )
            for unit, design in designs.items()
            for form in forms[design]
        ),
    )
    write(
        "fleet_weighing",
        f"{event}, unit_id, packed_form_id, mass_kg, method, kit_aboard, water_inside",
        (
            (recently, recently, "", unit, form, rng.uniform(500, 6500), "", bool(unit % 2), False)
            for unit, design in designs.items()
            for form in forms[design]
        ),
    )
    write(
        "fleet_banktransport",
        "version, updated_at, bank_id, config, host, un383, net_mass_kg, package_gross_kg, spare_sets, vib_pressure_ok,"
        " no_free_liquid_55c, marked_nonspillable, source",
        (
            (
                1,
                recently,
                bank,
                rng.choice(("installed", "alone", "packed_with", "")),
                rng.choice(("equipment", "")),
                rng.choice(("pass", "")),
                rng.uniform(4, 90),
                rng.uniform(10, 120),
                1,
                True,
                rng.random() < 0.8,
                True,
                "",
            )
            for bank, _unit, _serial in banks
        ),
    )
    write(
        "inventory_goodscheck",
        f"{event}, unit_id, bank_id, kind, answer, note",
        (
            (recently, recently, "", unit, bank, kind, answer, "")
            for bank, unit, _serial in banks
            for kind, answer in (("condition", "ok"), ("terminals", "yes"), ("upright", "yes"))
        ),
    )
    write(
        "inventory_goodsline",
        f"id, {event}, unit_id, label, kind, attributes, pieces, mass_kg, removable, source",
        (
            (
                unit,
                recently,
                recently,
                "",
                unit,
                "extinguisher",
                "goods",
                '{"un": "1044", "qty": 6}',
                1,
                9.0,
                False,
                "",
            )
            for unit in designs
        ),
    )
    named = [f"item:{code}" for code in codes[:3]]
    write(
        "inventory_goodslistcheck",
        f"{event}, unit_id, keys, note",
        (
            (recently, recently, "", unit, json.dumps([f"bank:{serial}", f"line:{unit}", *named]), "")
            for _bank, unit, serial in banks
        ),
    )
    write(
        "fleet_certificate",
        f"{event}, kind, number, issuer, issued_on, expires_on, unit_id",
        (
            (
                recently,
                recently,
                "",
                kind,
                "",
                "",
                since,
                (today + dt.timedelta(days=20 + unit % 400)).isoformat(),
                unit,
            )
            for unit in designs
            for kind in ("proof_load", "non_spillable")
        ),
    )


def _forms() -> dict[int, list[int]]:
    """Two forms of each design, measured as far as the units do not say otherwise."""
    found: dict[int, list[int]] = {}
    for design in Unit.objects.order_by("design_id").values_list("design_id", flat=True).distinct():
        measures: dict[str, Any] = {
            "mass_kg": 1500.0,
            "cog_x_mm": 900.0,
            "cog_y_mm": 600.0,
            "cog_z_mm": 700.0,
            "lifting_points": 4,
            "point_front_mm": 100.0,
            "point_left_mm": 100.0,
            "point_length_mm": 1600.0,
            "point_width_mm": 1000.0,
            "point_height_mm": 1500.0,
            "may_turn": True,
            "braked": True,
            "tongue_load_kg": 90.0,
            "axle_count": 2,
            "axle_load_kg": 900.0,
            "axle_spacing_mm": 1400.0,
            "trailer_gvwr_kg": 3500.0,
        }
        found[design] = [
            PackedForm.objects.create(
                design_id=design, code=code, kind=code.removeprefix("bench-"), **measures
            ).pk
            for code in FORMS
        ]
    return found


def _items() -> None:
    """What the items are to the rules: some are dangerous goods, most are none."""
    for place, item in enumerate(Item.objects.order_by("pk")):
        kind, facts = {
            0: ("goods", {"un": "2880", "pg": "II", "qty": 5.0}),
            1: (
                "lamp",
                {"hg_g_each": 0.02, "hg_g_package": 0.08, "radioactive": False, "lamp_packing_ok": True},
            ),
            2: ("carbon", {"activation": "steam", "n4_result": "pass"}),
        }.get(place, ("none", {}))
        ItemGoods.objects.create(item=item, kind=kind, attributes=facts)
    Item.objects.update(mass_kg=1.5)
