"""Bringing in a file: upload, answer, look, say yes, take back. Templates and faulty rows to download."""

from __future__ import annotations

from collections.abc import Callable
from typing import IO

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.lib.errors import DomainError
from fleet.models import Attachment, ImportRun
from fleet.permissions import member_required, request_rights, require
from fleet.selectors.imports import import_list as imports_on_file
from fleet.selectors.imports import import_page, may_act_on
from fleet.services.imports.books import export_book, export_text, template_book, template_text
from fleet.services.imports.kinds import kind_named, kinds_in_order
from fleet.services.imports.runs import import_answer, import_apply, import_create, import_undo
from fleet.services.imports.undoing import obstacles
from fleet.services.jobs import job_cancel
from fleet.web.export import FORMATS
from fleet.web.import_forms import MODES, ImportForm, answers_given, choices_made
from fleet.web.page import redirect_to, render_page
from fleet.web.paging import page_of
from fleet.web.site import person_of
from fleet.web.words import spoken


@member_required
@require_http_methods(["GET", "POST"])
def import_list(request: HttpRequest) -> HttpResponse:
    """What was brought in so far, and one file more."""
    require(request, "import")
    form = ImportForm(request.POST, request.FILES) if request.method == "POST" else ImportForm()
    if form.is_bound and form.is_valid():
        upload = form.cleaned_data["file"]
        try:
            run = import_create(
                name=upload.name,
                content=upload.read(),
                actor=person_of(request),
                conventions=form.conventions(),
            )
        except DomainError as error:
            form.add_error("file_as_of" if error.key.startswith("import.as_of") else "file", spoken(error))
        else:
            return redirect_to(request, reverse("fleet:import-show", args=[run.pk]))
    context = {
        "form": form,
        "paging": page_of(request, imports_on_file()),
        "kinds": kinds_in_order(),
    }
    return render_page(request, "fleet/import_list.html", context, status=422 if form.errors else 200)


@member_required
@require_GET
def import_show(request: HttpRequest, pk: int) -> HttpResponse:
    """One import at whatever step it is; htmx asks for the region again while work goes on."""
    run = _run(request, pk)
    page = import_page(run, may_act=_may_act(request, run))
    context = {"page": page, "run": run, "modes": MODES, "obstacles": []}
    if "undo" in request.GET and page.can_undo:
        context["asked_undo"] = True
        context["obstacles"] = obstacles(run)
    response = render_page(request, "fleet/import_show.html", context, region="fleet/import_region.html")
    if page.working:
        response["Cache-Control"] = "no-store"
    return response


@member_required
@require_POST
def import_answer_give(request: HttpRequest, pk: int) -> HttpResponse:
    run = _run(request, pk, to_act=True)
    answers, missing = answers_given(request.POST, run.questions)
    if missing:
        messages.error(request, _("Choose an answer to each question."))
    else:
        _do(request, lambda: import_answer(run=run, answers=answers, actor=person_of(request)))
    return redirect_to(request, _address(run))


@member_required
@require_POST
def import_apply_start(request: HttpRequest, pk: int) -> HttpResponse:
    run = _run(request, pk, to_act=True)
    choices = choices_made(request.POST, run.preview)
    _do(request, lambda: import_apply(run=run, choices=choices, actor=person_of(request)))
    return redirect_to(request, _address(run))


@member_required
@require_POST
def import_undo_start(request: HttpRequest, pk: int) -> HttpResponse:
    run = _run(request, pk, to_act=True)
    _do(request, lambda: import_undo(run=run, actor=person_of(request)))
    return redirect_to(request, _address(run))


@member_required
@require_POST
def import_stop(request: HttpRequest, pk: int) -> HttpResponse:
    run = _run(request, pk, to_act=True)
    page = import_page(run)
    if page.job is not None:
        job_cancel(job=page.job, actor=person_of(request))
    return redirect_to(request, _address(run))


@member_required
@require_GET
def import_faults(request: HttpRequest, pk: int) -> HttpResponseBase:
    """The faulty rows as a workbook, with what is wrong and how to mend it beside each."""
    run = _run(request, pk)
    attachment = get_object_or_404(Attachment, pk=run.preview.get("fault_file") or 0)
    try:
        content = attachment.file.open("rb")
    except FileNotFoundError:
        raise Http404(_("The file is not in the store any more.")) from None
    return _download(content, attachment.name, FORMATS["xlsx"])


@member_required
@require_GET
def import_template(request: HttpRequest, kind: str, form: str) -> HttpResponseBase:
    """A template: `all` kinds of sheet in one workbook, or one kind as XLSX or CSV."""
    require(request, "import")
    if form not in FORMATS or (form == "csv" and kind == "all"):
        raise Http404
    try:
        names = () if kind == "all" else (kind_named(kind).name,)
    except DomainError as error:
        raise Http404(spoken(error)) from None
    content = template_text(kind) if form == "csv" else template_book(names)
    response = HttpResponse(content, content_type=FORMATS[form])
    response["Content-Disposition"] = f'attachment; filename="musterwell-{kind.replace("_", "-")}.{form}"'
    return response


@member_required
@require_GET
def import_export(request: HttpRequest, kind: str, form: str) -> HttpResponseBase:
    """What is on file as a sheet that can be brought in again: `all` kinds that go out, or one as XLSX or CSV."""
    require(request, "import")
    if form not in FORMATS or (form == "csv" and kind == "all"):
        raise Http404
    try:
        content = export_text(kind) if form == "csv" else export_book(() if kind == "all" else (kind,))
    except DomainError as error:
        raise Http404(spoken(error)) from None
    response = HttpResponse(content, content_type=FORMATS[form])
    name = f"musterwell-{kind.replace('_', '-')}-on-file.{form}"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["Cache-Control"] = "private, no-store"
    return response


def _run(request: HttpRequest, pk: int, *, to_act: bool = False) -> ImportRun:
    """An import for whoever brings in anything; to act on it, it must be one's own or touch only what one may write."""
    require(request, "import")
    queryset = imports_on_file().select_related("read_job", "apply_job")
    run: ImportRun = get_object_or_404(queryset, pk=pk)
    if to_act and not _may_act(request, run):
        raise PermissionDenied(_("Someone else brought this file in, and it may change what is not yours."))
    return run


def _may_act(request: HttpRequest, run: ImportRun) -> bool:
    return may_act_on(run, person_of(request), request_rights(request))


def _address(run: ImportRun) -> str:
    return reverse("fleet:import-show", args=[run.pk])


def _do(request: HttpRequest, act: Callable[[], object]) -> None:
    try:
        act()
    except DomainError as error:
        messages.error(request, spoken(error))


def _download(content: IO[bytes], name: str, kind: str) -> HttpResponseBase:
    response = FileResponse(content, as_attachment=True, filename=name, content_type=kind)
    response["X-Content-Type-Options"] = "nosniff"
    response["Cache-Control"] = "private, no-store"
    return response
