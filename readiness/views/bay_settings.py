"""How a depot charges: bays, terms, the crew's week, odd days, the supply by the hour. Shown, and written down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.db import models, transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import DepotTerms, Place
from fleet.permissions import access_depot, member_required, request_rights
from fleet.web.days import day_words, today_at
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.site import person_of, unit_system
from fleet.web.words import spoken
from readiness.forms.bay_settings import (
    BayForm,
    BayTermsForm,
    CrewDayForm,
    LastDayForm,
    SettingForm,
    SupplyHoursForm,
    SupplyLimitForm,
    WeekForm,
)
from readiness.models import BayTerms, ChargerBay, CrewDay, StoragePolicy, SupplyHours
from readiness.services.bay_settings import (
    SettingChanged,
    span_end,
    span_latest,
    span_reopen,
    span_take_back,
    span_write,
    supply_hours_add,
)
from readiness.services.crew_hours import (
    crew_day_add,
    crew_day_remove,
    crew_week_take_back,
    crew_week_write,
    latest_week,
    week_of,
)
from readiness.web.bay_settings import (
    charges_on_bay,
    charges_outside,
    charges_planned,
    settings_page,
    supply_words,
    week_changes,
)

# What can be ended, taken up again and taken back, by the word in its address.
KINDS: dict[str, type[models.Model]] = {
    "bay": ChargerBay,
    "terms": BayTerms,
    "limit": DepotTerms,
    "supply": SupplyHours,
    "storage": StoragePolicy,
}
Save = Callable[[Any], object]
UNATTENDED = "Unattended charging: only what your fire service, insurer and local code allow. Smoke detection must work."


@member_required
@require_GET
def settings_show(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot)
    may_change = request_rights(request).can("upkeep", place.pk)
    page = settings_page(place, today=today_at(place), system=unit_system(request), may_change=may_change)
    return render_page(request, "readiness/bay_settings.html", page | {"place": place})


class Refused(Exception):
    """Leaves a trial save, so that nothing of it stays."""


def setting_answer(
    request: HttpRequest,
    place: Place,
    form: SettingForm,
    save: Save,
    *,
    title: str,
    done: str,
    preview: Callable[[Any], Sequence[str]] | None = None,
    template: str = "readiness/bay_setting.html",
    caution: str = "",
    known: Sequence[str] = (),
    button: str = "",
    grave: bool = False,
    back: str = "",
    always: bool = False,
    more: dict[str, Any] | None = None,
) -> HttpResponse:
    """Shows the form; what it changes is shown before it is saved, and it is saved when exactly that was seen."""
    back = back or reverse("readiness:charging-settings", args=[place.code])
    status, lines = 200, []
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                lines = list(preview(form)) if preview else []
                if lines and form.cleaned_data["previewed"] != form.mark_of_preview():
                    _try(save, form)
                    form.show(previewed=form.mark_of_preview())
                    status = 200
                else:
                    save(form)
                    messages.success(request, done)
                    return redirect_to(request, safe_next(request, back))
            except DomainError as error:
                form.add_error(None, spoken(error))
                form.show(previewed="")
                lines = []
                status = 409 if isinstance(error, SettingChanged) else 422
    context = {
        **(more or {}),
        "place": place,
        "form": form,
        "title": title,
        "lines": lines,
        "caution": caution,
        "known": known,
        "button": button or _("Save"),
        "grave": grave,
        "first_button": _("Show what changes")
        if preview and (always or form.initial.get("seen"))
        else button or _("Save"),
        "back": back,
        "next": request.POST.get("next") or request.GET.get("next") or "",
    }
    return render_page(request, template, context, status=status)


def _try(save: Save, form: Any) -> None:
    """Runs the save and undoes it: what a rule refuses is said with the preview, not after it."""
    try:
        with transaction.atomic():
            save(form)
            raise Refused
    except Refused:
        return


def _inputs(request: HttpRequest) -> dict[str, Any]:
    return {"data": request.POST or None, "system": unit_system(request)}


@member_required
@require_http_methods(["GET", "POST"])
def bay_add(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    return _bay(request, place, None, _("Add a bay"))


@member_required
@require_http_methods(["GET", "POST"])
def bay_edit(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    bay = get_object_or_404(ChargerBay, pk=pk, place=place)
    latest = span_latest(ChargerBay, place, name=bay.name)
    return _bay(request, place, latest, _("Bay %(name)s") % {"name": bay.name})


def _bay(request: HttpRequest, place: Place, latest: ChargerBay | None, title: str) -> HttpResponse:
    today = today_at(place)
    form = BayForm(latest=latest, today=today, **_inputs(request))

    def save(form: BayForm) -> None:
        span_write(ChargerBay, place=place, today=today, actor=person_of(request), **form.values())

    def preview(form: BayForm) -> list[str]:
        if latest is None:
            return []
        day = form.cleaned_data["valid_from"] - timedelta(days=1)
        changes = form.changes()
        return changes + charges_on_bay(place, latest.name, day, timezone.now()) if changes else []

    return setting_answer(
        request,
        place,
        form,
        save,
        preview=preview,
        title=title,
        done=_("The bay is on file; plans made from now on use it so."),
        caution=_(
            "Charging circuits run for hours: breaker and conductor as the local code asks for continuous loads. What a bay "
            "can give is read from the plate of its charger, never guessed."
        ),
    )


@member_required
@require_http_methods(["GET", "POST"])
def terms_edit(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    today, latest = today_at(place), span_latest(BayTerms, place)
    form = BayTermsForm(latest=latest, today=today, **_inputs(request))
    return setting_answer(
        request,
        place,
        form,
        lambda form: span_write(
            BayTerms, place=place, today=today, actor=person_of(request), **form.values()
        ),
        preview=lambda form: _changes_and_plan(form, place),
        title=_("Terms of charging"),
        done=_("The terms are on file."),
        caution=_(UNATTENDED),
    )


@member_required
@require_http_methods(["GET", "POST"])
def limit_edit(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    today, latest = today_at(place), span_latest(DepotTerms, place)
    form = SupplyLimitForm(latest=latest, today=today, **_inputs(request))
    return setting_answer(
        request,
        place,
        form,
        lambda form: span_write(
            DepotTerms, place=place, today=today, actor=person_of(request), **form.values()
        ),
        preview=lambda form: _changes_and_plan(form, place),
        title=_("Supply limit"),
        done=_("The supply limit is on file."),
        known=[_("Notice, mission length and what else the depot promises stay as they are.")],
        caution=_("The limit is that of the connection and its breaker: a licensed electrician states it."),
    )


def _changes_and_plan(form: Any, place: Place) -> list[str]:
    changes: list[str] = form.changes()
    return (
        changes + charges_planned(place, form.cleaned_data["valid_from"], timezone.now()) if changes else []
    )


@member_required
@require_http_methods(["GET", "POST"])
def week_edit(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    today, rows = today_at(place), latest_week(place)
    form = WeekForm(rows=rows, today=today, **_inputs(request))

    def preview(form: WeekForm) -> list[str]:
        if not rows:
            return []
        changes = week_changes(week_of(rows), form.week())
        outside = charges_outside(place, form.week(), form.cleaned_data["valid_from"], timezone.now())
        return changes + outside if changes else []

    return setting_answer(
        request,
        place,
        form,
        lambda form: crew_week_write(place=place, today=today, actor=person_of(request), **form.values()),
        preview=preview,
        template="readiness/crew_week.html",
        title=_("The crew's week"),
        done=_("The week is on file; charges are begun and ended within it."),
        known=[
            _(
                "Hours in the depot's own time, in which somebody can connect and disconnect. Leave a day empty on which "
                "nobody is there."
            )
        ],
    )


@member_required
@require_http_methods(["GET", "POST"])
def day_add(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    return setting_answer(
        request,
        place,
        CrewDayForm(**_inputs(request)),
        lambda form: crew_day_add(
            place=place, today=today_at(place), actor=person_of(request), **form.values()
        ),
        title=_("A day unlike its weekday"),
        done=_("The day is on file."),
        known=[_("A holiday, a closure, or other hours than usual. The same day once more changes it.")],
    )


@member_required
@require_http_methods(["GET", "POST"])
def day_remove(request: HttpRequest, depot: str, pk: int) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    row = get_object_or_404(CrewDay, pk=pk, place=place)
    return setting_answer(
        request,
        place,
        SettingForm(**_inputs(request)),
        lambda form: crew_day_remove(row=row, today=today_at(place), actor=person_of(request)),
        title=_("As its weekday again: %(day)s") % {"day": day_words(row.day)},
        done=_("The day is as its weekday again."),
        known=[row.reason],
        button=_("Take it off the list"),
    )


@member_required
@require_http_methods(["GET", "POST"])
def supply_add(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    form = SupplyHoursForm(initial={"valid_from": today_at(place)}, **_inputs(request))
    return setting_answer(
        request,
        place,
        form,
        lambda form: supply_hours_add(place=place, actor=person_of(request), **form.values()),
        title=_("Hours of another supply limit"),
        done=_("The hours are on file; where several hold, the least counts."),
        known=[_("A night limit, the utility's peak hours, hours of a shared line or of a generator.")],
    )


@member_required
@require_http_methods(["GET", "POST"])
def setting_end(request: HttpRequest, depot: str, kind: str, pk: int) -> HttpResponse:
    place, row = _row(request, depot, kind, pk)
    today = today_at(place)
    form = LastDayForm(initial={"last_day": today}, **_inputs(request))

    def preview(form: LastDayForm) -> list[str]:
        if not isinstance(row, ChargerBay):
            return []
        return charges_on_bay(place, row.name, form.cleaned_data["last_day"], timezone.now())

    return setting_answer(
        request,
        place,
        form,
        lambda form: span_end(row=row, today=today, actor=person_of(request), **form.values()),
        preview=preview,
        title=_("End it: %(what)s") % {"what": _said(row)},
        done=_("It ends on that day. Taking it up again is one step on the page of the settings."),
        button=_("End it"),
        grave=True,
    )


@member_required
@require_http_methods(["GET", "POST"])
def setting_reopen(request: HttpRequest, depot: str, kind: str, pk: int) -> HttpResponse:
    place, row = _row(request, depot, kind, pk)
    return setting_answer(
        request,
        place,
        SettingForm(**_inputs(request)),
        lambda form: span_reopen(row=row, actor=person_of(request)),
        title=_("It goes on: %(what)s") % {"what": _said(row)},
        done=_("It goes on without an end."),
        button=_("Take the end back"),
    )


@member_required
@require_http_methods(["GET", "POST"])
def setting_take_back(request: HttpRequest, depot: str, kind: str, pk: int) -> HttpResponse:
    place, row = _row(request, depot, kind, pk)
    return setting_answer(
        request,
        place,
        SettingForm(**_inputs(request)),
        lambda form: span_take_back(row=row, today=today_at(place), actor=person_of(request)),
        title=_("Take it back: %(what)s") % {"what": _said(row)},
        done=_("It is taken back; what it had ended goes on."),
        known=[_("It was to hold from %(day)s on.") % {"day": day_words(row.valid_from)}],
        button=_("Take it back"),
        grave=True,
    )


@member_required
@require_http_methods(["GET", "POST"])
def week_take_back(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    return setting_answer(
        request,
        place,
        SettingForm(**_inputs(request)),
        lambda form: crew_week_take_back(place=place, today=today_at(place), actor=person_of(request)),
        title=_("Take the new week back"),
        done=_("The new week is taken back; the one before goes on."),
        button=_("Take it back"),
        grave=True,
    )


def _row(request: HttpRequest, depot: str, kind: str, pk: int) -> tuple[Place, Any]:
    place = access_depot(request, depot, to="upkeep")
    if kind not in KINDS:
        raise Http404
    row = get_object_or_404(KINDS[kind], pk=pk, place=place)
    row.place = place  # type: ignore[attr-defined]
    return place, row


def _said(row: Any) -> str:
    if isinstance(row, ChargerBay):
        return _("bay %(name)s") % {"name": row.name}
    if isinstance(row, SupplyHours):
        return supply_words(row)
    if isinstance(row, StoragePolicy):
        return f"{row.get_chemistry_display()}, {row.store_soc:.0%}"
    return _("terms from %(day)s on") % {"day": day_words(row.valid_from)}
