"""Editions of the dangerous-goods rules: what is held, loading the next one, what it changes, release and withdrawal."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.loaded import TableFaults, editions_text, goods_text
from fleet.domain.dangerous_goods.words import Mode
from fleet.lib.errors import DomainError
from fleet.models import Job, RuleEdition
from fleet.permissions import member_required, request_rights
from fleet.selectors.editions import editions_on_file, rules_in_force
from fleet.services.editions import (
    LOADERS,
    RELEASERS,
    edition_count,
    edition_load,
    edition_release,
    edition_withdraw,
)
from fleet.web.days import today_at
from fleet.web.page import redirect_to, render_page
from fleet.web.paging import page_of
from fleet.web.site import person_of
from fleet.web.words import spoken
from readiness.forms.transport_rules import EditionLoadForm, EditionWithdrawForm
from readiness.rules_words import endings
from readiness.services.edition_changes import (
    COUNT_JOB,
    RELEASE_JOB,
    count_request,
    quick,
    release_request,
)
from readiness.web.transport_rules import (
    changes_shown,
    edition_pairs,
    edition_rows,
    held_modes,
    joining_words,
)


@member_required
@require_GET
def rules_list(request: HttpRequest) -> HttpResponse:
    """The editions held per mode and through which day, what ends soon, and every loading."""
    paging = page_of(request, editions_on_file())
    rules, today = rules_in_force(), today_at(None)
    context = {
        "modes": held_modes(rules, today),
        "warnings": endings(rules, today),
        "paging": paging,
        "rows": edition_rows(paging.rows),
        "may_load": _may(request, LOADERS),
    }
    return render_page(request, "readiness/rules_list.html", context)


@member_required
@require_http_methods(["GET", "POST"])
def rules_load(request: HttpRequest) -> HttpResponse:
    """Both tables are read and checked as a whole: all faults are shown at once, or the edition waits for release."""
    _require(request, LOADERS)
    form = EditionLoadForm(request.POST, request.FILES) if request.method == "POST" else EditionLoadForm()
    if form.is_bound and form.is_valid():
        data = form.cleaned_data
        try:
            edition = edition_load(
                name=data["name"],
                editions_csv=data["editions"],
                goods_csv=data["goods"],
                note=data["note"],
                actor=person_of(request),
            )
        except TableFaults as error:
            for sentence in error.sentences:
                form.add_error(None, sentence)
        except DomainError as error:
            form.add_error(None, spoken(error))
        else:
            _count(request, edition)
            messages.success(request, _("It is loaded and changes nothing yet. A second person releases it."))
            return redirect_to(request, _address(edition))
    return render_page(
        request, "readiness/rules_load.html", {"form": form}, status=422 if form.errors else 200
    )


@member_required
@require_GET
def rules_template(request: HttpRequest, table: str) -> HttpResponse:
    """The tables in force as text, to be carried on: the editions, or the goods table of the latest air edition."""
    rules = rules_in_force()
    if table == "editions":
        text = editions_text(rules.editions)
    elif table == "goods":
        newest = max(
            (edition for edition in rules.editions if edition.mode is Mode.AIR),
            key=lambda edition: edition.valid_from,
            default=edition_for(Mode.ROAD_US, today_at(None), rules.editions),
        )
        if newest is None:
            raise Http404
        text = goods_text(rules.tables[newest.goods_table])
    else:
        raise Http404
    response = HttpResponse(text, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="musterwell-rules-{table}.csv"'
    return response


@member_required
@require_GET
def rules_show(request: HttpRequest, pk: int) -> HttpResponse:
    """One loading: its lines, what it changes, and what may be done with it; htmx asks again while work goes on."""
    edition: RuleEdition = get_object_or_404(editions_on_file(), pk=pk)
    waiting = edition.state == RuleEdition.State.LOADED
    shown = changes_shown(edition.changes)
    job = _job(edition)
    working = job is not None and job.state in (Job.State.QUEUED, Job.State.RUNNING)
    against, looks = joining_words(edition, rules_in_force()) if waiting else ([], [])
    may_act = _may(request, RELEASERS)
    own = edition.loaded_by_id == person_of(request).pk
    context: dict[str, Any] = {
        "edition": edition,
        "pairs": edition_pairs(edition),
        "shown": shown,
        "paging": page_of(request, shown.lines),
        "than_last": page_of(request, shown.than_last, key="other"),
        "job": job,
        "working": working,
        "against": against,
        "looks": looks,
        "waiting": waiting,
        "own": own,
        "may_count": waiting and may_act and not against and not working,
        "may_release": waiting and may_act and not own and not against and not working and bool(shown.digest),
        "may_withdraw": may_act and edition.state != RuleEdition.State.WITHDRAWN and not working,
        "now_words": _("Now"),
        "last_words": _("Before"),
        "asked": next((word for word in ("release", "withdraw") if word in request.GET), ""),
        "withdraw_form": EditionWithdrawForm(),
        "here": _address(edition),
    }
    response = render_page(
        request, "readiness/rules_show.html", context, region="readiness/rules_region.html"
    )
    if working:
        response["Cache-Control"] = "no-store"
    return response


@member_required
@require_POST
def rules_count(request: HttpRequest, pk: int) -> HttpResponse:
    edition = _edition(request, pk)
    _count(request, edition)
    return redirect_to(request, _address(edition))


@member_required
@require_POST
def rules_release(request: HttpRequest, pk: int) -> HttpResponse:
    """With the digest of the list that was shown: another list by now, and nothing is released."""
    edition, actor = _edition(request, pk), person_of(request)
    seen = request.POST.get("seen", "")
    if quick():
        done = _do(request, lambda: edition_release(edition=edition, seen=seen, actor=actor))
        if done:
            messages.success(request, _("It is released: every answer follows it from its first day on."))
    else:
        release_request(edition=edition, seen=seen, actor=actor)
    return redirect_to(request, _address(edition))


@member_required
@require_POST
def rules_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    edition, actor = _edition(request, pk), person_of(request)
    form = EditionWithdrawForm(request.POST)
    reason = form.cleaned_data["reason"] if form.is_valid() else ""
    if _do(request, lambda: edition_withdraw(edition=edition, reason=reason, actor=actor)):
        messages.success(request, _("It is withdrawn: the rules are as they were without it."))
        return redirect_to(request, _address(edition))
    return redirect_to(request, _address(edition) + "?withdraw=1")


def _count(request: HttpRequest, edition: RuleEdition) -> None:
    if quick():
        _do(request, lambda: edition_count(edition=edition))
    else:
        count_request(edition=edition, actor=person_of(request))


def _job(edition: RuleEdition) -> Job | None:
    """The latest work on an edition. One query."""
    jobs = Job.objects.filter(kind__in=(COUNT_JOB, RELEASE_JOB), unique_key=str(edition.pk))
    return jobs.order_by("-created_at").first()


def _edition(request: HttpRequest, pk: int) -> RuleEdition:
    _require(request, RELEASERS)
    edition: RuleEdition = get_object_or_404(editions_on_file(), pk=pk)
    return edition


def _may(request: HttpRequest, words: tuple[str, ...]) -> bool:
    return bool(request_rights(request).everywhere & set(words))


def _require(request: HttpRequest, words: tuple[str, ...]) -> None:
    if not _may(request, words):
        raise PermissionDenied(_("Your role does not include this here."))


def _address(edition: RuleEdition) -> str:
    return reverse("readiness:rules-show", args=[edition.pk])


def _do(request: HttpRequest, act: Callable[[], object]) -> bool:
    try:
        act()
    except DomainError as error:
        messages.error(request, spoken(error))
        return False
    return True
