"""The steps of an order, each asked once more: approved, sent, confirmed, received, closed, cancelled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.permissions import member_required, require
from fleet.web.days import day_words, today_at
from fleet.web.page import redirect_to, render_page
from fleet.web.site import person_of
from fleet.web.words import spoken
from inventory.domain.errors import NeedsConfirmation
from inventory.forms.orders import ConfirmForm, OrderReceiveForm, ReasonStepForm, SendForm, StepForm
from inventory.models import OrderLine
from inventory.selectors.orders import lines_of
from inventory.selectors.spots import qty_text
from inventory.services import ordering
from inventory.services.receiving import Delivery, order_receive
from inventory.views.orders import order_named
from inventory.web.lines import system_of
from inventory.web.orders import money


def _texts(step: str, order: Any) -> dict[str, Any]:
    code = {"order": order.code, "supplier": order.supplier.name}
    total = money(order.total, order.currency)
    known: dict[str, dict[str, Any]] = {
        "approve": {
            "title": _("Approve"),
            "question": _("Approve %(order)s at %(supplier)s for %(total)s?") % {**code, "total": total},
            "detail": _("Its lines cannot be changed afterwards, unless the approval is taken back."),
            "button": _("Approve it"),
            "done": _("%(order)s is approved. Send it next.") % code,
        },
        "withdraw": {
            "title": _("Take the approval back"),
            "question": _("Make %(order)s a draft again?") % code,
            "detail": _("It must be approved anew before it is sent."),
            "button": _("Make it a draft"),
            "done": _("%(order)s is a draft again.") % code,
        },
        "send": {
            "title": _("Sent"),
            "question": _("When was %(order)s sent to %(supplier)s?") % code,
            "detail": _("Download the order as PDF and send it. The lead time counts from this day."),
            "button": _("Mark it as sent"),
            "done": _("%(order)s is marked as sent.") % code,
        },
        "confirm": {
            "title": _("Confirmed"),
            "question": _("What did %(supplier)s answer about %(order)s?") % code,
            "detail": _("A later answer replaces the days of an earlier one; both stay in the history."),
            "button": _("Save the answer"),
            "done": _("The answer to %(order)s is on file.") % code,
        },
        "close": {
            "title": _("Close short"),
            "question": _("Wait for nothing more of %(order)s?") % code,
            "detail": _("What has not come counts as on order no longer."),
            "button": _("Close it"),
            "done": _("%(order)s is closed.") % code,
            "grave": True,
        },
        "cancel": {
            "title": _("Cancel"),
            "question": _("Call %(order)s off?") % code,
            "detail": _("Tell the supplier as well, if it was sent. The order stays on file as cancelled."),
            "button": _("Cancel the order"),
            "done": _("%(order)s is cancelled.") % code,
            "grave": True,
        },
    }
    return known[step]


def _form(step: str, request: HttpRequest, order: Any) -> Any:
    data = request.POST or None
    initial = {"seen": order.version}
    today = today_at(order.place)
    if step == "send":
        return SendForm(data, initial=initial | {"sent_on": today})
    if step == "confirm":
        its = {"confirmed_on": today, "their_ref": order.their_ref}
        return ConfirmForm(data, lines=lines_of(order), initial=initial | its)
    return StepForm(data, initial=initial) if step == "approve" else ReasonStepForm(data, initial=initial)


def _do(step: str, order: Any, form: Any, request: HttpRequest) -> None:
    data = form.cleaned_data
    common = {"order": order, "seen_version": data["seen"], "actor": person_of(request)}
    acts: dict[str, Callable[[], Any]] = {
        "approve": lambda: ordering.order_approve(**common),
        "withdraw": lambda: ordering.order_withdraw(reason=data["reason"], **common),
        "send": lambda: ordering.order_send(sent_on=data["sent_on"], **common),
        "confirm": lambda: ordering.order_confirm(
            confirmed_on=data["confirmed_on"], promised=form.promised(), their_ref=data["their_ref"], **common
        ),
        "close": lambda: ordering.order_close(reason=data["reason"], **common),
        "cancel": lambda: ordering.order_cancel(reason=data["reason"], **common),
    }
    acts[step]()


@member_required
@require_http_methods(["GET", "POST"])
def order_step(request: HttpRequest, code: str, step: str) -> HttpResponse:
    order = order_named(code)
    require(request, "order", order.place_id)
    back = reverse("inventory:order-show", args=[order.code])
    texts, form = _texts(step, order), _form(step, request, order)
    if request.method == "POST" and form.is_valid():
        try:
            _do(step, order, form, request)
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, texts["done"])
            return redirect_to(request, back)
    context = {**texts, "order": order, "form": form, "cancel_url": back}
    status = 422 if request.method == "POST" else 200
    return render_page(request, "inventory/order_step.html", context, status=status)


@member_required
@require_http_methods(["GET", "POST"])
def order_line_receive(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """One lot of what came against a line; the next lot is booked by the same page again."""
    order = order_named(code)
    line: Any = get_object_or_404(
        OrderLine.objects.with_received().select_related("item", "order__place"), pk=pk, order=order
    )
    if line.order_id != order.pk:
        raise Http404
    require(request, "stock", order.place_id)
    system = system_of(request)
    back = reverse("inventory:order-show", args=[order.code])
    form = OrderReceiveForm(request.POST or None, line=line, system=system)
    if request.method == "POST" and form.is_valid():
        try:
            receipts = order_receive(
                line=line,
                delivery=Delivery(**form.delivery()),
                happened_at=form.cleaned_data["happened_at"],
                actor=person_of(request),
                confirmed=form.confirmed(),
                token=form.cleaned_data["token"],
            )
        except NeedsConfirmation as error:
            form.ask(error, spoken(error))
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            _say_received(request, receipts)
            return redirect_to(request, back)
    wanted = []
    if line.item.min_life_days is not None:
        wanted.append(
            _("At least %(days)d days of life are wanted on arrival.") % {"days": line.item.min_life_days}
        )
    if line.promised_on:
        wanted.append(_("Promised for %(day)s.") % {"day": day_words(line.promised_on)})
    context = {
        "title": _("Receive"),
        "question": _("What came of %(item)s?") % {"item": line.item.name},
        "detail": " ".join(
            [
                _(
                    "%(open)s of %(qty)s are still to come. Book each lot by itself, as it stands on the packages."
                )
                % {
                    "open": qty_text(line.open_qty, line.item, system),
                    "qty": qty_text(line.qty, line.item, system),
                },
                *wanted,
            ]
        ),
        "button": _("Book it in"),
        "order": order,
        "form": form,
        "cancel_url": back,
    }
    status = 422 if request.method == "POST" else 200
    return render_page(request, "inventory/order_step.html", context, status=status)


def _say_received(request: HttpRequest, receipts: list[Any]) -> None:
    done = _("Booked in.")
    if len(receipts) == 1:
        undo = reverse("inventory:movement-reverse", args=[receipts[0].movement_id])
        done = format_html('{} <a href="{}">{}</a>', done, undo, _("Take it back"))
    messages.success(request, done)
