"""One charge of a bank: its card on screen, on paper and as PDF, and the facts it rests on that are no dated record."""

from __future__ import annotations

from typing import Any, cast

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from fleet.lib.quantities import System
from fleet.models import BankStay, BatteryBank, Place
from fleet.permissions import access_bank, access_depot, bank_stay_shown, member_required, request_rights
from fleet.selectors.changes import changes_of, named
from fleet.web.changes import change_lines
from fleet.web.days import moment_words, today_at
from fleet.web.page import render_page
from fleet.web.site import person_of, unit_system
from readiness.forms.charging import BankChargerForm, ChargingRoomForm
from readiness.models import BankCharger, ChargingRoom
from readiness.selectors.bank_charging import charge_facts
from readiness.selectors.pages_charge import BankTold, banks_told
from readiness.services.charging import bank_charger_save, charging_room_save
from readiness.web.charge_card import CardWords, card_words
from readiness.web.charge_card_pdf import card_pdf
from readiness.web.record_pages import About, about_bank, record_answer, record_inputs


def home_of(stay: BankStay | None) -> Place | None:
    """The depot whose manager keeps the bank, and where it is charged."""
    if stay is None:
        return None
    return stay.unit.home if stay.unit else stay.place


def told_of_bank(bank: BatteryBank, stay: BankStay | None) -> BankTold | None:
    """What is believed of a bank; None on a shelf, where nothing is worked out."""
    if stay is None or stay.unit is None or stay.ended_at is not None:
        return None
    return banks_told(stay.unit, today=today_at(stay.unit.home)).get(bank.pk)


def card_of(
    request: HttpRequest, bank: BatteryBank, stay: BankStay | None, told: BankTold | None
) -> CardWords:
    home = home_of(stay)
    return card_words(
        charge_facts([bank], home)[bank.pk],
        told,
        unit_tag=stay.unit.tag if stay and stay.unit and stay.ended_at is None else "",
        system=cast(System, unit_system(request)),
        may_upkeep=request_rights(request).can("upkeep", home.pk if home else None),
    )


@member_required
@require_GET
def bank_charge_card(request: HttpRequest, serial: str) -> HttpResponse:
    """The card to print and hang beside the charger."""
    bank = access_bank(request, serial)
    stay = bank_stay_shown(bank)
    about = about_bank(bank, stay)
    context = {
        "bank": bank,
        "card": card_of(request, bank, stay, told_of_bank(bank, stay)),
        "worked_out": moment_words(timezone.now(), about.zone),
        "home": home_of(stay),
    }
    return render_page(request, "readiness/charge_card.html", context)


@member_required
@require_GET
def bank_charge_card_pdf(request: HttpRequest, serial: str) -> HttpResponse:
    bank = access_bank(request, serial)
    stay = bank_stay_shown(bank)
    about, now = about_bank(bank, stay), timezone.now()
    home = home_of(stay)
    made = card_pdf(
        card_of(request, bank, stay, told_of_bank(bank, stay)),
        depot=str(home) if home else "",
        worked_out=moment_words(now, about.zone),
        now=now,
    )
    response = HttpResponse(made, content_type="application/pdf")
    name = "".join(sign if sign.isalnum() else "-" for sign in bank.serial)
    response["Content-Disposition"] = f'inline; filename="charge-card-{name}.pdf"'
    return response


@member_required
@require_http_methods(["GET", "POST"])
def bank_charger_edit(request: HttpRequest, serial: str) -> HttpResponse:
    """How the charger of a bank is set, and what its maker states."""
    bank = access_bank(request, serial, to="upkeep")
    about = about_bank(bank, bank_stay_shown(bank))
    there = BankCharger.objects.filter(bank=bank).first()
    changes = change_lines(changes_of(named([there])) if there else (), about.zone)
    return record_answer(
        request,
        about,
        BankChargerForm(
            bank=bank, there=there, fact=request.GET.get("fact", ""), **record_inputs(request, about)
        ),
        lambda form: bank_charger_save(bank=bank, actor=person_of(request), **form.values()),
        title=_("Charger, and what its maker states"),
        button=_("Save what is known"),
        done=_("The charger is on file; the charge card goes by it."),
        known=[
            _(
                "Leave empty what you do not know: it is never assumed. What the maker states comes before the table."
            )
        ],
        beneath="components/change_lines.html" if changes else "",
        more={"changes": changes},
    )


@member_required
@require_http_methods(["GET", "POST"])
def charging_room_edit(request: HttpRequest, depot: str) -> HttpResponse:
    """The room in which a depot charges and the circuit of its chargers."""
    place = access_depot(request, depot, to="upkeep")
    there = ChargingRoom.objects.filter(place=place).first()
    about = About(
        place.code,
        f"{reverse('readiness:bank-list')}?where=all",
        place.name,
        place.time_zone,
    )
    changes = change_lines(changes_of(named([there])) if there else (), about.zone)
    return record_answer(
        request,
        about,
        ChargingRoomForm(there=there, fact=request.GET.get("fact", ""), **record_inputs(request, about)),
        lambda form: charging_room_save(place=place, actor=person_of(request), **form.values()),
        title=_("Charging room and circuit"),
        button=_("Save what is known"),
        done=_("The charging room is on file; the charge cards go by it."),
        caution=_(
            "Have a licensed electrician state the circuit and the breaker, and whoever keeps the building the openings."
        ),
        known=[_("Leave empty what nobody measured: the cards then say that it is missing.")],
        beneath="components/change_lines.html" if changes else "",
        more={"changes": changes},
    )


def unit_cards(
    request: HttpRequest, unit: Any, banks: list[BatteryBank], told: dict[int, BankTold], *, may_upkeep: bool
) -> dict[int, CardWords]:
    """The cards of the banks of one unit. Three queries."""
    return {
        key: card_words(
            facts,
            told.get(key),
            unit_tag=unit.tag,
            system=cast(System, unit_system(request)),
            may_upkeep=may_upkeep,
        )
        for key, facts in charge_facts(banks, unit.home).items()
    }
