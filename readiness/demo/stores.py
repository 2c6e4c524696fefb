"""The stores at work: receipts when something runs out, first to expire first, fits, uses, scrap, counts, orders."""

from __future__ import annotations

import datetime as dt

import numpy as np

from readiness.demo.base_rows import Keys
from readiness.demo.ledger import Ledger, LotPile
from readiness.demo.people import People
from readiness.demo.plan import UnitPlan
from readiness.demo.rows import Rows
from readiness.demo.source import Row, Source
from readiness.demo.stock_plan import Wish, Wishes
from readiness.demo.timeline import Timeline

# Stores that are short on purpose: (item, depot).
SHORT = {("BAC-20", "MNL"), ("CAR-60", "PHX")}
# Above this total another person than the buyer approves, EUR.
OWN_LIMIT = 2500


class Stores:
    def __init__(
        self,
        rows: Rows,
        source: Source,
        keys: Keys,
        timeline: Timeline,
        people: People,
        rng: np.random.Generator,
        deployment_ids: dict[str, int],
    ) -> None:
        self.rows = rows
        self.source = source
        self.keys = keys
        self.timeline = timeline
        self.people = people
        self.rng = rng
        self.deployment_ids = deployment_ids
        self.items = source.by("items")
        self.zone = {row["code"]: row["time_zone"] for row in source["places"]}
        self.ledger = Ledger(rows, people, keys.place, keys.item)
        self.fitted: dict[tuple[int, str], tuple[int, LotPile]] = {}
        self.wishes = Wishes(source, timeline, rng)
        self.serials = 0

    def write(self, units: list[UnitPlan]) -> None:
        self.rows.add("inventory.ApprovalLimit", currency="EUR", amount=OWN_LIMIT)
        for unit in units:
            if unit.surveyed:
                self.wishes.of_unit(unit)
        for item in self.items:
            for depot in self.source.depots:
                wishes = sorted(self.wishes.by_item.get((item, depot), ()))
                for number, wish in enumerate(wishes):
                    self.grant(item, depot, wish, number, len(wishes))
                self.keep_stock(item, depot, wishes)
        self.extend_one("ORG-N", self.source.depots[0])

    # --- one wish after the other -----------------------------------------------------------------------------------

    def grant(self, item: str, depot: str, wish: Wish, number: int, of: int) -> None:
        at = self.at(depot, wish.day, 8 + 7 * number / of)
        if wish.what == "renew":
            self.scrap_aboard(item, depot, wish, at)
            self.issue(item, depot, wish, wish.qty, at)
        elif wish.what == "fill":
            aboard = sum(pile.held[wish.unit.number] for pile in self.aboard(item, depot, wish))
            if aboard < wish.qty:
                self.issue(item, depot, wish, wish.qty - aboard, at)
        elif wish.what == "use":
            self.use(item, depot, wish, at)
        elif wish.what == "fit":
            self.fit(item, depot, wish, at)
        elif wish.what == "remove":
            self.remove(wish, at)

    def aboard(self, item: str, depot: str, wish: Wish) -> list[LotPile]:
        return self.ledger.held_by(item, depot, wish.unit.number)

    def scrap_aboard(self, item: str, depot: str, wish: Wish, at: dt.datetime) -> None:
        for pile in self.aboard(item, depot, wish):
            qty = pile.held[wish.unit.number]
            self.ledger.move(
                "scrap", pile, qty, at, wish.unit.number, None, reason="Kit renewed before its date"
            )

    def issue(self, item: str, depot: str, wish: Wish, qty: int, at: dt.datetime) -> list[LotPile]:
        """Takes from stores what lasts long enough, and has more delivered when that is not enough."""
        until = self.timeline.day(wish.until)
        given: list[LotPile] = []
        while qty > 0:
            piles = self.ledger.usable(item, depot, depot, wish.day, until)
            if not piles:
                self.receive_before(item, depot, wish.day, qty, until)
                continue
            taken = min(qty, piles[0].held[depot])
            self.ledger.move("issue", piles[0], taken, at, depot, wish.unit.number)
            given.append(piles[0])
            qty -= taken
        return given

    def use(self, item: str, depot: str, wish: Wish, at: dt.datetime) -> None:
        left = wish.qty
        for pile in self.aboard(item, depot, wish):
            taken = min(left, pile.held[wish.unit.number])
            if taken:
                deployment = self.deployment_ids.get(wish.trip_code)
                self.ledger.move(
                    "use", pile, taken, at, wish.unit.number, None, deployment_id=deployment, reason=""
                )
                left -= taken

    def fit(self, item: str, depot: str, wish: Wish, at: dt.datetime) -> None:
        pile = self.issue(item, depot, wish, 1, at)[0]
        fitted_at = at + dt.timedelta(minutes=20)
        earlier = wish.carried_h > 0 or wish.carried_m3 > 0
        part = self.rows.add(
            "inventory.FittedPart",
            unit_id=wish.unit.number,
            position=wish.position,
            train=wish.train,
            lot_id=pile.number,
            fitted_at=fitted_at,
            removed_at=None,
            first_fitted_at=fitted_at - dt.timedelta(days=60) if earlier else fitted_at,
            carried_h=wish.carried_h,
            carried_m3=wish.carried_m3,
            carried_starts=int(wish.carried_h / 30),
        )
        self.ledger.move("fit", pile, 1, fitted_at, wish.unit.number, None, fitted_part_id=part)
        self.fitted[wish.unit.number, wish.position] = (part, pile)

    def remove(self, wish: Wish, at: dt.datetime) -> LotPile:
        part, pile = self.fitted.pop((wish.unit.number, wish.position))
        self.rows.get("inventory.FittedPart", part)["removed_at"] = at
        self.ledger.move("remove", pile, 1, at, None, wish.unit.number, fitted_part_id=part)
        self.ledger.move(
            "scrap",
            pile,
            1,
            at + dt.timedelta(minutes=5),
            wish.unit.number,
            None,
            fitted_part_id=part,
            reason="Taken out at the end of its life",
        )
        return pile

    # --- goods in ---------------------------------------------------------------------------------------------------

    def receive_before(self, item: str, depot: str, day: int, qty: int, until: dt.date) -> None:
        received = day - int(self.rng.integers(2, 21))
        pack = int(self.items[item]["pack_qty"])
        packs = -(-qty * int(self.rng.integers(2, 5)) // pack)
        self.receive(item, depot, received, packs * pack, until)

    def receive(
        self, item: str, depot: str, day: int, qty: int, until: dt.date, *, reserved: bool = False
    ) -> list[LotPile]:
        """Books a delivery of a lot, or of as many pieces with serials, and the order it came on."""
        row = self.items[item]
        arrived = self.timeline.day(day)
        shelf = row["shelf_life_months"]
        expires = None
        if shelf:
            life = int(30 * shelf * 0.9 * float(self.rng.uniform(0.93, 1.0)))
            expires = max(arrived + dt.timedelta(days=life), until + dt.timedelta(days=5))
        return self.book(item, depot, day, qty, expires, reserved=reserved)

    def book(
        self, item: str, depot: str, day: int, qty: int, expires: dt.date | None, *, reserved: bool = False
    ) -> list[LotPile]:
        row = self.items[item]
        arrived = self.timeline.day(day)
        made = arrived - dt.timedelta(days=int(self.rng.integers(12, 40)))
        pieces = [1] * qty if row["serialised"] else [qty]
        at = self.at(depot, day, 10.0)
        piles, movements = [], []
        for piece in pieces:
            self.serials += 1
            code = f"{item[:3]}{made:%y%m}-{self.serials:04d}"
            serial = {"serial": f"SN{700000 + self.serials}"} if row["serialised"] else {}
            pile = self.ledger.open_lot(item, depot, code, made, expires, day, reserved=reserved, **serial)
            movements.append(self.ledger.move("receipt", pile, piece, at, None, depot))
            piles.append(pile)
        if day > self.timeline.days - 400:
            self.order_for(row, depot, day, qty, piles, movements)
        return piles

    def order_for(
        self, item: Row, depot: str, day: int, qty: int, piles: list[LotPile], movements: list[int]
    ) -> None:
        """The closed order behind a delivery."""
        sent = day - int(item["lead_time_days"]) - int(self.rng.integers(-3, 6))
        line = self.order(
            item, depot, sent, qty, "closed", promised=day - 1, closed_on=self.timeline.day(day)
        )
        for pile, movement in zip(piles, movements, strict=True):
            self.rows.add(
                "inventory.Receipt",
                line_id=line,
                lot_id=pile.number,
                movement_id=movement,
                received_on=self.timeline.day(day),
            )

    def order(
        self,
        item: Row,
        depot: str,
        sent: int,
        qty: int,
        state: str,
        *,
        promised: int | None = None,
        closed_on: dt.date | None = None,
    ) -> int:
        buyer = self.people.by_name["procurement"]
        number = len(self.rows.of("inventory.Order")) + 1
        signed = state != "draft"
        above = float(item["price"]) * qty > OWN_LIMIT
        sent_on = self.timeline.day(sent)
        order = self.rows.add(
            "inventory.Order",
            code=f"PO-{number:05d}",
            supplier_id=self.keys.supplier[item["supplier"]],
            place_id=self.keys.place[depot],
            state=state,
            currency="EUR",
            created_at=self.at(depot, sent - 1, 11.0),
            created_by_id=buyer,
            approved_by_id=(self.people.by_name["admin"] if above else buyer) if signed else None,
            approved_at=self.at(depot, sent, 9.0) if signed else None,
            sent_on=sent_on if signed else None,
            confirmed_on=sent_on + dt.timedelta(days=2) if state in ("confirmed", "closed") else None,
            closed_on=closed_on,
            promised_on=None if promised is None else self.timeline.day(promised),
        )
        return self.rows.add(
            "inventory.OrderLine",
            order_id=order,
            item_id=self.keys.item[item["code"]],
            qty=qty,
            price=item["price"],
            funding_id=self.keys.funding["STORM" if depot == "MNL" else "CORE"],
        )

    # --- what lies there at the end ------------------------------------------------------------------------------------

    def keep_stock(self, item: str, depot: str, wishes: list[Wish]) -> None:
        """Throws out what expired, tops up to the policy, counts now and then, and writes the policy."""
        aboard = sum(pile.held[depot] for pile in self.ledger.held_by(item, depot, depot))
        demand = sum(wish.qty for wish in wishes if wish.what in ("renew", "fill", "fit"))
        pack = int(self.items[item]["pack_qty"])
        reorder = -(-max(demand // 8, pack) // pack) * pack
        self.rows.add(
            "inventory.StockPolicy",
            item_id=self.keys.item[item],
            place_id=self.keys.place[depot],
            reorder_point=reorder,
            order_up_to=3 * reorder,
            valid_from=self.timeline.ago(500),
        )
        self.throw_out(item, depot)
        until = self.timeline.day(self.timeline.days + 90)
        usable = sum(
            pile.held[depot] for pile in self.ledger.usable(item, depot, depot, self.timeline.days, until)
        )
        short = (item, depot) in SHORT
        if usable < reorder and not short:
            for ago in (int(self.rng.integers(30, 60)), int(self.rng.integers(4, 20))):
                self.receive(item, depot, self.timeline.days - ago, reorder, until)
        if short or usable + aboard > 4 * reorder:
            self.open_order(item, depot, reorder, short=short)
        self.count(item, depot)

    def extend_one(self, item: str, depot: str) -> None:
        """One lot in the stores whose date is the one a test gave it."""
        piles = [pile for pile in self.ledger.held_by(item, depot, depot) if pile.expires_on is not None]
        if not piles:
            return
        at = self.at(depot, self.timeline.days - 40, 11.0)
        assert piles[0].expires_on is not None
        self.rows.add(
            "inventory.LifeExtension",
            lot_id=piles[0].number,
            from_expires_on=piles[0].expires_on - dt.timedelta(days=365),
            to_expires_on=piles[0].expires_on,
            tested_on=at.date() - dt.timedelta(days=6),
            paper="Tejo elastomer laboratory, report 26-0418",
            signer="Henrique Vasconcelo",
            happened_at=at,
            recorded_at=at,
            recorded_by_id=self.people.by_name["lisbon"],
        )

    def throw_out(self, item: str, depot: str) -> None:
        """Expired goods leave the shelf some days after their date."""
        for pile in self.ledger.held_by(item, depot, depot):
            if pile.expires_on is None or pile.reserved:
                continue
            day = self.timeline.index(pile.expires_on) + int(self.rng.integers(3, 16))
            if day < self.timeline.days:
                self.ledger.move(
                    "scrap", pile, pile.held[depot], self.at(depot, day, 15.0), depot, None, reason="Expired"
                )

    def open_order(self, item: str, depot: str, qty: int, *, short: bool) -> None:
        row = self.items[item]
        sent = self.timeline.days - int(self.rng.integers(3, 18))
        late = short and item == "BAC-20"
        state = "confirmed" if late else ("sent" if short else "draft")
        promised = self.timeline.days - 2 if late else sent + int(row["lead_time_days"])
        self.order(row, depot, sent, qty, state, promised=None if state == "draft" else promised)

    def count(self, item: str, depot: str) -> None:
        """A count about two weeks ago of lots nobody has touched since; one in nine is off by a piece."""
        at = self.at(depot, self.timeline.days - int(self.rng.integers(8, 15)), 14.0)
        for pile in self.ledger.held_by(item, depot, depot):
            if pile.last_at is None or pile.last_at >= at or pile.reserved:
                continue
            held = pile.held[depot]
            off = 1 if self.rng.random() < 1 / 9 and held > 3 and not self.items[item]["serialised"] else 0
            self.ledger.move(
                "count",
                pile,
                off,
                at,
                depot if off else None,
                None if off else depot,
                counted_qty=held - off,
                reason="Half-yearly count" if not off else "Half-yearly count, one short",
            )

    def at(self, depot: str, day: int, hour: float) -> dt.datetime:
        return self.timeline.at(day, self.zone[depot], hour).replace(second=0, microsecond=0)
