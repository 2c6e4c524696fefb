"""What to press for a matter of stock: the form of the stores that settles it, with what the alert knows filled in."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.translation import gettext as _

from fleet.permissions import Rights
from inventory.models import Item, Lot
from inventory.selectors.spots import spot_value
from inventory.web.debts import Action, debt_actions
from readiness.models import Alert
from readiness.selectors.pages_alerts import Settling, items_of


def stock_actions(alert: Alert, known: Settling, *, rights: Rights, next_url: str) -> list[Action]:
    """The first is the one to press; empty where this person may not, or what it was about is gone."""
    if alert.rule == "debt":
        return _debt(alert, known, rights=rights, next_url=next_url)
    if not rights.can("stock", alert.depot_id):
        return []
    if alert.rule == "kit_short":
        return _kit(alert, known, next_url)
    if alert.rule == "lots_aboard":
        return _lots_aboard(alert, known, next_url)
    if alert.rule == "lot_stores" and alert.lot is not None:
        return _lot_in_stores(alert, alert.lot, next_url)
    return []


def _to(name: str, *args: Any, **query: Any) -> str:
    words = urlencode({key: value for key, value in query.items() if value not in ("", None)})
    return reverse(name, args=args) + (f"?{words}" if words else "")


def _debt(alert: Alert, known: Settling, *, rights: Rights, next_url: str) -> list[Action]:
    debts = [known.debts[item["id"]] for item in items_of(alert) if item.get("id") in known.debts]
    if not debts:
        return []
    actions = list(debt_actions(debts[0], rights=rights, next_url=next_url))
    if len(debts) > 1 or not actions:
        actions.append(Action(_("Look at its debts"), _to("inventory:debt-list", q=debts[0].owed_to.tag)))
    return actions


def _kit(alert: Alert, known: Settling, next_url: str) -> list[Action]:
    """What the depot can put aboard first, then what must come in; one action for each item that is missing."""
    to_issue, to_receive = [], []
    for entry in items_of(alert):
        item = known.items.get(entry.get("id", 0))
        if item is None or alert.about_unit is None:
            continue
        missing = _missing(entry, item)
        words = _amount_of(item, missing)
        # What is still complete will be short: its day comes.
        if float(entry.get("in_stores") or 0) > 0 or entry.get("outcome") == "pass":
            url = _to(
                "inventory:unit-issue", alert.about_unit.tag, item=item.code, qty=missing, next=next_url
            )
            to_issue.append((words, url))
        else:
            to_receive.append((words, _to("inventory:stock-receive", item=item.code, next=next_url)))
    named = [Action(_("Issue %(what)s") % {"what": words}, url) for words, url in to_issue]
    named += [Action(_("Book in %(what)s") % {"what": words}, url) for words, url in to_receive]
    if not named:
        return []
    label = _("Issue what is missing") if to_issue else _("Book a delivery in")
    return [Action(label, named[0].url), *(named if len(named) > 1 else ())]


def _missing(entry: dict[str, Any], item: Item) -> str:
    """How much more the mission asks for than lasts through it; empty where enough is aboard today."""
    short = Decimal(str(entry.get("needed") or 0)) - Decimal(str(entry.get("aboard") or 0))
    if short <= 0:
        return ""
    if item.whole:
        short = short.to_integral_value(rounding="ROUND_CEILING")
    return f"{short.normalize():f}"


def _amount_of(item: Item, missing: str) -> str:
    if not missing:
        return item.name
    unit = "" if item.whole else f" {item.get_base_unit_display()}"
    return f"{missing}{unit} × {item.name}"


def _lots_aboard(alert: Alert, known: Settling, next_url: str) -> list[Action]:
    """The old lot off, then a fresh one aboard: the second form follows the first."""
    unit = alert.about_unit
    lot_id = int((items_of(alert) or [{}])[0].get("lot") or 0)
    row = known.aboard.get((unit.pk, lot_id)) if unit else None
    if unit is None or row is None:
        return []
    item = row.lot.item
    fresh = _to(
        "inventory:unit-issue", unit.tag, item=item.code, qty=f"{row.qty.normalize():f}", next=next_url
    )
    old = {"at": spot_value(unit), "qty": "all", "next": next_url, "then": fresh}
    return [
        Action(_("Swap the lot"), _to("inventory:stock-return", lot_id, **old)),
        Action(_("Throw the old one away, then a fresh one"), _to("inventory:stock-scrap", lot_id, **old)),
        Action(_("Only put a fresh one aboard"), fresh),
    ]


def _lot_in_stores(alert: Alert, lot: Lot, next_url: str) -> list[Action]:
    look = Action(_("Look at the lot"), _to("inventory:lot-detail", lot.pk))
    first = (items_of(alert) or [{}])[0]
    if first.get("stage") != "late" or alert.place is None:
        return [look]
    gone = {"at": spot_value(alert.place), "qty": "all", "next": next_url}
    return [Action(_("Throw it away"), _to("inventory:stock-scrap", lot.pk, **gone)), look]
