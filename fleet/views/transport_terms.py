"""The owner's transport terms: what holds, what held before and who changed it; and the form that changes them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.forms import TransportTermsForm
from fleet.lib.errors import DomainError
from fleet.models import TransportTerms
from fleet.permissions import member_required, request_rights, require
from fleet.selectors.changes import changes_of, named
from fleet.services.transport_terms import TERMS, TermsChanged, terms_shown, transport_terms_save
from fleet.web.changes import change_lines
from fleet.web.days import day_words, today_at
from fleet.web.page import redirect_to, render_page
from fleet.web.site import person_of, unit_system
from fleet.web.terms import TERM_GROUPS, term_changes, term_name, term_words
from fleet.web.words import spoken


@member_required
@require_GET
def transport_terms_show(request: HttpRequest) -> HttpResponse:
    system: Any = unit_system(request)
    today = today_at(None)
    rows = list(TransportTerms.objects.order_by("-valid_from"))
    holds = next(
        (row for row in rows if row.valid_from <= today and (not row.valid_to or row.valid_to >= today)), None
    )
    context = {
        "holds": holds,
        "groups": [
            (title, [_pair(name, holds or TransportTerms(), system) for name in names])
            for title, names in TERM_GROUPS
        ],
        "rows": [_row(row, older, system) for row, older in pairwise([*rows, TransportTerms()])],
        "may_change": request_rights(request).can("admin"),
        "changes": change_lines(changes_of(named(rows)), "UTC") if rows else [],
    }
    return render_page(request, "fleet/transport_terms.html", context)


def _pair(name: str, row: TransportTerms, system: Any) -> dict[str, str]:
    return {"label": term_name(name), "value": term_words(name, getattr(row, name), system)}


def _row(row: TransportTerms, older: TransportTerms, system: Any) -> dict[str, Any]:
    """One row of the history, against the one before it (the first: against common practice)."""
    return {
        "since": day_words(row.valid_from),
        "until": day_words(row.valid_to) if row.valid_to else "",
        "changed": term_changes(older, {name: getattr(row, name) for name in TERMS}, system),
        "source": row.source,
    }


@member_required
@require_http_methods(["GET", "POST"])
def transport_terms_edit(request: HttpRequest) -> HttpResponse:
    """Shows what changes before it is saved; it is saved when exactly that was seen."""
    require(request, "admin")
    system: Any = unit_system(request)
    latest = TransportTerms.objects.order_by("-valid_from").first()
    today = today_at(None)
    form = TransportTermsForm(request.POST or None, latest=latest, today=today, system=system)
    preview: list[str] = []
    status = 422 if request.method == "POST" else 200
    if request.method == "POST" and form.is_valid():
        seen_now = form.cleaned_data["previewed"] == form.mark_of_preview()
        preview = term_changes(latest or TransportTerms(), form.terms(), system)
        if not seen_now and preview:
            form.show(previewed=form.mark_of_preview())
            status = 200
        else:
            try:
                transport_terms_save(today=today, actor=person_of(request), **form.values())
            except TermsChanged as error:
                form.add_error(None, spoken(error))
                form.show(seen=terms_shown(latest), previewed="")
                status = 409
            except DomainError as error:
                form.add_error(None, spoken(error))
                preview = []
            else:
                messages.success(
                    request, _("The terms are on file; every answer rests on them from that day on.")
                )
                return redirect_to(request, reverse("fleet:transport-terms"))
    context = {
        "form": form,
        "latest": latest,
        "preview": preview,
        "from_day": day_words(form.cleaned_data["valid_from"]) if preview else "",
    }
    return render_page(request, "fleet/transport_terms_edit.html", context, status=status)
