"""Suppliers: what they offer, what was paid, and how long they really took."""

from __future__ import annotations

from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from fleet.permissions import member_required, request_rights
from fleet.web.days import day_words, today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import render_page
from fleet.web.paging import page_of
from inventory.models import Order, Supplier
from inventory.selectors.orders import lead_times, offers_of, orders_shown, prices_paid
from inventory.selectors.spots import qty_text
from inventory.web.lines import system_of
from inventory.web.orders import lead_time_pairs, money, order_rows


@member_required
@require_GET
def supplier_list(request: HttpRequest) -> HttpResponse:
    open_orders = Count("orders", filter=~Q(orders__state__in=[Order.State.CLOSED, Order.State.CANCELLED]))
    rows = Supplier.objects.annotate(open_orders=open_orders).order_by("name")
    if kind := export_format(request):
        columns = [_("Code"), _("Supplier"), _("Mail"), _("Orders not ended"), _("Note")]
        cells = [[row.code, row.name, row.mail, row.open_orders, row.note] for row in rows]
        return file_response(name="suppliers", kind=kind, columns=columns, rows=cells)
    context = {"paging": page_of(request, rows), "links": export_links(request)}
    return render_page(request, "inventory/supplier_list.html", context)


@member_required
@require_GET
def supplier_show(request: HttpRequest, code: str) -> HttpResponse:
    supplier = get_object_or_404(Supplier, code=code)
    today, system = today_at(None), system_of(request)
    times = lead_times(supplier)
    if kind := export_format(request):
        columns = [
            _("Order"), _("Item"), _("Code"), _("Sent on"), _("Received on"), _("Days"), _("Days offered"),
            _("Days late"),
        ]  # fmt: skip
        cells = [
            [
                one.receipt.line.order.code,
                one.receipt.line.item.name,
                one.receipt.line.item.code,
                one.receipt.line.order.sent_on,
                one.receipt.received_on,
                one.days,
                one.offered_days,
                one.late_days,
            ]
            for one in times
        ]
        return file_response(name=f"{supplier.code}-lead-times", kind=kind, columns=columns, rows=cells)
    paging = page_of(
        request, orders_shown(depot=None).filter(supplier=supplier).order_by("-code"), per_page=20
    )
    context = {
        "supplier": supplier,
        "pairs": [
            {"label": _("Mail"), "value": supplier.mail},
            {"label": _("Note"), "value": supplier.note},
            *(
                [{"label": _("Closed on"), "value": day_words(supplier.closed_on)}]
                if supplier.closed_on
                else []
            ),
        ],
        "times": lead_time_pairs(times),
        "last_times": times[:20],
        "offers": [
            {
                "offer": offer,
                "price": money(offer.price, offer.currency),
                "break": qty_text(offer.from_qty, offer.item, system) if offer.from_qty else "",
                "pack": qty_text(offer.pack_qty, offer.item, system),
                "over": offer.valid_to is not None and offer.valid_to < today,
            }
            for offer in offers_of(supplier)
        ],
        "paid": [
            {"line": line, "price": money(line.price, line.order.currency)} for line in prices_paid(supplier)
        ],
        "rows": order_rows(paging.rows, today),
        "paging": paging,
        "links": export_links(request),
        "may_order": request_rights(request).can("order"),
    }
    return render_page(request, "inventory/supplier_page.html", context)
