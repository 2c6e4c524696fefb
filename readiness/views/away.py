"""Pages that write down that a unit leaves, comes back or moves, and what it did each day on site."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.models import Absence, Unit
from fleet.permissions import access_unit, member_required, request_rights, require
from fleet.services.deployments import day_log_record, deployment_end, deployment_start, leg_record
from fleet.services.units import absence_end, absence_start, unit_move
from fleet.web.days import day_words
from fleet.web.site import person_of
from readiness.forms import away as away_forms
from readiness.selectors.away import first_day_not_logged, open_absence, open_deployment
from readiness.web.history import leg_words
from readiness.web.record_pages import nothing_to_write, record_answer, record_inputs


def _unit_to_send(request: HttpRequest, tag: str) -> Unit:
    """Who sends units out may write this down, and so may who keeps this one."""
    unit = access_unit(request, tag)
    if not request_rights(request).can("absence", unit.home_id):
        require(request, "upkeep", unit.home_id)
    return unit


@member_required
@require_http_methods(["GET", "POST"])
def unit_absence_start(request: HttpRequest, tag: str) -> HttpResponse:
    unit = _unit_to_send(request, tag)
    return record_answer(
        request,
        unit,
        away_forms.AwayForm(**record_inputs(request, unit)),
        lambda form: absence_start(unit=unit, actor=person_of(request), **form.values()),
        title=_("It leaves"),
        button=_("It is away"),
        done=_("The unit is away; the verdict is being worked out again."),
    )


def _away_words(absence: Absence) -> str:
    words = _("Away: %(purpose)s, with %(who)s.") % {
        "purpose": absence.get_purpose_display(),
        "who": absence.custodian,
    }
    if absence.due_back_on is None:
        return words
    return f"{words} {_('Due back on %(day)s.') % {'day': day_words(absence.due_back_on)}}"


@member_required
@require_http_methods(["GET", "POST"])
def unit_absence_end(request: HttpRequest, tag: str) -> HttpResponse:
    """Ends a deployment with its absence; any other absence alone."""
    unit = _unit_to_send(request, tag)
    absence = open_absence(unit)
    if absence is None and request.method == "GET":
        return nothing_to_write(request, unit, _("This unit is not away."))

    def save(form: Any) -> None:
        ended: Absence = form.cleaned_data["absence"]
        deployment = getattr(ended, "deployment", None)
        if deployment is not None:
            deployment_end(deployment=deployment, actor=person_of(request), **form.values())
        else:
            absence_end(absence=ended, actor=person_of(request), **form.values())

    return record_answer(
        request,
        unit,
        away_forms.BackForm(unit=unit, absence=absence, **record_inputs(request, unit)),
        save,
        title=_("It is back"),
        button=_("It is back"),
        done=_("The unit is back. Take a reading, look at it and fill its kit before it counts as ready."),
        known=[_away_words(absence)] if absence else [],
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_place_move(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="unit")
    return record_answer(
        request,
        unit,
        away_forms.UnitMoveForm(**record_inputs(request, unit)),
        lambda form: unit_move(unit=unit, actor=person_of(request), **form.values()),
        title=_("Move to another depot"),
        button=_("It stands there"),
        done=_("The move is on file; the verdict is being worked out again."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_deployment_start(request: HttpRequest, tag: str) -> HttpResponse:
    unit = _unit_to_send(request, tag)
    return record_answer(
        request,
        unit,
        away_forms.DeploymentForm(**record_inputs(request, unit)),
        lambda form: deployment_start(unit=unit, actor=person_of(request), **form.values()),
        title=_("Start a deployment"),
        button=_("It has left"),
        done=_("The deployment is on file. Write each day on site down here."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_day_log_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = _unit_to_send(request, tag)
    deployment = open_deployment(unit)
    if deployment is None:
        return nothing_to_write(request, unit, _("This unit is on no deployment."))
    next_day = first_day_not_logged(deployment, now=timezone.now())
    form = away_forms.DayLogForm(
        unit=unit, deployment=deployment, next_day=next_day, **record_inputs(request, unit)
    )
    return record_answer(
        request,
        unit,
        form,
        lambda form: day_log_record(actor=person_of(request), **form.values()),
        title=_("Day on site"),
        button=_("Save the day"),
        done=_("The day is on file."),
        known=[
            _("Deployment %(code)s, since %(day)s.")
            % {"code": deployment.code, "day": day_words(deployment.started_on)}
        ],
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_leg_record(request: HttpRequest, tag: str) -> HttpResponse:
    """The legs of the deployment under way, and the next one, or the arrival of the last."""
    unit = _unit_to_send(request, tag)
    deployment = open_deployment(unit)
    if deployment is None:
        return nothing_to_write(request, unit, _("This unit is on no deployment."))
    legs = list(deployment.legs.select_related("origin", "destination").order_by("sequence"))
    zone = unit.home.time_zone
    return record_answer(
        request,
        unit,
        away_forms.LegForm(
            deployment=deployment, last=legs[-1] if legs else None, **record_inputs(request, unit)
        ),
        lambda form: leg_record(deployment=deployment, actor=person_of(request), **form.values()),
        title=_("Leg of the way"),
        button=_("Save the leg"),
        done=_("The leg is on file."),
        known=[
            _("Deployment %(code)s. Times are those of %(zone)s.") % {"code": deployment.code, "zone": zone},
            *(_("Leg %(leg)s.") % {"leg": leg_words(leg, zone)} for leg in legs),
        ],
    )
