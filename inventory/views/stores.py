"""The stores: what lies where, by lot or by item; the pages of one lot and of one item."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET

from fleet.permissions import member_required, request_rights
from fleet.web.days import day_words, today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot
from fleet.web.sorting import Column, sorting_of
from inventory.filters import ItemFilter, StockFilter
from inventory.models import Item, Lot
from inventory.selectors.orders import on_order
from inventory.selectors.pages import (
    item_lines,
    item_lots,
    lot_fittings,
    lot_spots,
    movement_lines,
    movements_of_depot,
    stock_lines,
)
from inventory.selectors.spots import qty_text
from inventory.web.goods import item_goods_pairs
from inventory.web.lines import (
    expiry_note,
    lot_state,
    movement_lines_of,
    stock_lines_of,
    system_of,
    unit_url,
)
from inventory.web.orders import line_rows

LOT_COLUMNS = [
    Column("item", gettext_lazy("Item"), ("lot__item__name", "lot__expires_on")),
    Column("lot", gettext_lazy("Lot"), ("lot__code",)),
    Column("where", gettext_lazy("Where"), ("place__name", "unit__tag", "lot__expires_on")),
    Column("qty", gettext_lazy("Quantity"), ("qty",), number=True),
    Column("expiry", gettext_lazy("Good through"), ("lot__expires_on",), number=True),
    Column("status", gettext_lazy("Status"), ("lot__status", "lot__expires_on")),
]
ITEM_COLUMNS = [
    Column("item", gettext_lazy("Item"), ("name",)),
    Column("code", gettext_lazy("Code"), ("code",)),
    Column("usable", gettext_lazy("Usable in stores"), ("usable_qty",), number=True),
    Column("unusable", gettext_lazy("Not usable"), ("unusable_qty",), number=True),
    Column("aboard", gettext_lazy("Aboard units"), ("aboard_qty",), number=True),
    Column("expiry", gettext_lazy("First to expire"), ("next_expiry",), number=True),
]


@member_required
@require_GET
def store_list(request: HttpRequest) -> HttpResponse:
    return _items(request) if request.GET.get("by") == "item" else _lots(request)


def _lots(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today = today_at(depot)
    filters = StockFilter(request.GET, stock_lines(depot=depot), request=request, today=today)
    sorting = sorting_of(request, LOT_COLUMNS, default="expiry")
    rows = sorting.apply(filters.qs)
    system, rights = system_of(request), request_rights(request)
    if kind := export_format(request):
        return _lot_file(kind, rows, today)
    paging = page_of(request, rows)
    context = {
        "depot": depot,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": stock_lines_of(paging.rows, day=today, system=system, rights=rights),
        "links": export_links(request),
        "may_stock": rights.can("stock"),
    }
    return render_page(request, "inventory/store_list.html", context, region="inventory/store_table.html")


def _lot_file(kind: str, rows: Any, today: Any) -> HttpResponse:
    columns = [
        _("Item"), _("Code"), _("Lot"), _("Serial"), _("Where"), _("Quantity"), _("Unit"), _("Good through"),
        _("Status"),
    ]  # fmt: skip
    cells = [
        [
            row.lot.item.name,
            row.lot.item.code,
            row.lot.code,
            row.lot.serial,
            str(row.place or row.unit),
            float(row.qty),
            str(row.lot.item.get_base_unit_display()),
            row.lot.expires_on or expiry_note(row.lot, today),
            lot_state(row.lot, today).words,
        ]
        for row in rows
    ]
    return file_response(name="stores", kind=kind, columns=columns, rows=cells)


def _items(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today = today_at(depot)
    filters = ItemFilter(request.GET, item_lines(depot=depot, day=today), request=request)
    sorting = sorting_of(request, ITEM_COLUMNS, default="item")
    rows = sorting.apply(filters.qs)
    system = system_of(request)
    if kind := export_format(request):
        columns = [str(column.label) for column in ITEM_COLUMNS]
        cells = [
            [
                row.name,
                row.code,
                float(row.usable_qty),
                float(row.unusable_qty),
                float(row.aboard_qty),
                row.next_expiry,
            ]
            for row in rows
        ]
        return file_response(name="items", kind=kind, columns=columns, rows=cells)
    paging = page_of(request, rows)
    lines = [
        {
            "item": row,
            "usable": qty_text(row.usable_qty, row, system),
            "unusable": qty_text(row.unusable_qty, row, system) if row.unusable_qty else "",
            "aboard": qty_text(row.aboard_qty, row, system) if row.aboard_qty else "",
            "expiry": row.next_expiry,
        }
        for row in paging.rows
    ]
    context = {
        "depot": depot,
        "by_item": True,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": lines,
        "links": export_links(request),
        "may_stock": request_rights(request).can("stock"),
    }
    return render_page(request, "inventory/store_list.html", context, region="inventory/item_table.html")


@member_required
@require_GET
def item_detail(request: HttpRequest, code: str) -> HttpResponse:
    item: Item = get_object_or_404(Item.objects.select_related("goods"), code=code)
    depot = chosen_depot(request)
    today, system, rights = today_at(depot), system_of(request), request_rights(request)
    totals = item_lines(depot=depot, day=today).get(pk=item.pk)
    all_lots = "empty" in request.GET
    found = item_lots(item)
    lots = page_of(
        request,
        found if all_lots else found.filter(Q(on_hand__gt=0) | Q(fitted__gt=0)),
        key="lots",
        per_page=20,
    )
    rows = movement_lines().filter(lot__item=item)
    paging = page_of(request, movements_of_depot(rows, depot) if depot else rows, per_page=20)
    context = {
        "item": item,
        "depot": depot,
        "pairs": _item_pairs(item, totals, system),
        "goods": item_goods_pairs(getattr(item, "goods", None)),
        "lots": [
            {
                "lot": lot,
                "qty": qty_text(lot.on_hand, item, system),
                "state": lot_state(lot, today),
                "expiry": expiry_note(lot, today),
            }
            for lot in lots.rows
        ],
        "lots_paging": lots,
        "all_lots": all_lots,
        "lines": movement_lines_of(paging.rows, system=system, rights=rights),
        "paging": paging,
        "on_order": line_rows(on_order(item, depot=depot), today=today, system=system, rights=rights),
        "may_stock": rights.can("stock"),
        "may_order": rights.can("order"),
    }
    return render_page(request, "inventory/item_detail.html", context)


def _item_pairs(item: Item, totals: Any, system: Any) -> list[dict[str, Any]]:
    life = [
        _("%(n)g hours") % {"n": item.service_life_h} if item.service_life_h else "",
        _("%(n)g m³") % {"n": item.service_life_m3} if item.service_life_m3 else "",
        _("%(n)d months fitted") % {"n": item.service_life_months} if item.service_life_months else "",
    ]
    shelf = (
        _("%(n)d months") % {"n": item.shelf_life_months} if item.shelf_life_months else _("no limit on file")
    )
    return [
        {"label": _("Usable in stores"), "value": qty_text(totals.usable_qty, item, system)},
        {"label": _("Not usable in stores"), "value": qty_text(totals.unusable_qty, item, system)},
        {"label": _("Aboard units"), "value": qty_text(totals.aboard_qty, item, system)},
        {
            "label": _("First to expire"),
            "value": day_words(totals.next_expiry) or _("nothing usable with a date"),
        },
        {"label": _("Kind"), "value": item.get_kind_display()},
        {"label": _("Counted in"), "value": item.get_base_unit_display()},
        {"label": _("Shelf life"), "value": shelf},
        {"label": _("Service life"), "value": ", ".join(filter(None, life)) or _("no limit on file")},
        {
            "label": _("Without it"),
            "value": _("a unit cannot leave") if item.grounds_unit else _("a unit may leave"),
        },
        {"label": _("Storage"), "value": item.storage_note or _("nothing special on file")},
    ]


@member_required
@require_GET
def lot_detail(request: HttpRequest, pk: int) -> HttpResponse:
    lot: Lot = get_object_or_404(Lot.objects.select_related("item", "funding"), pk=pk)
    today, system, rights = today_at(chosen_depot(request)), system_of(request), request_rights(request)
    spots = stock_lines_of(lot_spots(lot), day=today, system=system, rights=rights)
    paging = page_of(request, movement_lines().filter(lot=lot).order_by("-happened_at", "-pk"), per_page=20)
    state = lot_state(lot, today)
    context = {
        "lot": lot,
        "state": state,
        "pairs": [
            {"label": _("Item"), "value": lot.item.name, "url": _item_url(lot.item)},
            {"label": _("Status"), "value": state.words, "note": lot.note},
            {
                "label": _("Good through"),
                "value": day_words(lot.expires_on) or expiry_note(lot, today),
                "note": expiry_note(lot, today) if lot.expires_on else "",
            },
            {"label": _("Made on"), "value": day_words(lot.made_on)},
            *([{"label": _("Serial number"), "value": lot.serial}] if lot.item.serialised else []),
            *([{"label": _("Paid from"), "value": lot.funding.name}] if lot.funding else []),
        ],
        "spots": spots,
        "fittings": [{"part": part, "url": unit_url(part.unit)} for part in lot_fittings(lot)],
        "lines": movement_lines_of(paging.rows, system=system, rights=rights),
        "paging": paging,
        "may_stock": rights.can("stock"),
        "may_mark": _may_mark(rights, spots),
        "extensions": list(lot.extensions.order_by("-pk")),
    }
    return render_page(request, "inventory/lot_detail.html", context)


def _item_url(item: Item) -> str:
    return reverse("inventory:item-detail", args=[item.code])


def _may_mark(rights: Any, spots: list[Any]) -> bool:
    return any(line.may_move for line in spots) if spots else rights.can("stock")
