"""The movements: the whole ledger with filters, and a movement taken back."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.errors import DomainError
from fleet.permissions import member_required, request_rights
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, person_of
from fleet.web.sorting import Column, sorting_of
from fleet.web.words import spoken
from inventory.filters import MovementFilter
from inventory.forms.stock import ReasonForm
from inventory.models import Movement
from inventory.selectors.pages import movement_lines, movements_of_depot
from inventory.selectors.spots import right_to_reverse
from inventory.services.reversal import movement_reverse as reverse_movement
from inventory.web.lines import movement_lines_of, system_of

COLUMNS = [
    Column("when", gettext_lazy("When"), ("happened_at", "pk")),
    Column("kind", gettext_lazy("What"), ("kind", "happened_at")),
    Column("item", gettext_lazy("Item and lot"), ("lot__item__name", "lot__code", "happened_at")),
    Column("qty", gettext_lazy("Quantity"), ("qty",), number=True),
    Column("ends", gettext_lazy("From and to")),
    Column("who", gettext_lazy("Who and why")),
    Column("act", gettext_lazy("Take back"), hidden_label=True),
]


@member_required
@require_GET
def movement_list(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    rows = movement_lines()
    filters = MovementFilter(request.GET, movements_of_depot(rows, depot) if depot else rows, request=request)
    sorting = sorting_of(request, COLUMNS, default="-when")
    rows = sorting.apply(filters.qs)
    system, rights = system_of(request), request_rights(request)
    if kind := export_format(request):
        return _file(kind, rows)
    paging = page_of(request, rows)
    context = {
        "depot": depot,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": movement_lines_of(paging.rows, system=system, rights=rights),
        "links": export_links(request),
    }
    return render_page(
        request, "inventory/movement_list.html", context, region="inventory/movement_table.html"
    )


def _file(kind: str, rows: object) -> HttpResponse:
    columns = [
        _("Number"), _("Happened (UTC)"), _("Recorded (UTC)"), _("Kind"), _("Item"), _("Code"), _("Lot"),
        _("Quantity"), _("Unit"), _("Counted"), _("From"), _("To"), _("Position"), _("Who"), _("Reason"),
        _("Reverses"), _("Reversed"),
    ]  # fmt: skip
    cells = [
        [
            row.pk,
            row.happened_at,
            row.recorded_at,
            str(row.get_kind_display()),
            row.lot.item.name,
            row.lot.item.code,
            row.lot.code,
            float(row.qty),
            str(row.lot.item.get_base_unit_display()),
            None if row.counted_qty is None else float(row.counted_qty),
            str(row.from_place or row.from_unit or ""),
            str(row.to_place or row.to_unit or ""),
            row.fitted_part.position if row.fitted_part else "",
            str(row.recorded_by or ""),
            row.reason,
            row.reverses_id,
            _("yes") if row.reversed else "",
        ]
        for row in rows  # type: ignore[attr-defined]
    ]
    return file_response(name="movements", kind=kind, columns=columns, rows=cells)


@member_required
@require_http_methods(["GET", "POST"])
def movement_reverse(request: HttpRequest, pk: int) -> HttpResponse:
    movement: Movement = get_object_or_404(movement_lines(), pk=pk)
    rights = request_rights(request)
    needed = right_to_reverse(movement)
    if needed is None or not rights.can(*needed):
        raise PermissionDenied(
            "Your role does not include taking this back: it is for the depot that would lose it."
        )
    back = safe_next(request, reverse("inventory:lot-detail", args=[movement.lot_id]))
    form = ReasonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            reverse_movement(
                movement=movement,
                reason=form.cleaned_data["reason"],
                token=form.cleaned_data["token"],
                actor=person_of(request),
            )
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _("Taken back: the balances are as if it had not been."))
            return redirect_to(request, back)
    (line,) = movement_lines_of([movement], system=system_of(request), rights=rights)
    context = {
        "title": _("Take a movement back"),
        "lot": movement.lot,
        "question": _("Take back: %(kind)s of %(qty)s × %(lot)s?")
        % {"kind": line.kind, "qty": line.qty, "lot": movement.lot},
        "detail": _(
            "Of %(when)s, %(ends)s. A reversing entry is written; the movement itself stays in the ledger, visibly taken "
            "back. It cannot be reversed a second time."
        )
        % {"when": line.when, "ends": " → ".join(filter(None, [line.origin, line.target]))},
        "button": _("Take it back"),
        "grave": True,
        "form": form,
        "cancel_url": back,
        "fields": [{"name": "next", "value": back}],
    }
    status = 422 if request.method == "POST" else 200
    return render_page(request, "inventory/action.html", context, status=status)
