"""Orders: the list, one order on screen and on paper, written and changed; what is to be asked of suppliers."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, Place
from fleet.permissions import member_required, request_rights, require
from fleet.web.days import day_words, moment_words, today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import redirect_to, render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, person_of
from fleet.web.sorting import Column, sorting_of
from fleet.web.words import spoken
from inventory.domain.errors import NeedsConfirmation
from inventory.filters import OrderFilter
from inventory.forms.orders import (
    LINES_AT_FIRST,
    MOST_LINES,
    LineForm,
    OrderForm,
    items_by_word,
    line_initial,
)
from inventory.models import FundingSource, Item, Order
from inventory.selectors.orders import lines_of, offered_price, orders_shown, receipts_of, to_expedite
from inventory.services.ordering import Wanted, order_create, order_edit
from inventory.web.lines import system_of
from inventory.web.order_pdf import order_pdf
from inventory.web.orders import (
    history_rows,
    line_rows,
    money,
    order_rows,
    receipt_rows,
    state_words,
    why_expedite,
)

COLUMNS = [
    Column("code", gettext_lazy("Order"), ("code",)),
    Column("supplier", gettext_lazy("Supplier"), ("supplier__name", "code")),
    Column("place", gettext_lazy("Delivered to"), ("place__name", "code")),
    Column("state", gettext_lazy("State"), ("state", "code")),
    Column("sent", gettext_lazy("Sent"), ("sent_on", "code"), number=True),
    Column("due", gettext_lazy("Next promised"), ("due_on", "code"), number=True),
    Column("total", gettext_lazy("Total"), ("total",), number=True),
]
EXPEDITE_COLUMNS = [
    Column("why", gettext_lazy("Why")),
    Column("order", gettext_lazy("Order"), ("order__code",)),
    Column("supplier", gettext_lazy("Supplier"), ("order__supplier__name", "due_on")),
    Column("item", gettext_lazy("Item"), ("item__name", "due_on")),
    Column("open", gettext_lazy("Still to come"), ("open_qty",), number=True),
    Column("due", gettext_lazy("Promised for"), ("due_on", "order__sent_on"), number=True),
]


def order_named(code: str) -> Any:
    return get_object_or_404(orders_shown(depot=None), code=code)


@member_required
@require_GET
def order_list(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today = today_at(depot)
    filters = OrderFilter(request.GET, orders_shown(depot=depot), request=request, today=today)
    sorting = sorting_of(request, COLUMNS, default="-code")
    rows = sorting.apply(filters.qs)
    if kind := export_format(request):
        return _list_file(kind, rows)
    paging = page_of(request, rows)
    context = {
        "depot": depot,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "rows": order_rows(paging.rows, today),
        "narrowed": any(request.GET.get(name) for name in filters.filters),
        "links": export_links(request),
        "may_order": request_rights(request).can("order"),
    }
    return render_page(request, "inventory/order_list.html", context, region="inventory/order_table.html")


def _list_file(kind: str, rows: Iterable[Any]) -> HttpResponse:
    columns = [
        _("Order"), _("Supplier"), _("Delivered to"), _("State"), _("Written by"), _("Approved by"), _("Sent on"),
        _("Confirmed on"), _("Next promised"), _("Total"), _("Currency"), _("Their number"),
    ]  # fmt: skip
    cells = [
        [
            row.code,
            row.supplier.name,
            row.place.name,
            state_words(row),
            str(row.created_by or ""),
            str(row.approved_by or ""),
            row.sent_on,
            row.confirmed_on,
            row.due_on,
            float(row.total),
            row.currency,
            row.their_ref,
        ]
        for row in rows
    ]
    return file_response(name="orders", kind=kind, columns=columns, rows=cells)


@member_required
@require_GET
def order_expedite(request: HttpRequest) -> HttpResponse:
    """What is late, not confirmed, or promised for no day: whom to call, and about what."""
    depot = chosen_depot(request)
    today, system, rights = today_at(depot), system_of(request), request_rights(request)
    sorting = sorting_of(request, EXPEDITE_COLUMNS, default="due")
    rows = sorting.apply(to_expedite(depot=depot, day=today))
    if kind := export_format(request):
        columns = [
            _("Why"), _("Order"), _("Their number"), _("Supplier"), _("Mail"), _("Code"), _("Item"),
            _("Still to come"), _("Unit"), _("Sent on"), _("Promised for"), _("Delivered to"),
        ]  # fmt: skip
        cells = [
            [
                why_expedite(row, today),
                row.order.code,
                row.order.their_ref,
                row.order.supplier.name,
                row.order.supplier.mail,
                row.item.code,
                row.item.name,
                float(row.open_qty),
                str(row.item.get_base_unit_display()),
                row.order.sent_on,
                row.due_on,
                row.order.place.name,
            ]
            for row in rows
        ]
        return file_response(name="to-expedite", kind=kind, columns=columns, rows=cells)
    paging = page_of(request, rows)
    lines = line_rows(paging.rows, today=today, system=system, rights=rights)
    context = {
        "depot": depot,
        "heads": sorting.heads,
        "paging": paging,
        "lines": [{"row": row, "why": why_expedite(row.line, today)} for row in lines],
        "links": export_links(request),
    }
    return render_page(request, "inventory/order_expedite.html", context)


@member_required
@require_GET
def order_show(request: HttpRequest, code: str) -> HttpResponse:
    """`?format=pdf` is the order on paper, `?format=xlsx` and `csv` its lines."""
    order = order_named(code)
    today, system, rights = today_at(order.place), system_of(request), request_rights(request)
    lines = lines_of(order)
    if request.GET.get("format") == "pdf":
        made = order_pdf(order, line_rows(lines, today=today, system=system, rights=rights, order=order))
        response = HttpResponse(made, content_type="application/pdf")
        response["Content-Disposition"] = f'attachment; filename="{order.code}.pdf"'
        return response
    if kind := export_format(request):
        return _order_file(kind, order, lines)
    zone = order.place.time_zone
    history = AuditEntry.objects.filter(subject_kind="order", subject_id=str(order.pk)).select_related(
        "actor"
    )
    context = {
        "order": order,
        "state": state_words(order),
        "total": money(order.total, order.currency),
        "pairs": _pairs(order, zone),
        "lines": line_rows(lines, today=today, system=system, rights=rights, order=order),
        "receipts": receipt_rows(receipts_of(order), system),
        "history": history_rows(history.order_by("-at", "-pk"), zone),
        "links": export_links(request),
        "may_order": rights.can("order", order.place_id),
    }
    return render_page(request, "inventory/order_page.html", context)


def _pairs(order: Any, zone: str) -> list[dict[str, Any]]:
    not_yet = _("not yet")
    approved = f"{order.approved_by}, {moment_words(order.approved_at, zone)}".rstrip(", ")
    pairs = [
        {
            "label": _("Supplier"),
            "value": order.supplier.name,
            "note": order.supplier.mail,
            "url": reverse("inventory:supplier-show", args=[order.supplier.code]),
        },
        {"label": _("Delivered to"), "value": order.place.name},
        {"label": _("Total"), "value": money(order.total, order.currency)},
        {
            "label": _("Written by"),
            "value": str(order.created_by or ""),
            "note": moment_words(order.created_at, zone),
        },
        {"label": _("Approved by"), "value": approved if order.approved_by else not_yet},
        {"label": _("Sent"), "value": day_words(order.sent_on) or not_yet},
        {
            "label": _("Confirmed"),
            "value": day_words(order.confirmed_on)
            or (not_yet if order.state != Order.State.CONFIRMED else ""),
            "note": _("their number %(ref)s") % {"ref": order.their_ref} if order.their_ref else "",
        },
    ]
    if order.note:
        pairs.append({"label": _("Note to the supplier"), "value": order.note})
    if order.closed_on or order.end_reason:
        pairs.append({"label": _("Ended"), "value": day_words(order.closed_on), "note": order.end_reason})
    return pairs


def _order_file(kind: str, order: Any, lines: Iterable[Any]) -> HttpResponse:
    columns = [
        _("Order"), _("Supplier"), _("Delivered to"), _("Code"), _("Item"), _("Quantity"), _("Unit"), _("Price"),
        _("Amount"), _("Currency"), _("Promised for"), _("Received"), _("Damaged"), _("Still to come"), _("Paid from"),
    ]  # fmt: skip
    cells = [
        [
            order.code,
            order.supplier.name,
            order.place.name,
            line.item.code,
            line.item.name,
            float(line.qty),
            str(line.item.get_base_unit_display()),
            float(line.price),
            float((line.qty * line.price).quantize(Decimal("0.01"))),
            order.currency,
            line.promised_on or order.promised_on,
            float(line.received_qty),
            float(line.damaged),
            float(line.open_qty),
            line.funding.name if line.funding else "",
        ]
        for line in lines
    ]
    return file_response(name=order.code, kind=kind, columns=columns, rows=cells)


@member_required
@require_http_methods(["GET", "POST"])
def order_new(request: HttpRequest) -> HttpResponse:
    """`?item=` and `?qty=` name what is to be ordered, `?supplier=` from whom."""
    require(request, "order")
    depot = chosen_depot(request)
    initial = {
        "supplier": request.GET.get("supplier", ""),
        "place": depot.code if depot else "",
        "currency": "EUR",
    }
    wanted = (
        [{"item": request.GET["item"], "qty": request.GET.get("qty", "")}] if request.GET.get("item") else []
    )
    form = OrderForm(request.POST or None, places=_places(request), initial=initial)
    return _write(request, form, wanted, None)


@member_required
@require_http_methods(["GET", "POST"])
def order_change(request: HttpRequest, code: str) -> HttpResponse:
    order = order_named(code)
    require(request, "order", order.place_id)
    initial = {"seen": order.version, "currency": order.currency, "note": order.note}
    form = OrderForm(request.POST or None, places=_places(request), order=order, initial=initial)
    return _write(request, form, [line_initial(line) for line in lines_of(order)], order)


def _places(request: HttpRequest) -> QuerySet[Place]:
    own = request_rights(request).depots("order")
    places = Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).order_by("name")
    return places if own is None else places.filter(pk__in=own)


def _write(
    request: HttpRequest, form: OrderForm, wanted: list[dict[str, Any]], order: Order | None
) -> HttpResponse:
    items = list(Item.objects.order_by("name"))
    lines_of_form: Any = forms.formset_factory(
        LineForm, extra=max(LINES_AT_FIRST - len(wanted), 1), max_num=MOST_LINES, can_delete=True
    )
    data: Any = request.POST.copy() if request.method == "POST" else None
    more = data is not None and "more" in data
    if more:
        try:
            number = min(int(data.get("lines-TOTAL_FORMS", 0)) + LINES_AT_FIRST, MOST_LINES)
        except ValueError:
            number = LINES_AT_FIRST
        data["lines-TOTAL_FORMS"] = str(number)
    lines = lines_of_form(
        data,
        prefix="lines",
        initial=wanted,
        form_kwargs={
            "items": items_by_word(items),
            "system": system_of(request),
            "sources": list(FundingSource.objects.all()),
        },
    )
    for line in lines:
        if "DELETE" in line.fields:
            line.fields["DELETE"].label = _("Leave this line out")
    if data is not None and not more and form.is_valid() and lines.is_valid():
        made = _saved(request, form, lines, order)
        if made is not None:
            messages.success(request, _("%(order)s is on file as a draft.") % {"order": made.code})
            return redirect_to(request, reverse("inventory:order-show", args=[made.code]))
    back = reverse("inventory:order-show", args=[order.code]) if order else reverse("inventory:order-list")
    context = {
        "order": order,
        "form": form,
        "lines": lines,
        "items": items,
        "cancel_url": back,
        "heading": _("Change %(order)s") % {"order": order.code} if order else _("New order"),
    }
    status = 422 if request.method == "POST" and not more else 200
    return render_page(request, "inventory/order_form.html", context, status=status)


def _saved(request: HttpRequest, form: OrderForm, lines: Any, order: Order | None) -> Order | None:
    """The draft, or None with what is wrong told in the form."""
    data = form.cleaned_data
    supplier = order.supplier if order else data["supplier"]
    place = order.place if order else data["place"]
    require(request, "order", place.pk)
    wanted = []
    for row in lines:
        said = row.cleaned_data
        if not said or said.get("DELETE"):
            continue
        price = said["price"]
        if price is None:
            price = offered_price(
                supplier, said["item"], said["qty"], data["currency"].upper(), today_at(place)
            )
        if price is None:
            row.add_error(
                "price", _("No offer of this supplier in this currency is on file: write the price.")
            )
            return None
        wanted.append(Wanted(said["item"], said["qty"], price, said["promised_on"], said["funding"]))
    common: dict[str, Any] = {
        "currency": data["currency"],
        "lines": wanted,
        "note": data["note"],
        "actor": person_of(request),
        "confirmed": form.confirmed(),
    }
    try:
        if order is not None:
            return order_edit(order=order, seen_version=data["seen"] or 0, **common)
        return order_create(supplier=supplier, place=place, token=data["token"], now=timezone.now(), **common)
    except NeedsConfirmation as error:
        form.ask(error, spoken(error))
    except DomainError as error:
        form.add_error(None, spoken(error))
    return None
