"""Putting a record right: struck out with a reason, or moved to the unit or bank it was really about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import Absence, BankStay, BatteryBank, Unit
from fleet.permissions import (
    access_bank,
    bank_stay_shown,
    depot_of_bank,
    member_required,
    request_rights,
    require,
)
from fleet.selectors.touched import unit_of
from fleet.services.corrections import record_move_to, record_strike
from fleet.services.units import absence_strike
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.site import person_of
from fleet.web.words import spoken
from readiness.forms import BankRecordMoveForm, MoveForm, StrikeForm
from readiness.web.history import KINDS, SENT, record_words


@dataclass(frozen=True)
class _Subject:
    """What a record is about now: its name, its page, and the time of its place."""

    label: str
    home: str
    zone: str


def _access_record(request: HttpRequest, kind: str, pk: int) -> tuple[Any, _Subject]:
    """A record and what it is about, if this user may correct it; of a bank on a shelf by the place of the shelf."""
    model = KINDS[kind].model if kind in KINDS else None
    if model is None or not request_rights(request).can("view"):
        raise Http404
    record: Any = get_object_or_404(model, pk=pk)
    unit = unit_of(record)
    if unit is not None:
        _require_right(request, kind, unit.home_id)
        return record, _Subject(
            unit.tag, reverse("readiness:unit-show", args=[unit.tag]), unit.home.time_zone
        )
    bank = access_bank(request, record.bank.serial, to="upkeep")
    stay = bank_stay_shown(bank)
    place = stay.place if stay else None
    return record, _Subject(
        bank.serial,
        reverse("readiness:bank-show", args=[bank.serial]),
        place.time_zone if place else "UTC",
    )


def _require_right(request: HttpRequest, kind: str, depot_id: int | None) -> None:
    """Who keeps the unit may correct; a day on site also who sends units out."""
    if kind in SENT and request_rights(request).can("absence", depot_id):
        return
    require(request, "upkeep", depot_id)


@member_required
@require_http_methods(["GET", "POST"])
def record_strike_out(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    record, subject = _access_record(request, kind, pk)
    form = StrikeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            given = {"reason": form.cleaned_data["reason"], "actor": person_of(request)}
            if isinstance(record, Absence):
                absence_strike(absence=record, **given)
            else:
                record_strike(record=record, **given)
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            messages.success(request, _("Struck out. It stays visible and counts for nothing."))
            return redirect_to(request, safe_next(request, subject.home))
    return _asked(
        request,
        subject,
        form,
        question=_("Strike this record out?"),
        detail=record_words(kind, record, subject.zone),
        button=_("Strike it out"),
    )


@member_required
@require_http_methods(["GET", "POST"])
def record_move(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    if kind not in KINDS or not KINDS[kind].movable:
        raise Http404
    record, subject = _access_record(request, kind, pk)
    of_bank = hasattr(record, "bank_id")
    form: Any = (BankRecordMoveForm if of_bank else MoveForm)(request.POST or None)
    if request.method == "POST" and form.is_valid():
        named: Unit | None = form.cleaned_data["unit"]
        if named is not None:
            _require_right(request, kind, named.home_id)
        target = _right_bank(record, form) if of_bank else {"unit": form.cleaned_data["unit"]}
        if target:
            try:
                return _move(request, kind, record, target, form.cleaned_data["reason"])
            except DomainError as error:
                form.add_error(None, spoken(error))
    return _asked(
        request,
        subject,
        form,
        question=_("Which bank was this record really about?")
        if of_bank
        else _("Which unit was this record really about?"),
        detail=record_words(kind, record, subject.zone),
        button=_("Move it there"),
    )


def _move(request: HttpRequest, kind: str, record: Any, target: dict[str, Any], reason: str) -> HttpResponse:
    """Writes the move; who does not keep the right unit or bank either is stopped."""
    bank: BatteryBank | None = target.get("bank")
    unit: Unit | None = target.get("unit")
    _require_right(request, kind, depot_of_bank(bank) if bank else unit.home_id if unit else None)
    record_move_to(record=record, reason=reason, actor=person_of(request), **target)
    there = bank_stay_shown(bank) if bank else None
    unit = unit or (there.unit if there and there.ended_at is None else None)
    if unit is not None:
        label, home = unit.tag, reverse("readiness:unit-show", args=[unit.tag])
    else:
        assert bank is not None
        label, home = bank.serial, reverse("readiness:bank-show", args=[bank.serial])
    messages.success(request, _("Moved to %(unit)s.") % {"unit": label})
    return redirect_to(request, home)


def _right_bank(record: Any, form: Any) -> dict[str, Any]:
    """The bank that was named, or the one that was in the named unit at the time; empty after asking which of several."""
    bank: BatteryBank | None = form.cleaned_data["bank"]
    unit: Unit | None = form.cleaned_data["unit"]
    if bank is not None:
        return {"bank": bank}
    assert unit is not None  # the form asks for one of the two
    stays = (
        BankStay.objects.at(record.happened_at).filter(unit=unit).select_related("bank").order_by("position")
    )
    there = [stay.bank for stay in stays]
    if len(there) == 1:
        return {"bank": there[0]}
    if there:
        form.offer(there)
        form.add_error("bank", _("%(unit)s held several banks then. Choose one.") % {"unit": unit.tag})
    else:
        form.add_error(
            "unit",
            _("%(unit)s held no bank at that time. Type the serial number of the bank instead.")
            % {"unit": unit.tag},
        )
    return {}


def _asked(
    request: HttpRequest, subject: _Subject, form: Any, *, question: str, detail: str, button: str
) -> HttpResponse:
    after = request.POST.get("next") or request.GET.get("next") or ""
    context = {
        "subject": subject,
        "form": form,
        "question": question,
        "detail": detail,
        "button": button,
        "fields": [{"name": "next", "value": after}],
        "cancel_url": safe_next(request, subject.home),
    }
    status = 422 if request.method == "POST" else 200
    return render_page(request, "readiness/correction.html", context, status=status)
