"""Take from one unit for another: a part, kit stock or the battery bank, with the debt it leaves."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.lib.quantities import System
from fleet.models import Unit
from fleet.permissions import access_unit, member_required, request_rights
from fleet.web.days import today_at
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.site import person_of
from fleet.web.words import spoken
from inventory.forms.stock import prefilled
from inventory.forms.take import GiverForm, TakeForm
from inventory.models import PartDebt
from inventory.selectors.debts import debt_between, still_owed
from inventory.selectors.spots import qty_text
from inventory.selectors.takes import (
    Takeable,
    bank_sits_in,
    bill_positions,
    givers_for,
    takeable_from,
    taken_already,
)
from inventory.services.takes import Take, bank_take, part_take
from inventory.web.debts import settled_words
from inventory.web.lines import system_of, unit_url


@member_required
@require_http_methods(["GET", "POST"])
def part_take_show(request: HttpRequest, tag: str) -> HttpResponse:
    """First from which unit (in the address), then what; both units are of depots this person keeps.

    `?debt=` names an open debt that is to be given back: what it is about is chosen already.
    """
    target = access_unit(request, tag, to="upkeep")
    givers = givers_for(target, depots=request_rights(request).depots("upkeep"))
    back = safe_next(request, unit_url(target) or reverse("inventory:store-list"))
    choose = GiverForm(request.GET or None, givers=givers)
    source = choose.cleaned_data["source"] if choose.is_bound and choose.is_valid() else None
    context: dict[str, Any] = {"target": target, "source": source, "choose": choose, "back": back}
    if source is None:
        return render_page(request, "inventory/take.html", context)
    giver = get_object_or_404(givers, pk=source.pk)
    if request.method == "POST" and taken_already(request.POST.get("token", "")):
        return redirect_to(request, back)
    things = takeable_from(giver)
    debt = debt_between(request.GET.get("debt", ""), owed_to=target, given_to=giver)
    if debt is not None and debt.settled_at is not None:
        return _settled(request, debt, target, context)
    form = TakeForm(
        request.POST or None,
        things=things,
        initial=_given_back(debt, things) if debt else {},
        positions=bill_positions(target, today_at(target.home)),
        system=system_of(request),
        zone=target.home.time_zone,
    )
    if request.method == "POST" and form.is_valid():
        try:
            taken = _take(form, giver, target, request)
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _said(taken, giver, target, system_of(request)))
            return redirect_to(request, back)
    context["form"] = form
    status = 422 if request.method == "POST" else 200
    return render_page(request, "inventory/take.html", context, status=status)


def _settled(request: HttpRequest, debt: PartDebt, target: Unit, context: dict[str, Any]) -> HttpResponse:
    """The debt of the link is open no more: says who settled it, and books nothing."""
    if request.method == "POST" and bank_sits_in(request.POST.get("what", ""), target):
        # A second tap finds the bank where it was to go: that is done, whoever did it.
        messages.info(request, settled_words(debt))
        return redirect_to(request, context["back"])
    context["settled"] = settled_words(debt)
    status = 409 if request.method == "POST" else 200
    return render_page(request, "inventory/take.html", context, status=status)


def _given_back(debt: PartDebt, things: Sequence[Takeable]) -> dict[str, Any]:
    """What is owed, where it sits or lies in the unit that has it, and where it goes. Nothing where it has it no more."""
    taken = debt.opened_with.lot_id if debt.opened_with else None
    # The very lot that was taken first, then what sits in the position it came from.
    for thing in sorted(things, key=lambda each: (_lot_of(each) != taken, each.position != debt.position)):
        lot = thing.part.lot if thing.part else thing.balance.lot if thing.balance else None
        same = (
            thing.bank.pk == debt.bank_id if thing.bank else lot is not None and lot.item_id == debt.item_id
        )
        if same:
            known: dict[str, Any] = {"what": thing.key, "reason": _("Given back")}
            if debt.item is None:
                return known
            if debt.position:
                return known | {"position": debt.position}
            if thing.balance is not None:
                qty = min(debt.qty, thing.balance.qty)
                return known | {"qty": prefilled(qty, debt.item)}
    return {}


def _lot_of(thing: Takeable) -> int | None:
    return thing.part.lot_id if thing.part else thing.balance.lot_id if thing.balance else None


def _said(taken: Take, giver: Unit, target: Unit, system: System) -> str:
    """What was taken and what was given back, as the service wrote it."""
    words: dict[str, Any] = {"target": target, "giver": giver}
    if not taken.given_back:
        return (
            _(
                "Taken for %(target)s. %(giver)s is owed it until the gap is filled again; both are judged anew."
            )
            % words
        )
    item = taken.movements[0].lot.item if taken.movements else None
    if item is not None:
        words |= {"what": item.name, "back": qty_text(taken.given_back, item, system)}
        if taken.debt is not None:
            return _(
                "%(back)s × %(what)s given back to %(target)s. %(giver)s is owed the other %(rest)s until the gap is "
                "filled again; both are judged anew."
            ) % (words | {"rest": qty_text(taken.debt.qty, item, system)})
        if rest := still_owed(item, owed_to=target, given_to=giver):
            return _(
                "%(back)s × %(what)s given back to %(target)s by %(giver)s, which still owes it %(rest)s; both are "
                "judged anew."
            ) % (words | {"rest": qty_text(rest, item, system)})
    return _("Given back to %(target)s by %(giver)s; both are judged anew.") % words


def _take(form: TakeForm, giver: Unit, target: Unit, request: HttpRequest) -> Take:
    data = form.cleaned_data
    shared = {
        "target": target,
        "happened_at": data["happened_at"],
        "actor": person_of(request),
        "reason": data["reason"],
        "token": data["token"],
        "source": giver,
    }
    thing = form.thing
    if thing.bank is not None:
        debt = bank_take(bank=thing.bank, **shared)
        back = debt.owed_to_id == target.pk
        return Take(None if back else debt, [], given_back=Decimal(back))
    return part_take(
        part=thing.part,
        lot=thing.balance.lot if thing.balance else None,
        qty=form.amount(),
        target_position=data["position"],
        used_part=form.used_part,
        new_piece=form.new_piece,
        **shared,
    )
