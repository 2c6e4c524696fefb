"""The page of a battery bank, wherever it lies; the list of banks; and what is written down about one on a shelf."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_GET, require_http_methods

from fleet.models import BankStay, BatteryBank, BatteryBlock, Place
from fleet.permissions import (
    access_bank,
    bank_stay_shown,
    depot_of_bank,
    member_required,
    request_rights,
    require,
)
from fleet.services.banks import block_move, block_swap
from fleet.web.changes import change_lines
from fleet.web.days import today_at
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import render_page
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, person_of, unit_system
from fleet.web.sorting import Column, sorting_of
from fleet.web.words import spoken
from readiness import forms as record_forms
from readiness.filters import BankFilter
from readiness.forms import banks as bank_forms
from readiness.forms.transport_facts import bank_facts_said
from readiness.selectors.loggers import logger_of_bank
from readiness.selectors.pages_bank import (
    BankPage,
    bank_page,
    banks_listed,
    block_stay_now,
    blocks_in,
    open_charge_of,
)
from readiness.selectors.reading_doubts import reading_doubts
from readiness.selectors.unit_life import depots_to_keep
from readiness.sentences import state_words
from readiness.services import upkeep
from readiness.views.charging import card_of, told_of_bank
from readiness.web.bank_learning import flag_lines, learning_words, unknown_words
from readiness.web.bank_page import bank_pairs, block_lines, chart_of_bank, list_lines, stay_lines
from readiness.web.history import history_lines
from readiness.web.loggers import temperature_pairs
from readiness.web.record_pages import About, about_bank, nothing_to_write, record_answer, record_inputs

COLUMNS = [
    Column("bank", gettext_lazy("Bank"), ("bank__serial",)),
    Column("kind", gettext_lazy("Kind"), ("bank__chemistry", "bank__serial")),
    Column("capacity", gettext_lazy("Capacity"), ("bank__capacity_ah", "bank__serial"), number=True),
    Column("where", gettext_lazy("Where"), ("unit__tag", "bank__serial")),
    Column("read", gettext_lazy("Last reading"), ("read_at", "bank__serial")),
    Column(
        "loses", gettext_lazy("Loses in 30 days"), ("bank__state__own_pct_month", "bank__serial"), number=True
    ),
    Column(
        "peers", gettext_lazy("Against its peers"), ("bank__state__peer_ratio", "bank__serial"), number=True
    ),
    Column("flags", gettext_lazy("What stands out")),
]


@member_required
@require_GET
def bank_list(request: HttpRequest) -> HttpResponse:
    """The banks on a shelf, or all of them: searched, filtered by what stands out, sorted, as a file."""
    depot = chosen_depot(request)
    # What stands out is told of banks in units, so asking for it looks everywhere.
    everywhere = request.GET.get("where") == "all" or bool(request.GET.get("flag"))
    filters = BankFilter(request.GET, banks_listed(depot=depot, shelves_only=not everywhere), request=request)
    sorting = sorting_of(request, COLUMNS, default="bank")
    rows = sorting.apply(filters.qs)
    if kind := export_format(request):
        return _bank_file(kind, rows)
    paging = page_of(request, rows)
    context = {
        "depot": depot,
        "everywhere": everywhere,
        "filters": filters,
        "heads": sorting.heads,
        "sort": request.GET.get("sort", ""),
        "paging": paging,
        "lines": list_lines(paging.rows),
        "links": export_links(request),
    }
    return render_page(request, "readiness/bank_list.html", context, region="readiness/bank_table.html")


def _bank_file(kind: str, rows: Any) -> HttpResponse:
    columns = [
        _("Bank"), _("Kind"), _("Capacity, Ah"), _("Where"), _("Last reading"), _("Loses in 30 days, %"),
        _("Low end, %"), _("High end, %"), _("Published, %"), _("Against its peers"), _("What stands out"),
        _("Worked out for"),
    ]  # fmt: skip
    cells = [
        [
            line.stay.bank.serial,
            line.stay.bank.get_chemistry_display(),
            line.stay.bank.capacity_ah,
            line.stay.unit.tag if line.stay.unit else line.stay.place.name,
            line.stay.read_at.date() if line.stay.read_at else None,
            *(
                None if line.state is None or value is None else round(value, 2)
                for value in (
                    (
                        line.state.own_pct_month,
                        line.state.own_low_pct_month,
                        line.state.own_high_pct_month,
                        line.state.published_pct_month,
                        line.state.peer_ratio,
                    )
                    if line.state
                    else (None,) * 5
                )
            ),
            "; ".join(line.flags),
            line.state.as_of if line.state else None,
        ]
        for line in list_lines(rows)
    ]
    return file_response(name="banks", kind=kind, columns=columns, rows=cells)


@member_required
@require_GET
def bank_show(request: HttpRequest, serial: str) -> HttpResponse:
    bank = access_bank(request, serial)
    page = bank_page(bank, now=timezone.now(), whole_history=request.GET.get("history") == "all")
    about, home = about_bank(bank, page.stay), _home(page.stay)
    may_upkeep = request_rights(request).can("upkeep", home.pk if home else None)
    today = today_at(home)
    system: Any = unit_system(request)
    words = state_words(page.state.reasons) if page.state and not page.on_shelf else []
    told = told_of_bank(bank, page.stay)
    chart = chart_of_bank(page, told, today=today, zone=about.zone)
    context = {
        "bank": bank,
        "page": page,
        "about": about,
        "said": f"{'; '.join(words).capitalize()}." if words else "",
        "pairs": bank_pairs(page, today=today, zone=about.zone, system=system)
        + temperature_pairs(logger_of_bank(bank, now=timezone.now()), system),
        "stays": stay_lines(page, about.zone),
        "blocks": block_lines(page.blocks, about.zone),
        "blocks_before": block_lines(page.blocks_before, about.zone),
        "history": history_lines(
            page.history, zone=about.zone, system=system, may_correct=may_upkeep, back=about.url
        ),
        "changes": change_lines(page.audit, about.zone),
        "chart": chart,
        "card": None if bank.retired_on else card_of(request, bank, page.stay, told),
        "learning": learning_words(told, about.zone) if told else None,
        "flags": flag_lines(told, about.zone) if told else [],
        "unknown": unknown_words(told) if told else [],
        "in_transport": bank_facts_said(bank, page.transport, system),
        "may_upkeep": may_upkeep,
        "write": _links(page) if may_upkeep else [],
    }
    return render_page(request, "readiness/bank_page.html", context)


def _home(stay: BankStay | None) -> Place | None:
    """The depot whose manager keeps the bank."""
    if stay is None:
        return None
    return stay.unit.home if stay.unit else stay.place


def _links(page: BankPage) -> list[tuple[str, str]]:
    names = [("bank-reading-record", _("Reading"))]
    if page.open_charge is None:
        names.append(("bank-charge-start", _("Start a charge")))
    else:
        names.append(("bank-charge-stop", _("End the charge")))
    names.append(("bank-block-in", _("Put a block in")))
    if page.blocks:
        names.append(("bank-block-out", _("Take a block out")))
    return [(reverse(f"readiness:{name}", args=[page.bank.serial]), label) for name, label in names]


def _to_keep(request: HttpRequest, serial: str) -> tuple[BatteryBank, BankStay | None, About]:
    bank = access_bank(request, serial, to="upkeep")
    stay = bank_stay_shown(bank)
    return bank, stay, about_bank(bank, stay)


@member_required
@require_http_methods(["GET", "POST"])
def bank_reading_record(request: HttpRequest, serial: str) -> HttpResponse:
    bank, _stay, about = _to_keep(request, serial)

    def save(form: Any) -> None:
        reading = upkeep.reading_record(actor=person_of(request), **form.values())
        for doubt in reading_doubts(reading):
            messages.warning(request, spoken(doubt))

    return record_answer(
        request,
        about,
        record_forms.ReadingForm(banks=[bank], **record_inputs(request, about)),
        save,
        title=_("Reading"),
        button=_("Save the reading"),
        done=_("The reading is on file."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def bank_charge_start(request: HttpRequest, serial: str) -> HttpResponse:
    bank, stay, about = _to_keep(request, serial)
    if request.method == "GET" and open_charge_of(bank):
        return nothing_to_write(request, about, _("This bank is charging already."))
    return record_answer(
        request,
        about,
        record_forms.ChargeStartForm(banks=[bank], **record_inputs(request, about)),
        lambda form: upkeep.charge_start(actor=person_of(request), place=_home(stay), **form.values()),
        title=_("Start a charge"),
        button=_("It is charging"),
        done=_("The charge is running. End it here when it is done."),
        caution=_(
            "Charging lead-acid and nickel cells gives off hydrogen: air the room, keep flames and sparks away, wear "
            "eye protection. Never charge a lithium bank below 0 °C unless its maker allows it."
        ),
    )


@member_required
@require_http_methods(["GET", "POST"])
def bank_charge_stop(request: HttpRequest, serial: str) -> HttpResponse:
    bank, _stay, about = _to_keep(request, serial)
    charge = open_charge_of(bank)
    if charge is None:
        return nothing_to_write(request, about, _("No charge of this bank is running."))
    return record_answer(
        request,
        about,
        record_forms.ChargeStopForm(charges=[charge], **record_inputs(request, about)),
        lambda form: upkeep.charge_stop(actor=person_of(request), **form.values()),
        title=_("End the charge"),
        button=_("Save the end of the charge"),
        done=_("The charge has ended."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def bank_block_in(request: HttpRequest, serial: str) -> HttpResponse:
    """A block into a place of the bank, in exchange for what is in there; also out of another bank."""
    bank, stay, about = _to_keep(request, serial)
    home = _home(stay)
    inputs = record_inputs(request, about)
    inputs["initial"].pop("block", None)
    form = bank_forms.BlockInForm(
        depots=depots_to_keep(request_rights(request)), home=home.pk if home else None, **inputs
    )

    def save(form: Any) -> None:
        given = form.values()
        _require_block(request, given["block"])
        block_swap(bank=bank, actor=person_of(request), **given)

    return record_answer(
        request,
        about,
        form,
        save,
        title=_("Put a block in"),
        button=_("It is in"),
        done=_("The block is in the bank."),
        caution=_("A bank is always live and heavy: insulated tools, no jewellery, two people or a hoist."),
        known=_blocks_known(bank),
    )


def _require_block(request: HttpRequest, block: BatteryBlock) -> None:
    """Who takes a block from somewhere must keep what is there."""
    here = block_stay_now(block)
    if here is not None:
        require(request, "upkeep", depot_of_bank(here.bank) if here.bank else here.place_id)


def _blocks_known(bank: BatteryBank) -> list[str]:
    serials = [block.serial for block in blocks_in(bank)]
    return [_("In it now: %(blocks)s.") % {"blocks": ", ".join(serials)}] if serials else []


@member_required
@require_http_methods(["GET", "POST"])
def bank_block_out(request: HttpRequest, serial: str) -> HttpResponse:
    bank, stay, about = _to_keep(request, serial)
    blocks = blocks_in(bank)
    if not blocks and request.method == "GET":
        return nothing_to_write(request, about, _("No block of this bank is on file."))
    home = _home(stay)
    if request.method == "POST":
        # A second tap still names the block that went a moment ago: taken out twice is taken out once.
        blocks += list(BatteryBlock.objects.filter(stays__bank=bank).distinct())
    form = bank_forms.BlockOutForm(
        blocks=blocks,
        depots=depots_to_keep(request_rights(request)),
        home=home.pk if home else None,
        **record_inputs(request, about),
    )

    def save(form: Any) -> None:
        given = form.values()
        _require_block(request, given["block"])
        block_move(actor=person_of(request), out_of=bank, **given)

    return record_answer(
        request,
        about,
        form,
        save,
        title=_("Take a block out"),
        button=_("It is out"),
        done=_("The block lies on the shelf."),
        caution=_("A bank is always live and heavy: insulated tools, no jewellery, two people or a hoist."),
    )
