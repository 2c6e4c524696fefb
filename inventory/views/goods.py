"""What items are to the transport rules: the list of those of which nobody has said, and the page that says it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.errors import DomainError
from fleet.permissions import member_required, request_rights, require
from fleet.selectors.changes import changes_of, named
from fleet.services.versions import Conflict
from fleet.web.changes import change_lines
from fleet.web.days import today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, person_of
from fleet.web.sorting import Column, sorting_of
from fleet.web.words import spoken
from inventory.filters import ItemGoodsFilter
from inventory.forms.goods import ItemGoodsForm
from inventory.models import GoodsKind, Item, ItemGoods
from inventory.selectors.goods import items_said
from inventory.services.goods import item_goods_save, may_say
from inventory.web.goods import facts_said, item_goods_pairs

COLUMNS = [
    Column("item", gettext_lazy("Item"), ("name",)),
    Column("code", gettext_lazy("Code"), ("code",)),
    Column("kind", gettext_lazy("It is"), ("goods__kind", "name")),
    Column("source", gettext_lazy("Where this is written"), ("goods__source", "name")),
]


@member_required
@require_GET
def item_goods_list(request: HttpRequest) -> HttpResponse:
    today = today_at(chosen_depot(request))
    filters = ItemGoodsFilter(request.GET, items_said(today), request=request)
    sorting = sorting_of(request, COLUMNS, default="item")
    rows = sorting.apply(filters.qs)
    if kind := export_format(request):
        columns = [_("Item"), _("Code"), _("It is"), _("Known"), _("Travels"), _("Where this is written")]
        cells = [[row.name, row.code, *_said(row)] for row in rows]
        return file_response(name="goods-of-items", kind=kind, columns=columns, rows=cells)
    paging = page_of(request, rows)
    context = {
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": [
            dict(zip(("kind", "known", "travels", "source"), _said(row), strict=True)) | {"item": row}
            for row in paging.rows
        ],
        "here": request.get_full_path(),
        "links": export_links(request),
        "may_say": may_say(request_rights(request)),
        "unsaid": not filters.form.cleaned_data.get("said") if filters.form.is_valid() else False,
    }
    return render_page(request, "inventory/goods_list.html", context, region="inventory/goods_table.html")


def _said(row: Any) -> tuple[str, str, str, str]:
    """Kind, facts, whether it travels, source."""
    goods: ItemGoods | None = getattr(row, "goods", None)
    travels = [_("aboard") if row.is_aboard else "", _("in a kit") if row.in_kit else ""]
    kind = str(goods.get_kind_display()) if goods else _("nobody has said")
    return (
        kind,
        facts_said(goods) if goods else "",
        ", ".join(filter(None, travels)),
        goods.source if goods else "",
    )


@member_required
@require_http_methods(["GET", "POST"])
def item_goods_edit(request: HttpRequest, code: str) -> HttpResponse:
    """Which kind it is comes first: the facts asked for are those of the kind. What is said holds for every unit, so who
    keeps one depot sees it and is told who may.
    """
    require(request, "stock")
    allowed = may_say(request_rights(request))
    if request.method == "POST" and not allowed:
        raise PermissionDenied(
            "What an item is counts in all depots: procurement or an administrator says it."
        )
    item: Item = get_object_or_404(Item.objects.select_related("goods"), code=code)
    there: ItemGoods | None = getattr(item, "goods", None)
    back = safe_next(request, reverse("inventory:item-detail", args=[item.code]))
    kind = request.POST.get("kind") or request.GET.get("kind") or (there.kind if there else "")
    context: dict[str, Any] = {
        "item": item,
        "back": back,
        "kinds": GoodsKind.choices,
        "kind": kind,
        "next": request.POST.get("next") or request.GET.get("next") or "",
        "changes": change_lines(changes_of(named([there])), "UTC") if there else [],
    }
    if not allowed:
        return render_page(
            request,
            "inventory/item_goods.html",
            context | {"only_seen": True, "pairs": item_goods_pairs(there)},
        )
    if kind not in GoodsKind.values:
        status = 422 if request.method == "POST" else 200
        return render_page(request, "inventory/item_goods.html", context, status=status)
    form = ItemGoodsForm(request.POST or None, goods_kind=kind, there=there, fact=request.GET.get("fact", ""))
    status = 422 if request.method == "POST" else 200
    if request.method == "POST" and form.is_valid():
        try:
            item_goods_save(item=item, actor=person_of(request), **form.values())
        except Conflict as clash:
            context["conflict"], status = form.over_theirs(clash), 409
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(
                request, _("What %(item)s is to the transport rules is on file.") % {"item": item}
            )
            return redirect_to(request, back)
    context |= {"form": form, "kind_words": str(GoodsKind(kind).label)}
    return render_page(request, "inventory/item_goods.html", context, status=status)
