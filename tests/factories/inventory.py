"""Coherent stock: what lies somewhere came by a movement, so that the ledger always explains the balances."""

import datetime as dt
from decimal import Decimal

import factory
from factory.django import DjangoModelFactory

from inventory.models import DesignItem, Item, Lot, Order, Supplier
from inventory.services.ledger import part_fit, stock_issue, stock_receive
from inventory.services.ordering import Wanted, order_create
from tests.factories.fleet import FIRST_DAY, NOW, TODAY, DepotFactory, DesignFactory, UnitFactory, ago


class ItemFactory(DjangoModelFactory):
    """A sediment cartridge, counted in pieces, with an expiry date on its lots."""

    class Meta:
        model = Item
        django_get_or_create = ("code",)

    code = factory.Sequence(lambda n: f"IT-{n:03d}")
    name = factory.Sequence(lambda n: f"Cartridge {n}")
    kind = Item.Kind.CONSUMABLE


class LampFactory(ItemFactory):
    """A lamp without serials: 9,000 hours or 12 months, a start costs an hour."""

    code = factory.Sequence(lambda n: f"LAMP-{n:03d}")
    name = factory.Sequence(lambda n: f"Lamp {n}")
    kind = Item.Kind.SPARE
    dated = False
    service_life_h = 9000.0
    service_life_months = 12
    hours_per_start_h = 1.0


class ChlorineFactory(ItemFactory):
    """Counted in kilograms."""

    code = factory.Sequence(lambda n: f"CHL-{n:03d}")
    name = factory.Sequence(lambda n: f"Chlorine granules {n}")
    base_unit = Item.Unit.KG


class LotFactory(DjangoModelFactory):
    """Good for another year. `serial=` makes it a single piece."""

    class Meta:
        model = Lot

    item = factory.SubFactory(ItemFactory)
    code = factory.Sequence(lambda n: f"L{n:04d}")
    expires_on = factory.LazyAttribute(lambda lot: TODAY + dt.timedelta(days=365) if lot.item.dated else None)


class DesignItemFactory(DjangoModelFactory):
    """A kit line; name a position for one that is fitted."""

    class Meta:
        model = DesignItem

    design = factory.SubFactory(DesignFactory)
    item = factory.SubFactory(ItemFactory)
    position = ""
    purpose = factory.LazyAttribute(lambda line: "fitted" if line.position else "kit")
    qty = 1
    valid_from = FIRST_DAY


def in_store(qty=10, *, place=None, lot=None, at=None, **lot_fields):
    """A lot with so much of it lying in a depot; returns the lot."""
    lot = lot or LotFactory(**lot_fields)
    stock_receive(
        lot=lot,
        qty=Decimal(qty),
        place=place or DepotFactory(),
        happened_at=at or ago(100),
        actor=None,
        now=NOW,
    )
    return lot


def aboard(unit, qty=4, *, lot=None, at=None, **lot_fields):
    """A lot with so much of it aboard a unit, issued from its home depot; returns the lot."""
    moment = at or ago(90)
    lot = in_store(qty, place=unit.home, lot=lot, at=moment - dt.timedelta(days=1), **lot_fields)
    stock_issue(
        lot=lot, qty=Decimal(qty), place=unit.home, unit=unit, happened_at=moment, actor=None, now=NOW
    )
    return lot


def with_position(unit, item, position="lamp 1", train="a"):
    """The unit's design gets a position for the item; returns the position."""
    DesignItemFactory(design=unit.design, item=item, position=position, train=train)
    return position


def fitted(unit=None, *, item=None, lot=None, position="lamp 1", train="a", at=None, earlier=None):
    """A part that came from the stores, was issued and fitted; returns the fitting."""
    unit = unit or UnitFactory()
    moment = at or ago(80)
    item = lot.item if lot else item or LampFactory()
    if not unit.design.bill.filter(position=position).exists():
        with_position(unit, item, position, train)
    lot = aboard(unit, 1, lot=lot or LotFactory(item=item), at=moment - dt.timedelta(hours=1))
    return part_fit(
        lot=lot,
        unit=unit,
        position=position,
        happened_at=moment,
        actor=None,
        new_piece=not item.serialised,
        earlier=earlier,
        now=NOW,
    )


def order_for(place, *lines, state="draft", sent_days_ago=7, actor=None):
    """An order of the supplier SUP for a depot; without lines: ten cartridges at 21.50 EUR."""
    supplier, _new = Supplier.objects.get_or_create(code="SUP", defaults={"name": "Supplier"})
    order = order_create(
        supplier=supplier,
        place=place,
        currency="EUR",
        lines=lines or [Wanted(ItemFactory(), Decimal(10), Decimal("21.50"))],
        actor=actor,
        now=NOW,
    )
    if state != "draft":
        sent_on = TODAY - dt.timedelta(days=sent_days_ago)
        Order.objects.filter(pk=order.pk).update(
            state=state, sent_on=None if state == "approved" else sent_on
        )
        order.refresh_from_db()
    return order
