"""Places, designs, people and equipment: the rows that stand in the fixtures as they are."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from readiness.demo.rows import Rows
from readiness.demo.source import Source
from readiness.demo.timeline import Timeline

RULES_SINCE = dt.date(2015, 1, 1)


@dataclass
class Keys:
    """Numbers of the rows that others point to, by the names people use."""

    place: dict[str, int] = field(default_factory=dict)
    design: dict[str, int] = field(default_factory=dict)
    form: dict[tuple[str, str], int] = field(default_factory=dict)
    item: dict[str, int] = field(default_factory=dict)
    supplier: dict[str, int] = field(default_factory=dict)
    funding: dict[str, int] = field(default_factory=dict)
    inspection_type: dict[str, int] = field(default_factory=dict)


def write_places(rows: Rows, source: Source, keys: Keys, timeline: Timeline) -> None:
    for place in source["places"]:
        keys.place[place["code"]] = rows.add(
            "fleet.Place", **{name: "" if value is None else value for name, value in place.items()}
        )
    for normal in source["climate"]:
        rows.add(
            "fleet.ClimateNormal",
            place_id=keys.place[normal["place"]],
            **{name: normal[name] for name in ("month", "mean_c", "record_low_c", "record_high_c", "source")},
        )
    for terms in source["depot_terms"]:
        row = dict(terms)
        rows.add(
            "fleet.DepotTerms", place_id=keys.place[row.pop("place")], valid_from=timeline.ago(1100), **row
        )
    for thing in source["shared_equipment"]:
        row = dict(thing)
        rows.add(
            "inventory.SharedEquipment",
            place_id=keys.place[row.pop("place")],
            valid_from=timeline.ago(900),
            **row,
        )
    for offer in source["offers"]:
        rows.add(
            "fleet.Offer",
            code=offer["code"],
            conveyance=offer["conveyance"],
            place_id=keys.place[offer["place"]],
            available_from=instant(timeline.ago(-offer["from_days"])),
            available_to=instant(timeline.ago(-offer["to_days"])),
            count=offer["count"],
            cost=offer["cost"],
            currency=offer["currency"],
        )


def write_designs(rows: Rows, source: Source, keys: Keys) -> None:
    for design in source["designs"]:
        keys.design[design["code"]] = rows.add("fleet.Design", **design)
    for form in source["packed_forms"]:
        row = dict(form)
        design = row.pop("design")
        number = rows.add("fleet.PackedForm", design_id=keys.design[design], **row)
        keys.form[design, row["code"]] = number
    for rule in source["certificate_rules"]:
        rows.add(
            "fleet.CertificateRule",
            design_id=keys.design[rule["design"]],
            kind=rule["kind"],
            gate=rule["gate"],
            renew_h=rule["renew_h"],
            lead_days=rule["lead_days"],
            source=rule["source"],
            valid_from=RULES_SINCE,
        )
    for need in source["design_equipment"]:
        rows.add(
            "inventory.DesignEquipment",
            design_id=keys.design[need["design"]],
            name=need["name"],
            count=need["count"],
        )


def write_inspection_types(rows: Rows, source: Source, keys: Keys) -> None:
    for kind in source.inspection_types:
        row = dict(kind)
        designs = designs_of(row.pop("designs", None))
        columns = {name: "" if value is None else value for name, value in row.items()}
        columns["grounds_unit"] = row["grounds_unit"] == "yes"
        columns["active_from"] = dt.date.fromisoformat(row["active_from"])
        number = rows.add("readiness.InspectionType", **columns)
        keys.inspection_type[row["code"]] = number
        for design in designs:
            rows.add(
                "readiness.InspectionType.designs",
                inspectiontype_id=number,
                design_id=keys.design[design],
            )


def designs_of(text: str | None) -> list[str]:
    return (text or "").split()


def write_items(rows: Rows, source: Source, keys: Keys, timeline: Timeline) -> None:
    for supplier in source["suppliers"]:
        keys.supplier[supplier["code"]] = rows.add("inventory.Supplier", **supplier)
    for money in source["funding"]:
        ends = money["ends_in_days"]
        keys.funding[money["code"]] = rows.add(
            "inventory.FundingSource",
            code=money["code"],
            name=money["name"],
            countries=money["countries"] or "",
            purpose=money["purpose"],
            ends_on=None if ends is None else timeline.ago(-ends),
        )
    offer_columns = {"pack_qty", "price", "supplier", "lead_time_days"}
    flags = {"serialised", "dated", "extendable", "grounds_unit"}
    texts = {"dangerous_goods", "storage_note", "source"}
    for item in source["items"]:
        columns = {}
        for name, value in item.items():
            if name in offer_columns:
                continue
            columns[name] = bool(value) if name in flags else ((value or "") if name in texts else value)
        keys.item[item["code"]] = rows.add("inventory.Item", **columns)
        rows.add(
            "inventory.SupplyOffer",
            supplier_id=keys.supplier[item["supplier"]],
            item_id=keys.item[item["code"]],
            pack_qty=item["pack_qty"],
            from_qty=0,
            price=item["price"],
            currency="EUR",
            lead_time_days=item["lead_time_days"],
            shelf_life_on_arrival_days=item["shelf_life_months"] and int(item["shelf_life_months"] * 27),
            valid_from=timeline.ago(400),
        )
    for line in source["bill"]:
        rows.add(
            "inventory.DesignItem",
            design_id=keys.design[line["design"]],
            item_id=keys.item[line["item"]],
            purpose=line["purpose"],
            position=line["position"] or "",
            train=line["train"] or "",
            qty=line["qty"],
            per_days=line["per_days"],
            valid_from=RULES_SINCE,
        )


def instant(day: dt.date, hour: int = 8) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(hour), tzinfo=dt.UTC)
