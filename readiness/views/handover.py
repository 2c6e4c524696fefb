"""Hand-over: what the next shift must know, between two times; printable."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.models import Unit
from fleet.permissions import member_required
from fleet.web.days import moment_words
from fleet.web.page import render_page
from fleet.web.site import chosen_depot, depots_in_view
from readiness.forms.handover import HandoverForm
from readiness.selectors.handover import Handover, handover_of
from readiness.sentences import alert_sentence, alert_title

SHIFT = dt.timedelta(hours=12)


@member_required
@require_GET
def handover_show(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    if depot is None:
        return render_page(request, "readiness/choose_depot.html", {"depots": depots_in_view(request)})
    now = timezone.now()
    asked = "since" in request.GET or "until" in request.GET
    last_shift: dict[str, Any] = {"depot": depot.code, "since": now - SHIFT, "until": now}
    form = (
        HandoverForm(request.GET, zone=depot.time_zone)
        if asked
        else HandoverForm(initial=last_shift, zone=depot.time_zone)
    )
    context: dict[str, Any] = {"depot": depot, "form": form, "zone": depot.time_zone}
    if not asked or form.is_valid():
        span = form.cleaned_data if asked else last_shift
        found = handover_of(depot, since=span["since"], until=span["until"])
        context |= {"handover": found, **_shown(found, depot.time_zone)}
    return render_page(
        request, "readiness/handover.html", context, status=422 if asked and form.errors else 200
    )


def _shown(found: Handover, zone: str) -> dict[str, Any]:
    """Rows with what the template cannot ask for itself: where a bank sits, the words of an alert, local times."""

    def bank_rows(rows: list[Any]) -> list[dict[str, Any]]:
        return [{"row": row, **_of_bank(found, row)} for row in rows]

    def alert_rows(rows: list[Any]) -> list[dict[str, Any]]:
        return [
            {
                "alert": row,
                "title": alert_title(row.rule),
                "words": alert_sentence(row.rule, row.data, row.work_h),
            }
            for row in rows
        ]

    return {
        "since": moment_words(found.since, zone),
        "until": moment_words(found.until, zone),
        "on_charge": bank_rows(found.on_charge.rows),
        "left_open": bank_rows(found.left_open.rows),
        "begun": bank_rows(found.begun.rows),
        "ended": bank_rows(found.ended.rows),
        "readings": bank_rows(found.readings.rows),
        "alerts": alert_rows(found.alerts.rows),
        "cleared": alert_rows(found.cleared.rows),
        "taken": alert_rows(found.taken.rows),
    }


def _of_bank(found: Handover, row: Any) -> dict[str, Any]:
    where = found.where.get(row.bank_id)
    return {"unit": where if isinstance(where, Unit) else None, "where": where}
