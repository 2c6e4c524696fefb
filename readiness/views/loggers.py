"""The machines that watch the banks: which are believed, what they sent, their keys, and files brought in by hand."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.core import signing
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.errors import DomainError
from fleet.models import Attachment, BatteryBank
from fleet.permissions import bank_stay_shown, depot_of_bank, member_required, request_rights, require
from fleet.services.versions import Conflict
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import redirect_to, render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, depots_in_view, person_of, unit_system
from fleet.web.words import spoken
from readiness.domain.sample_files import read_samples
from readiness.forms.loggers import LoggerForm, LoggerKeyForm, SamplesForm, TakeBackForm
from readiness.logger_words import rule_words
from readiness.models import BankLogger, LoggerKey, SamplePost
from readiness.selectors.loggers import (
    DAYS_SHOWN,
    banks_of_post,
    keys_listed,
    loggers_listed,
    loggers_now,
    posts_about,
    posts_listed,
    posts_with_faults,
)
from readiness.selectors.samples import depots_of_banks
from readiness.services.loggers import logger_edit, logger_key_create, logger_key_revoke, samples_file_keep
from readiness.services.samples import samples_look, samples_take, samples_take_back
from readiness.web.loggers import (
    day_words_of,
    lists_of_days,
    lists_of_loggers,
    logger_chart,
    logger_line,
    logger_pairs,
    zone_of,
)
from readiness.web.record_pages import about_bank, record_form

FAULTS_SHOWN = 50
REFUSED_SHOWN = 8
SALT = "samples"


@member_required
@require_GET
def logger_list(request: HttpRequest) -> HttpResponse:
    """Every logger with its state, those that are not believed first; what was refused lately."""
    depot, now = chosen_depot(request), timezone.now()
    lines = [logger_line(view) for view in loggers_now(list(loggers_listed(depot)), now=now)]
    failing = [line for line in lines if line.failing]
    only = request.GET.get("state") == "failing"
    shown = failing if only else [*failing, *(line for line in lines if not line.failing)]
    if kind := export_format(request):
        return file_response(name="loggers", kind=kind, **lists_of_loggers(shown))
    may_keep = request_rights(request).can("upkeep")
    context = {
        "links": export_links(request),
        "depot": depot,
        "only": only,
        "total": len(lines),
        "failing": len(failing),
        "paging": page_of(request, shown),
        "refused": list(posts_with_faults()[:REFUSED_SHOWN]) if may_keep else [],
        "rules": rule_words(),
        "may_keep": may_keep,
    }
    return render_page(request, "readiness/logger_list.html", context)


def _logger(pk: int) -> BankLogger:
    """The logger of a bank (by the key of the bank)."""
    logger: BankLogger = get_object_or_404(BankLogger.objects.select_related("bank"), bank=pk)
    return logger


@member_required
@require_GET
def logger_show(request: HttpRequest, pk: int) -> HttpResponse:
    logger = _logger(pk)
    view = loggers_now([logger], now=timezone.now(), with_days=True)[0]
    if kind := export_format(request):
        return file_response(name="logged-days", kind=kind, **lists_of_days(view.days))
    system: Any = unit_system(request)
    posts = posts_about(logger.bank, since=timezone.now() - dt.timedelta(days=DAYS_SHOWN))[:REFUSED_SHOWN]
    context = {
        "links": export_links(request),
        "logger": logger,
        "view": view,
        "line": logger_line(view),
        "pairs": logger_pairs(view, system),
        "days": day_words_of(view.days, system),
        "chart": logger_chart(view),
        "posts": list(posts),
        "zone": zone_of(view),
        "may_keep": request_rights(request).can("upkeep", view.depot.pk if view.depot else None),
    }
    return render_page(request, "readiness/logger_page.html", context)


@member_required
@require_http_methods(["GET", "POST"])
def logger_edit_page(request: HttpRequest, pk: int) -> HttpResponse:
    """How often it is to be heard, and whether it is still on."""
    logger = _logger(pk)
    require(request, "upkeep", depot_of_bank(logger.bank))
    about = about_bank(logger.bank, bank_stay_shown(logger.bank))
    form = LoggerForm(request.POST or None, logger=logger, zone=about.zone)
    shown: dict[str, Any] = {"title": _("Logger"), "button": _("Save"), "status": 200}
    if request.method == "POST":
        shown["status"] = 422
        if form.is_valid():
            try:
                logger_edit(
                    logger=logger,
                    seen_version=form.seen_version() or 0,
                    actor=person_of(request),
                    **form.values(),
                )
            except Conflict as error:
                shown |= {
                    "conflict": form.over_theirs(error),
                    "status": 409,
                    "button": _("Save mine over theirs"),
                }
            except DomainError as error:
                form.add_error(None, spoken(error))
            else:
                messages.success(request, _("Saved."))
                return redirect_to(request, reverse("readiness:logger-show", args=[pk]))
    return record_form(request, about, form, **shown)


@member_required
@require_http_methods(["GET", "POST"])
def logger_send(request: HttpRequest) -> HttpResponse:
    """A file by hand: first the look, then the yes."""
    require(request, "upkeep")
    zones = _zones(request)
    if request.method == "POST" and request.POST.get("kept"):
        return _take(request)
    bound = request.method == "POST"
    form = SamplesForm(
        request.POST if bound else None,
        request.FILES if bound else None,
        zones=zones,
        initial={"bank": request.GET.get("bank", "")[:60]},
    )
    context: dict[str, Any] = {"form": form, "kept": ""}
    if bound and form.is_valid():
        upload, bank, zone = form.cleaned_data["file"], form.cleaned_data["bank"], form.cleaned_data["zone"]
        try:
            content = upload.read()
            taken = samples_look(
                file=read_samples(content), rights=request_rights(request), only=bank, zone=zone
            )
            kept = samples_file_keep(name=upload.name, content=content, actor=person_of(request))
        except DomainError as error:
            form.add_error("file", spoken(error))
        else:
            said = {"file": kept.pk, "bank": bank.pk if bank else None, "zone": zone}
            context |= {
                "kept": signing.dumps(said, salt=SALT),
                "name": upload.name,
                "taken": taken,
                "faults": taken.faults[:FAULTS_SHOWN],
                "left_out": max(0, len(taken.faults) - FAULTS_SHOWN),
            }
    return render_page(request, "readiness/logger_send.html", context, status=422 if form.errors else 200)


def _zones(request: HttpRequest) -> list[tuple[str, str]]:
    found = dict.fromkeys(depot.time_zone for depot in depots_in_view(request))
    return [(zone, zone) for zone in found if zone != "UTC"]


def _take(request: HttpRequest) -> HttpResponse:
    """The yes: the file that was looked at is read again and taken."""
    try:
        said = signing.loads(request.POST["kept"], salt=SALT, max_age=86_400)
        row = Attachment.objects.get(pk=said["file"], added_by=person_of(request))
        with row.file.open("rb") as stream:
            content = stream.read()
    except (signing.BadSignature, Attachment.DoesNotExist, OSError):
        messages.error(request, _("That look is too old. Choose the file again."))
        return redirect_to(request, reverse("readiness:logger-send"))
    bank = BatteryBank.objects.filter(pk=said["bank"]).first() if said["bank"] else None
    taken = samples_take(
        file=read_samples(content),
        how=SamplePost.How.PAGE,
        actor=person_of(request),
        rights=request_rights(request),
        only=bank,
        zone=said["zone"],
        name=row.name,
    )
    counts = {"kept": taken.kept, "known": taken.known, "left": taken.refused + taken.conflicts}
    messages.success(
        request, _("%(kept)d new rows are on file, %(known)d were known, %(left)d were left out.") % counts
    )
    return redirect_to(request, reverse("readiness:logger-post", args=[taken.post.pk if taken.post else 0]))


@member_required
@require_GET
def logger_post(request: HttpRequest, pk: int) -> HttpResponse:
    """One arrival: what became of its rows."""
    post = get_object_or_404(posts_listed(), pk=pk)
    banks = banks_of_post(post)
    context = {"post": post, "banks": banks, "may_take_back": _may_take_back(request, post, banks)}
    return render_page(request, "readiness/logger_post.html", context)


def _may_take_back(request: HttpRequest, post: SamplePost, banks: list[BatteryBank]) -> bool:
    rights = request_rights(request)
    if post.taken_back_at is not None or not banks:
        return False
    depots = depots_of_banks([bank.pk for bank in banks])
    return all(rights.can("upkeep", depots.get(bank.pk)) for bank in banks)


@member_required
@require_http_methods(["GET", "POST"])
def logger_post_take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """The rows of an arrival count no longer; asked before it is done."""
    post = get_object_or_404(posts_listed(), pk=pk)
    address = reverse("readiness:logger-post", args=[pk])
    if not _may_take_back(request, post, banks_of_post(post)):
        if post.taken_back_at is not None and request_rights(request).can("upkeep"):
            messages.warning(request, _("These rows were taken back already."))
            return redirect_to(request, address)
        raise PermissionDenied(_("These rows are about banks of a depot that you do not keep."))
    form = TakeBackForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        samples_take_back(post=post, reason=form.cleaned_data["reason"], actor=person_of(request))
        messages.success(
            request, _("The rows count no longer. They stay on file; sent again, they are taken anew.")
        )
        return redirect_to(request, address)
    context = {
        "question": _("Take back the %(n)d rows of %(name)s?") % {"n": post.kept, "name": post},
        "detail": _(
            "They stay on file and count no longer: temperatures and charge states are worked out without them."
        ),
        "button": _("Take them back"),
        "cancel_url": address,
        "form": form,
        "title": _("Take rows back"),
    }
    return render_page(request, "readiness/logger_confirm.html", context, status=422 if form.errors else 200)


def _keys_of(request: HttpRequest) -> Any:
    """The keys a person may see and revoke: their own, and all for an administrator."""
    keys = keys_listed()
    return keys if request_rights(request).can("admin") else keys.filter(token__user=person_of(request))


@member_required
@require_http_methods(["GET", "POST"])
def logger_keys(request: HttpRequest) -> HttpResponse:
    """Keys for machines; a new one is shown once."""
    require(request, "upkeep")
    form, made = LoggerKeyForm(request.POST or None, initial={"bank": request.GET.get("bank", "")[:60]}), ""
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        bank = data["bank"]
        if bank is not None and not request_rights(request).can("upkeep", depot_of_bank(bank)):
            form.add_error("bank", _("This bank belongs to a depot that you do not keep."))
        else:
            person = person_of(request)
            _row, made = logger_key_create(
                user=person, name=data["name"], bank=bank, actor=person, expires_on=data["expires_on"]
            )
            form = LoggerKeyForm()
    context = {
        "form": form,
        "made": made,
        "paging": page_of(request, _keys_of(request)),
        "today": timezone.now().date(),
        "address": request.build_absolute_uri("/api/samples"),
    }
    response = render_page(request, "readiness/logger_keys.html", context, status=422 if form.errors else 200)
    response["Cache-Control"] = "no-store"
    return response


@member_required
@require_http_methods(["GET", "POST"])
def logger_key_revoke_page(request: HttpRequest, pk: int) -> HttpResponse:
    require(request, "upkeep")
    key: LoggerKey | None = _keys_of(request).filter(pk=pk).first()
    if key is None:
        raise Http404
    back = reverse("readiness:logger-keys")
    if request.method == "POST":
        logger_key_revoke(key=key, actor=person_of(request))
        messages.success(request, _("The key works no longer."))
        return redirect_to(request, back)
    context = {
        "question": _("Revoke the key ‘%(name)s’?") % {"name": key.token.name},
        "detail": _(
            "The machine that uses it is refused from now on. What it sent stays. It cannot be undone; make a new key."
        ),
        "button": _("Revoke it"),
        "cancel_url": back,
        "title": _("Revoke a key"),
    }
    return render_page(request, "readiness/logger_confirm.html", context)
