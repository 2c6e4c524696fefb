"""What one does with stock: a page each that asks, writes one movement, and offers to take it back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as lazy
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import Place, Unit
from fleet.permissions import member_required, request_rights, require
from fleet.services.versions import Conflict
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.site import chosen_depot, person_of
from fleet.web.words import spoken
from inventory.forms import stock as stock_forms
from inventory.models import Lot, Movement
from inventory.selectors.pages import lot_spots
from inventory.selectors.spots import day_at, depot_of, spot_value
from inventory.services import lots as lot_services
from inventory.services import stock
from inventory.services.picks import reason_for_pick
from inventory.services.posting import said_once
from inventory.web.lines import system_of

Spot = tuple[Place | Unit, Decimal]


def _lot(pk: int) -> Lot:
    return get_object_or_404(Lot.objects.select_related("item"), pk=pk)


def _own_places(request: HttpRequest) -> QuerySet[Place]:
    """Depots in whose stores this person may write."""
    own = request_rights(request).depots("stock")
    places = Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).order_by("name")
    return places if own is None else places.filter(pk__in=own)


def _spots(request: HttpRequest, lot: Lot, *, places: bool = True, units: bool = True) -> list[Spot]:
    """Where some of a lot lies and this person may write; 403 if nowhere."""
    rights = request_rights(request)
    require(request, "stock")
    there = [(row.place or row.unit, row.qty) for row in lot_spots(lot)]
    mine = [(where, qty) for where, qty in there if where and rights.can("stock", depot_of(where))]
    if there and not mine:
        raise PermissionDenied("Your role does not include the stores where this lies.")
    return [(where, qty) for where, qty in mine if (places if isinstance(where, Place) else units)]


def _act(
    request: HttpRequest,
    lot: Lot | None,
    form: forms.Form,
    save: Callable[[Any], Movement | Lot],
    *,
    title: str,
    question: str,
    button: str,
    done: str,
    detail: str = "",
    grave: bool = False,
    nothing: str = "",
) -> HttpResponse:
    """Asks; or writes, says so with a way back, and returns to the lot."""
    conflict = None
    if request.method == "POST" and form.is_valid():
        try:
            made = save(form)
        except Conflict as error:
            conflict = error
            # A second try goes over what stands there now, knowingly.
            again = request.POST.copy()
            again["version"] = str(error.theirs.version)
            form.data = again
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            return _done(request, made, done)
    back = reverse("inventory:lot-detail", args=[lot.pk]) if lot else reverse("inventory:store-list")
    known = {key: safe_next(request, "", key=key) for key in ("next", "then")}
    context = {
        "title": title,
        "lot": lot,
        "question": question,
        "detail": detail,
        "button": button,
        "grave": grave,
        "form": form,
        "conflict": conflict,
        "nothing": nothing,
        "cancel_url": safe_next(request, back),
        "fields": [{"name": key, "value": value} for key, value in known.items() if value],
    }
    status = 200 if request.method != "POST" else 409 if conflict else 422
    return render_page(request, "inventory/action.html", context, status=status)


def _done(request: HttpRequest, made: Movement | Lot, done: str) -> HttpResponse:
    if isinstance(made, Movement):
        undo = reverse("inventory:movement-reverse", args=[made.pk])
        messages.success(request, format_html('{} <a href="{}">{}</a>', done, undo, _("Take it back")))
        lot_pk = made.lot_id
    else:
        messages.success(request, done)
        lot_pk = made.pk
    # `then` is the next step of the same work, such as a fresh lot after the old one was taken off.
    back = safe_next(request, reverse("inventory:lot-detail", args=[lot_pk]))
    return redirect_to(request, safe_next(request, back, key="then"))


def _kwargs(request: HttpRequest, lot: Lot, spots: Sequence[Spot]) -> dict[str, Any]:
    """What the address knows: `at` which spot, and `qty=all` for everything that lies there."""
    at = request.GET.get("at", "")
    known: dict[str, Any] = {"at": at}
    if request.GET.get("qty") == "all":
        there = {spot_value(where): qty for where, qty in spots}.get(at)
        if there:
            known["qty"] = stock_forms.prefilled(there, lot.item)
    return {
        "data": request.POST or None,
        "lot": lot,
        "spots": spots,
        "system": system_of(request),
        "initial": known,
    }


def lot_for_marking(request: HttpRequest, pk: int) -> Lot:
    """A lot whose dates or status this person may change; 403 for the stores of another depot."""
    lot = _lot(pk)
    _spots(request, lot)
    return lot


def _named(lot: Lot) -> str:
    return f"{lot.item.name}, {lot.code}"


def _nothing_there(spots: Sequence[Spot]) -> str:
    return "" if spots else _("Nothing of this lot lies where it could be taken from.")


@member_required
@require_http_methods(["GET", "POST"])
def stock_receive(request: HttpRequest) -> HttpResponse:
    require(request, "stock")
    depot = chosen_depot(request)
    initial = {"item": request.GET.get("item", "")} | ({"place": depot.code} if depot else {})
    form = stock_forms.ReceiveForm(
        request.POST or None, places=_own_places(request), system=system_of(request), initial=initial
    )

    def save(form: stock_forms.ReceiveForm) -> Movement:
        data = form.cleaned_data
        return lot_services.lot_receive(
            lot_fields=form.lot_fields(),
            qty=data["qty"],
            place=data["place"],
            happened_at=data["happened_at"],
            actor=person_of(request),
            token=data["token"],
            reason=data["reason"],
        )

    return _act(
        request,
        None,
        form,
        save,
        title=_("Receive"),
        question=_("What came in?"),
        detail=_(
            "Write the lot number and the date as they stand on the package. A lot that is new is made known."
        ),
        button=_("Book it in"),
        done=_("Booked in."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def stock_receive_more(request: HttpRequest, pk: int) -> HttpResponse:
    require(request, "stock")
    lot = _lot(pk)
    there = {row.place_id: row.qty for row in lot_spots(lot) if row.place_id}
    spots: list[Spot] = [(place, there.get(place.pk, Decimal(0))) for place in _own_places(request)]
    form = stock_forms.ReceiveMoreForm(**_kwargs(request, lot, spots))
    return _act(
        request,
        lot,
        form,
        lambda form: stock.stock_receive(place=form.where, actor=person_of(request), **form.values()),
        title=_("Receive more"),
        question=_("How much more of %(lot)s came in?") % {"lot": _named(lot)},
        button=_("Book it in"),
        done=_("Booked in."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def stock_issue(request: HttpRequest, pk: int) -> HttpResponse:
    lot = _lot(pk)
    spots = _spots(request, lot, units=False)
    form = stock_forms.IssueForm(**_kwargs(request, lot, spots))

    def save(form: stock_forms.IssueForm) -> Movement:
        values, place = form.values(), form.where
        assert isinstance(place, Place), "only places are offered"
        there = said_once(values["token"], Movement.Kind.ISSUE, lot)
        if there is None:
            values["reason"] = reason_for_pick(
                lot=lot,
                place=place,
                unit=form.cleaned_data["unit"],
                happened_on=day_at(place, values["happened_at"]),
                lasts_through=day_at(place, values["happened_at"]),
                reason=values["reason"],
            )
        return stock.stock_issue(
            place=place, unit=form.cleaned_data["unit"], actor=person_of(request), **values
        )

    return _act(
        request,
        lot,
        form,
        save,
        title=_("Issue to a unit"),
        question=_("Issue %(lot)s to which unit?") % {"lot": _named(lot)},
        button=_("Put it aboard"),
        done=_("It is aboard."),
        nothing=_nothing_there(spots),
    )


@member_required
@require_http_methods(["GET", "POST"])
def stock_return(request: HttpRequest, pk: int) -> HttpResponse:
    lot = _lot(pk)
    spots = _spots(request, lot, places=False)
    form = stock_forms.ReturnForm(places=_own_places(request), **_kwargs(request, lot, spots))
    return _act(
        request,
        lot,
        form,
        lambda form: stock.stock_return(
            unit=form.where, place=form.cleaned_data["to"], actor=person_of(request), **form.values()
        ),
        title=_("Return to the stores"),
        question=_("Bring %(lot)s back from which unit?") % {"lot": _named(lot)},
        button=_("Take it back into the stores"),
        done=_("It is in the stores again."),
        nothing=_nothing_there(spots),
    )


@member_required
@require_http_methods(["GET", "POST"])
def stock_transfer(request: HttpRequest, pk: int) -> HttpResponse:
    lot = _lot(pk)
    spots = _spots(request, lot, units=False)
    everywhere = Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).order_by("name")
    form = stock_forms.TransferForm(places=everywhere, **_kwargs(request, lot, spots))
    return _act(
        request,
        lot,
        form,
        lambda form: stock.stock_transfer(
            from_place=form.where, to_place=form.cleaned_data["to"], actor=person_of(request), **form.values()
        ),
        title=_("Transfer"),
        question=_("Move %(lot)s to which place?") % {"lot": _named(lot)},
        button=_("Move it"),
        done=_("Moved."),
        nothing=_nothing_there(spots),
    )


@member_required
@require_http_methods(["GET", "POST"])
def stock_use(request: HttpRequest, pk: int) -> HttpResponse:
    lot = _lot(pk)
    spots = _spots(request, lot)
    form = stock_forms.UseForm(**_kwargs(request, lot, spots))
    return _act(
        request,
        lot,
        form,
        lambda form: stock.stock_use(actor=person_of(request), **form.side(), **form.values()),
        title=_("Record use"),
        question=_("How much of %(lot)s was used?") % {"lot": _named(lot)},
        detail=_("Use aboard a unit that is on an exercise is kept apart from demand."),
        button=_("Record the use"),
        done=_("The use is on file."),
        nothing=_nothing_there(spots),
    )


@member_required
@require_http_methods(["GET", "POST"])
def stock_scrap(request: HttpRequest, pk: int) -> HttpResponse:
    lot = _lot(pk)
    spots = _spots(request, lot)
    form = stock_forms.ScrapForm(**_kwargs(request, lot, spots))
    return _act(
        request,
        lot,
        form,
        lambda form: stock.stock_scrap(actor=person_of(request), **form.side(), **form.values()),
        title=_("Scrap"),
        question=_("Throw away %(lot)s?") % {"lot": _named(lot)},
        detail=_("Chemicals and batteries go the way the local rules for waste demand."),
        button=_("Scrap it"),
        done=_("Scrapped."),
        grave=True,
        nothing=_nothing_there(spots),
    )


@member_required
@require_http_methods(["GET", "POST"])
def stock_count(request: HttpRequest, pk: int) -> HttpResponse:
    lot = _lot(pk)
    spots = _spots(request, lot)
    there = {where.pk for where, _qty in spots if isinstance(where, Place)}
    spots += [(place, Decimal(0)) for place in _own_places(request) if place.pk not in there]
    form = stock_forms.CountForm(**_kwargs(request, lot, spots))
    return _act(
        request,
        lot,
        form,
        lambda form: stock.stock_count(actor=person_of(request), **form.side(), **form.values()),
        title=_("Count"),
        question=_("How much of %(lot)s is there?") % {"lot": _named(lot)},
        detail=_(
            "What the stores hold on file stands beside each place. The difference is written down, whichever way it goes."
        ),
        button=_("Save the count"),
        done=_("The count is on file."),
    )


STATUS_TEXTS: dict[str, dict[str, Any]] = {
    "quarantine": {
        "title": lazy("Put in quarantine"),
        "question": lazy("Put %(lot)s in quarantine everywhere?"),
        "detail": lazy(
            "It can then be counted, moved and scrapped, but neither issued nor fitted. "
            "Units that carry it are checked again."
        ),
        "button": lazy("Put it in quarantine"),
        "done": lazy("The lot is in quarantine."),
    },
    "recalled": {
        "title": lazy("Recall"),
        "question": lazy("Mark %(lot)s as recalled everywhere?"),
        "detail": lazy("It can then be neither issued nor fitted. Units that carry it are checked again."),
        "button": lazy("Mark it as recalled"),
        "done": lazy("The lot is marked as recalled."),
    },
    "good": {
        "title": lazy("Release"),
        "question": lazy("Release %(lot)s for use?"),
        "detail": lazy("It can then be issued and fitted again, as long as it is not expired."),
        "button": lazy("Release it"),
        "done": lazy("The lot is released."),
    },
}  # fmt: skip


@member_required
@require_http_methods(["GET", "POST"])
def lot_status(request: HttpRequest, pk: int, status: str) -> HttpResponse:
    lot = _lot(pk)
    _spots(request, lot)
    texts = STATUS_TEXTS[status]
    form = stock_forms.ReasonForm(request.POST or None)
    return _act(
        request,
        lot,
        form,
        lambda form: lot_services.lot_set_status(
            lot=lot, status=status, reason=form.cleaned_data["reason"], actor=person_of(request)
        ),
        title=str(texts["title"]),
        question=texts["question"] % {"lot": _named(lot)},
        detail=str(texts["detail"]),
        button=str(texts["button"]),
        done=str(texts["done"]),
        grave=status != Lot.Status.GOOD,
    )


@member_required
@require_http_methods(["GET", "POST"])
def lot_edit(request: HttpRequest, pk: int) -> HttpResponse:
    lot = _lot(pk)
    _spots(request, lot)
    initial = {
        name: getattr(lot, name)
        for name in ("version", "expires_on", "no_expiry", "made_on", "serial", "note")
    }
    form = stock_forms.LotForm(request.POST or None, initial=initial)
    return _act(
        request,
        lot,
        form,
        lambda form: lot_services.lot_update(
            lot=lot,
            seen_version=form.cleaned_data["version"],
            changes=form.changes(),
            actor=person_of(request),
            note=form.cleaned_data["why"],
        ),
        title=_("Correct a lot"),
        question=_("What is true of %(lot)s?") % {"lot": _named(lot)},
        detail=_("What was written down wrongly. A later date by test has a page of its own.")
        if lot.item.extendable
        else "",
        button=_("Save"),
        done=_("The lot is corrected."),
    )
