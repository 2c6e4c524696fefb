"""The troubles of the stores and of kits: lots that expire one after the other, a short kit, a lamp owed to another unit."""

from __future__ import annotations

import datetime as dt

from readiness.demo.plan import UnitPlan
from readiness.demo.stock_plan import Wish
from readiness.demo.stores import Stores

# Days from today on which the lots end, and the share of the kit in each.
ABOARD = ((6, 0.4), (27, 0.3), (61, 0.3))
IN_STORES = ((-9, 250), (4, 250), (18, 500), (43, 250), (88, 500))


def add_special_stock(stores: Stores, units: list[UnitPlan]) -> None:
    by_tag = {unit.tag: unit for unit in units}
    for unit in units:
        if unit.has("lots_aboard"):
            lots_aboard(stores, unit)
        if unit.has("kit_short") and unit.surveyed:
            kit_short(stores, unit)
        if unit.has("part_debt") and "G-02" in by_tag:
            part_debt(stores, unit, by_tag["G-02"])
    for row in stores.source["troubles"]:
        if row["key"] == "lots_in_stores":
            lots_in_stores(stores, row["subject"])
    wrong_receipt(stores)
    lend_between_depots(stores)


def lots_in_stores(stores: Stores, depot: str) -> None:
    for days, qty in IN_STORES:
        expires = stores.timeline.day(stores.timeline.days + days)
        stores.book("DPD-1", depot, stores.timeline.days - 150, qty, expires, reserved=True)


def lots_aboard(stores: Stores, unit: UnitPlan) -> None:
    """The test tablets aboard are replaced by three short-dated lots."""
    day = stores.timeline.days - 33
    wish = Wish(day, 0, "renew", unit)
    target = sum(pile.held[unit.number] for pile in stores.aboard("DPD-1", unit.home, wish))
    at = stores.at(unit.home, day, 13.0)
    stores.scrap_aboard("DPD-1", unit.home, wish, at)
    for days, share in ABOARD:
        expires = stores.timeline.day(stores.timeline.days + days)
        qty = round(target * share)
        pile = stores.book("DPD-1", unit.home, day - 30, qty, expires, reserved=True)[0]
        stores.ledger.move("issue", pile, qty, at + dt.timedelta(minutes=10), unit.home, unit.number)


def kit_short(stores: Stores, unit: UnitPlan) -> None:
    """A torn bag and a forgotten box: some of it is no longer aboard."""
    at = stores.at(unit.home, stores.timeline.days - 5, 15.0)
    for item, keep in (("HTH-65", 0.4), ("BAC-20", 0.0)):
        for pile in stores.ledger.held_by(item, unit.home, unit.number):
            lost = pile.held[unit.number] - int(pile.held[unit.number] * keep)
            stores.ledger.move("scrap", pile, lost, at, unit.number, None, reason="Bag torn, damp got in")


def part_debt(stores: Stores, giver: UnitPlan, taker: UnitPlan) -> None:
    """Lamp B of the giver went into the taker nine days ago; its hours travel with it."""
    position = "UV lamp B"
    at = stores.at(taker.home, stores.timeline.days - 9, 10.0)
    stores.remove(Wish(0, 0, "remove", taker, position=position), at)
    old, pile = stores.fitted.pop((giver.number, position))
    before = stores.rows.get("inventory.FittedPart", old)
    before["removed_at"] = at
    moved_at = at + dt.timedelta(minutes=15)
    ledger = stores.ledger
    ledger.move("remove", pile, 1, at, None, giver.number, fitted_part_id=old)
    taken = ledger.move("transfer", pile, 1, moved_at, giver.number, taker.number, reason=f"For {taker.tag}")
    part = stores.rows.add(
        "inventory.FittedPart",
        unit_id=taker.number,
        position=position,
        train=before["train"],
        lot_id=pile.number,
        fitted_at=moved_at,
        removed_at=None,
        first_fitted_at=before["first_fitted_at"],
        carried_h=before["carried_h"],
        carried_m3=before["carried_m3"],
        carried_starts=before["carried_starts"],
        follows_id=old,
    )
    ledger.move("fit", pile, 1, moved_at, taker.number, None, fitted_part_id=part)
    stores.fitted[taker.number, position] = (part, pile)
    stores.rows.add(
        "inventory.PartDebt",
        owed_to_id=giver.number,
        given_to_id=taker.number,
        item_id=stores.keys.item["UVL-80"],
        position=position,
        qty=1,
        opened_at=at,
        opened_by_id=stores.people.manager[giver.home],
        opened_with_id=taken,
        note="Its own lamp broke while being cleaned",
    )


def wrong_receipt(stores: Stores) -> None:
    """A delivery booked twice, and the second booking reversed the next morning."""
    day = stores.timeline.days - 70
    expires = stores.timeline.day(stores.timeline.days + 900)
    pile = stores.book("TAB-67", "WIN", day, 1000, expires, reserved=True)[0]
    second = stores.ledger.move("receipt", pile, 1000, stores.at("WIN", day, 16.0), None, "WIN")
    stores.ledger.move(
        "reversal",
        pile,
        1000,
        stores.at("WIN", day, 16.0),
        "WIN",
        None,
        reverses_id=second,
        reason="Booked twice",
    )


def lend_between_depots(stores: Stores) -> None:
    """Lisbon helps Manila out of one cartridge lot."""
    until = stores.timeline.day(stores.timeline.days + 90)
    piles = stores.ledger.usable("SED-20", "LIS", "LIS", stores.timeline.days - 20, until)
    for pile in piles[:1]:
        qty = max(pile.held["LIS"] // 2, 1)
        at = stores.at("LIS", stores.timeline.days - 20, 9.0)
        stores.ledger.move("transfer", pile, qty, at, "LIS", "MNL", reason="Typhoon season")
