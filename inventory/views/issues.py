"""Put an item aboard a unit from the stores of its depot: which item stands in the address, so that a link can name it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.lib.quantities import System
from fleet.models import Unit
from fleet.permissions import access_unit, member_required
from fleet.web.days import day_words, today_at
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.site import person_of
from fleet.web.words import spoken
from inventory.forms.issue import ItemChoiceForm, UnitIssueForm
from inventory.forms.stock import prefilled
from inventory.models import Balance, Item, Lot, Movement
from inventory.selectors.issues import aboard_of, issuable, items_for, mission_end
from inventory.selectors.spots import day_at, qty_text
from inventory.selectors.stock import first_expiring
from inventory.services.picks import reason_for_money, reason_for_pick
from inventory.services.posting import movement_with
from inventory.services.stock import stock_issue_many
from inventory.web.lines import system_of, unit_url


@member_required
@require_http_methods(["GET", "POST"])
def unit_issue(request: HttpRequest, tag: str) -> HttpResponse:
    """`?item=` names the item, `?qty=` how much is missing; without an item it is asked for first."""
    unit = access_unit(request, tag, to="stock")
    back = safe_next(request, unit_url(unit) or reverse("inventory:store-list"))
    today, system = today_at(unit.home), system_of(request)
    choose = ItemChoiceForm(request.GET if "item" in request.GET else None, items=items_for(unit, today))
    context: dict[str, Any] = {"unit": unit, "choose": choose, "back": back}
    if not (choose.is_bound and choose.is_valid()):
        return render_page(request, "inventory/unit_issue.html", context)
    item: Item = choose.cleaned_data["item"]
    stock, through = issuable(item, unit.home, today), mission_end(unit.home, today)
    form = UnitIssueForm(
        request.POST or None,
        item=item,
        stock=stock,
        system=system,
        zone=unit.home.time_zone,
        by_name=through is None,
        initial=_wanted(request, item),
    )
    if request.method == "POST" and form.is_valid():
        if movement_with(form.cleaned_data["token"]) is not None:
            return redirect_to(request, back)
        picks = _picks(form, unit, item, through, request)
        try:
            day = day_at(unit.home, form.cleaned_data["happened_at"])
            if form.chosen is not None:
                form.cleaned_data["reason"] = reason_for_pick(
                    lot=form.chosen,
                    place=unit.home,
                    unit=unit,
                    happened_on=day,
                    lasts_through=through or day,
                    reason=form.cleaned_data["reason"],
                )
            elif picks:
                form.cleaned_data["reason"] = reason_for_money(
                    lots=[lot for lot, _qty in picks],
                    unit=unit,
                    happened_on=day,
                    reason=form.cleaned_data["reason"],
                )
            moved = _issue(form, unit, picks, request) if picks else []
        except DomainError as error:
            form.add_error(None, spoken(error))
        if not form.errors:
            _say_done(request, moved, unit, item)
            return redirect_to(request, back)
    context |= {
        "item": item,
        "form": form if stock else None,
        "detail": _what_there_is(stock, unit, item, through, system),
        "fields": [{"name": "next", "value": back}],
        "receive_url": reverse("inventory:stock-receive")
        + "?"
        + urlencode({"item": item.code, "next": request.get_full_path()}),
    }
    status = 422 if request.method == "POST" else 200
    return render_page(request, "inventory/unit_issue.html", context, status=status)


def _what_there_is(
    stock: Sequence[Balance], unit: Unit, item: Item, through: dt.date | None, system: System
) -> str:
    known = {
        "held": qty_text(sum((row.qty for row in stock), Decimal(0)), item, system),
        "aboard": qty_text(aboard_of(unit, item), item, system),
    }
    if through is None:
        return _(
            "%(held)s in the stores; %(aboard)s aboard now. The standard mission of %(depot)s is not stated, so that "
            "nothing tells what lasts through it: choose a lot by name."
        ) % (known | {"depot": unit.home})
    lasting = sum((row.qty for row in stock if _lasts(row.lot.expires_on, through)), Decimal(0))
    return _("%(held)s in the stores, %(lasting)s of it good through %(day)s; %(aboard)s aboard now.") % (
        known | {"lasting": qty_text(lasting, item, system), "day": day_words(through)}
    )


def _lasts(expires_on: dt.date | None, through: dt.date) -> bool:
    return expires_on is None or expires_on >= through


def _wanted(request: HttpRequest, item: Item) -> dict[str, Any]:
    """The quantity that the link knew to be missing; what is no sensible quantity is left out."""
    try:
        qty = Decimal(request.GET.get("qty", ""))
    except InvalidOperation:
        return {}
    if not qty.is_finite() or not 0 < qty < 10**9:
        return {}
    return {"qty": prefilled(qty, item)}


def _picks(
    form: UnitIssueForm, unit: Unit, item: Item, through: dt.date | None, request: HttpRequest
) -> list[tuple[Lot, Decimal]]:
    """The lot that was chosen, or those that last through the mission, the first to expire first."""
    amount = form.amount()
    if form.chosen is not None:
        return [(form.chosen, amount)]
    assert through is not None, "the form asks for a lot by name where no mission is stated"
    found = first_expiring(item=item, place=unit.home, qty=amount, day=through)
    if found.missing:
        there = qty_text(amount - found.missing, item, system_of(request))
        form.add_error(
            "qty",
            _("Only %(there)s of it last through %(day)s. Write less, or choose a lot by name.")
            % {"there": there, "day": day_words(through)},
        )
        return []
    return found.picks


def _issue(
    form: UnitIssueForm, unit: Unit, picks: Sequence[tuple[Lot, Decimal]], request: HttpRequest
) -> list[Movement]:
    data = form.cleaned_data
    return stock_issue_many(
        picks=picks,
        place=unit.home,
        unit=unit,
        happened_at=data["happened_at"],
        actor=person_of(request),
        token=data["token"],
        reason=data["reason"],
    )


def _say_done(request: HttpRequest, moved: list[Movement], unit: Unit, item: Item) -> None:
    done = _("%(item)s is aboard %(unit)s.") % {"item": item.name, "unit": unit.tag}
    if len(moved) == 1:
        undo = reverse("inventory:movement-reverse", args=[moved[0].pk])
        done = format_html('{} <a href="{}">{}</a>', done, undo, _("Take it back"))
    messages.success(request, done)
