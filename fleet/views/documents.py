"""Documents of a unit: what is on file, one more, and the file itself for those who may have it."""

from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.forms import DocumentForm
from fleet.lib.errors import DomainError
from fleet.permissions import access_unit, member_required, request_rights, require
from fleet.selectors.documents import attachments_for, unit_documents
from fleet.services.documents import unit_document_add
from fleet.web.page import redirect_to, render_page
from fleet.web.site import person_of
from fleet.web.words import spoken


@member_required
@require_http_methods(["GET", "POST"])
def attachment_list(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag)
    may_add = request_rights(request).can("upkeep", unit.home_id)
    if request.method == "POST":
        require(request, "upkeep", unit.home_id)
    form = DocumentForm(request.POST, request.FILES) if request.method == "POST" else DocumentForm()
    if form.is_bound and form.is_valid():
        try:
            unit_document_add(
                unit=unit,
                upload=form.cleaned_data["file"],
                title=form.cleaned_data["title"],
                certificate=form.certificate(),
                token=form.cleaned_data["token"],
                actor=person_of(request),
            )
        except DomainError as error:
            form.add_error("file" if error.key.startswith("file.") else None, spoken(error))
        else:
            messages.success(request, _("It is on file."))
            return redirect_to(request, reverse("fleet:attachment-list", args=[unit.tag]))
    context = {"unit": unit, "documents": unit_documents(unit), "form": form, "may_add": may_add}
    return render_page(
        request, "fleet/documents.html", context, status=422 if request.method == "POST" else 200
    )


@member_required
@require_GET
def attachment_download(request: HttpRequest, pk: int) -> HttpResponseBase:
    """The file as a download: never shown inside the site, whatever it holds."""
    allowed = attachments_for(person_of(request), request_rights(request)).distinct()
    attachment = get_object_or_404(allowed, pk=pk)
    try:
        content = attachment.file.open("rb")
    except FileNotFoundError:
        raise Http404(_("The file is not in the store any more.")) from None
    response = FileResponse(
        content, as_attachment=True, filename=attachment.name, content_type=attachment.content_type
    )
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    response["Cache-Control"] = "private, no-store"
    return response
