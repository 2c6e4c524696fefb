"""How full banks are kept in a depot: the choice said aloud with what it costs, and the page that makes it."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.permissions import access_depot, member_required, request_rights
from fleet.selectors.changes import changes_of, named
from fleet.web.changes import change_lines
from fleet.web.days import today_at
from fleet.web.page import render_page
from fleet.web.site import person_of, unit_system
from readiness.forms.storage import StorageForm
from readiness.models import StoragePolicy
from readiness.selectors.storage import storage_of
from readiness.services.bay_settings import span_latest
from readiness.services.storage import storage_choose
from readiness.views.bay_settings import setting_answer
from readiness.web.bay_settings import policy_lines
from readiness.web.storage import choice_changes, storage_words


@member_required
@require_GET
def storage_show(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot)
    today = today_at(place)
    groups = storage_of(place, today)
    rows = list(StoragePolicy.objects.filter(place=place).select_related("chosen_by"))
    for row in rows:
        row.place = place
    context = {
        "place": place,
        "groups": [storage_words(group) for group in groups if group.choice],
        "kept_full": [storage_words(group) for group in groups if not group.choice],
        "history": policy_lines(rows, today),
        "notice": next((group.lead_time_h for group in groups), None),
        "may_change": request_rights(request).can("upkeep", place.pk),
        "changes": change_lines(changes_of(named(rows)), place.time_zone) if rows else [],
    }
    return render_page(request, "readiness/storage.html", context)


@member_required
@require_http_methods(["GET", "POST"])
def storage_edit(request: HttpRequest, depot: str, chemistry: str) -> HttpResponse:
    place = access_depot(request, depot, to="upkeep")
    today = today_at(place)
    group = next(
        (group for group in storage_of(place, today) if group.code == chemistry and group.choice), None
    )
    if group is None:
        raise Http404
    latest = span_latest(StoragePolicy, place, chemistry=chemistry)
    form = StorageForm(
        latest=latest,
        today=today,
        costs=group.costs,
        wanted=request.GET.get("policy", ""),
        data=request.POST or None,
        system=unit_system(request),
    )

    def save(form: StorageForm) -> None:
        storage_choose(
            place=place,
            chemistry=chemistry,
            floors={row.bank.serial: row.floor_soc for row in group.banks},
            today=today,
            actor=person_of(request),
            **form.values(),
        )

    def preview(form: StorageForm) -> list[str]:
        return choice_changes(group, form.told()["store_soc"])

    more: dict[str, Any] = {"group": storage_words(group)}
    return setting_answer(
        request,
        place,
        form,
        save,
        preview=preview,
        always=True,
        title=_("How full %(name)s is kept") % {"name": group.name},
        done=_("The choice is on file; charges go to that level, and the units are judged by it."),
        template="readiness/storage_edit.html",
        caution=_(
            "A lithium battery that stood under 10 % may have locked itself: its maker's manual says what then. Nobody "
            "flies a battery on this page alone: the goods rules decide."
        ),
        back=reverse("readiness:charging-storage", args=[place.code]),
        more=more,
    )
