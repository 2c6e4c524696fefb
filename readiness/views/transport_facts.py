"""Entry of what decides how a unit may travel and is no dated record: facts of a bank, measures of one unit."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.models import BankTransport
from fleet.permissions import access_bank, bank_stay_shown, member_required
from fleet.selectors.changes import changes_of, named
from fleet.services.transport import bank_transport_save
from fleet.web.changes import change_lines
from fleet.web.site import person_of
from readiness.forms.transport_facts import BankTransportForm, columns_of_bank
from readiness.web.record_pages import about_bank, nothing_to_write, record_answer, record_inputs


@member_required
@require_http_methods(["GET", "POST"])
def bank_transport_edit(request: HttpRequest, serial: str) -> HttpResponse:
    """What a bank is to the transport rules; only what they ask of its chemistry."""
    bank = access_bank(request, serial, to="upkeep")
    about = about_bank(bank, bank_stay_shown(bank))
    if not columns_of_bank(bank):
        sentence = _(
            "The rules ask nothing of a bank of this chemistry but the dated checks of the list of goods."
        )
        return nothing_to_write(request, about, sentence)
    there = BankTransport.objects.filter(bank=bank).first()
    changes = change_lines(changes_of(named([there])) if there else (), about.zone)
    return record_answer(
        request,
        about,
        BankTransportForm(
            bank=bank, there=there, fact=request.GET.get("fact", ""), **record_inputs(request, about)
        ),
        lambda form: bank_transport_save(bank=bank, actor=person_of(request), **form.values()),
        title=_("In transport"),
        button=_("Save what is known"),
        done=_("What the bank is to the transport rules is on file."),
        known=[
            _(
                "Leave empty what you do not know: it is never assumed, and the answer then names it as missing."
            )
        ],
        beneath="components/change_lines.html" if changes else "",
        more={"changes": changes},
    )
