"""Pages that write down what changes about a unit between missions: water, connection, papers, body, bank, work."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import SupplyState, Unit, Weighing
from fleet.permissions import access_unit, member_required, request_rights
from fleet.services.banks import bank_move, bank_swap
from fleet.services.documents import unit_document_add, unit_weighing_add
from fleet.services.units import modification_record, wet_state_record
from fleet.services.versions import Conflict
from fleet.web.days import day_words
from fleet.web.limits import need_words
from fleet.web.site import person_of, unit_system
from inventory.services.parts import part_find
from readiness.forms import unit_life as life_forms
from readiness.forms.parts import PartFoundForm
from readiness.models import Task
from readiness.selectors.pages_unit import bank_views, part_stock
from readiness.selectors.unit_life import banks_on_shelf, certificates_voided, depots_to_keep, positions_empty
from readiness.services import upkeep
from readiness.web.record_pages import no_bank, nothing_to_write, record_answer, record_form, record_inputs


@member_required
@require_http_methods(["GET", "POST"])
def unit_wet_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    return record_answer(
        request,
        unit,
        life_forms.WetStateForm(**record_inputs(request, unit)),
        lambda form: wet_state_record(unit=unit, actor=person_of(request), **form.values()),
        title=_("Wet or dry"),
        button=_("Save the water side"),
        done=_("The state of the water side is on file; frost and standing water are being judged again."),
        caution=_(
            "Dry means drained at every low point, filter housings and pumps too: what is left freezes first. "
            "Flush a preserved train before anyone drinks from it."
        ),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_connection_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    views = bank_views(unit)
    if not views:
        return no_bank(request, unit)
    form = life_forms.ConnectionForm(banks=[view.bank for view in views], **record_inputs(request, unit))
    known = [
        _("%(bank)s on file: %(kind)s.") % {"bank": view.bank.serial, "kind": view.supply.get_kind_display()}
        for view in views
        if view.supply
    ]
    return record_answer(
        request,
        unit,
        form,
        lambda form: _connect(request, form),
        title=_("Connection"),
        button=_("Save the connection"),
        done=_("The connection is on file; the charge state is being worked out again."),
        known=known,
    )


def _connect(request: HttpRequest, form: Any) -> None:
    try:
        row = upkeep.connection_record(actor=person_of(request), **form.values())
    except Conflict:
        for bank in form.banks.values():
            bank.refresh_from_db()
        form.see_again()
        raise
    drawing = row.kind != SupplyState.Kind.ISOLATED
    row.bank.refresh_from_db(fields=["standby_ma"])
    if drawing and row.bank.standby_ma is None:
        messages.warning(
            request,
            _(
                "What its standby loads draw is not known, so its charge state cannot be foretold. Measure it."
            ),
        )


@member_required
@require_http_methods(["GET", "POST"])
def unit_certificate_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    form = life_forms.CertificateForm(files=request.FILES or None, **record_inputs(request, unit))

    def save(form: Any) -> None:
        given = form.cleaned_data
        unit_document_add(
            unit=unit,
            upload=given["file"],
            certificate=form.certificate(),
            token=given["token"],
            actor=person_of(request),
        )

    return record_answer(
        request,
        unit,
        form,
        save,
        title=_("Certificate"),
        button=_("Save the certificate"),
        done=_("The certificate is on file."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_bank_test_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    banks = [view.bank for view in bank_views(unit)]
    if not banks:
        return no_bank(request, unit)

    def save(form: Any) -> None:
        test = upkeep.bank_test_record(actor=person_of(request), **form.values())
        if test.capacity_ah is not None:
            share = round(100 * test.capacity_ah / test.bank.capacity_ah)
            messages.info(request, _("That is %(share)s %% of the rated capacity.") % {"share": share})

    return record_answer(
        request,
        unit,
        life_forms.BankTestForm(banks=banks, **record_inputs(request, unit)),
        save,
        title=_("Bank test"),
        button=_("Save the test"),
        done=_("The test is on file; the charge state is being worked out again."),
        caution=_(
            "A capacity test leaves the bank discharged: charge it at once. A bank is always live: insulated tools, no "
            "jewellery, eye protection."
        ),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_weighing_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    if not unit.design.packed_forms.exists():
        return nothing_to_write(request, unit, _("Its design has no packed form on file to be weighed in."))

    def save(form: Any) -> None:
        try:
            unit_weighing_add(unit=unit, actor=person_of(request), **form.values())
        except DomainError as error:
            if error.key == "weighing.implausible":
                form.ask()
            raise

    return record_answer(
        request,
        unit,
        life_forms.WeighingForm(unit=unit, files=request.FILES or None, **record_inputs(request, unit)),
        save,
        title=_("Weighing"),
        button=_("Save the weight"),
        done=_("The weight is on file."),
        caution=_("Nobody stands under or beside a hanging load."),
        known=_weighed_before(unit, unit_system(request)),
    )


def _weighed_before(unit: Unit, system: Any) -> list[str]:
    """The latest weighing of each form, so that a slip is seen at once. One query."""
    latest: dict[int, Weighing] = {}
    for row in (
        Weighing.objects.counting().filter(unit=unit).select_related("packed_form").order_by("happened_at")
    ):
        latest[row.packed_form_id] = row
    return [
        _("On file: %(form)s %(mass)s, weighed %(day)s.")
        % {
            "form": row.packed_form.code,
            "mass": need_words(row.mass_kg, "kg", system),
            "day": day_words(row.happened_at.astimezone(find_zone(unit.home.time_zone)).date()),
        }
        for row in latest.values()
    ]


@member_required
@require_http_methods(["GET", "POST"])
def unit_modification_record(request: HttpRequest, tag: str) -> HttpResponse:
    """A change that voids certificates is shown with them first; it is saved when they were seen."""
    unit = access_unit(request, tag, to="upkeep")
    form = life_forms.ModificationForm(**record_inputs(request, unit))
    words = {"title": _("Modification, repair or drop"), "button": _("Save the change")}
    if request.method == "POST" and form.is_valid():
        question = _voids(unit, form)
        if question:
            words["button"] = _("Save it: they are void")
            return record_form(
                request, unit, form, known=question, title=words["title"], button=words["button"]
            )
    return record_answer(
        request,
        unit,
        form,
        lambda form: modification_record(unit=unit, actor=person_of(request), **form.values()),
        done=_("The change is on file; what it touches must be shown again."),
        title=words["title"],
        button=words["button"],
    )


def _voids(unit: Unit, form: life_forms.ModificationForm) -> list[str]:
    """What the person must have seen before saving: the certificates that end with this change, if there are any new."""
    moment = form.cleaned_data["happened_at"]
    day = moment.astimezone(find_zone(unit.home.time_zone)).date()
    voided = certificates_voided(unit, form.touched(), day)
    seen = ",".join(str(each.pk) for each in voided)
    if seen == form.cleaned_data["seen"]:
        return []
    form.show(seen)
    head = ngettext(
        "Not saved yet. This certificate is void with this change, until it is issued again:",
        "Not saved yet. These certificates are void with this change, until they are issued again:",
        len(voided),
    )
    lines = [f"{each.get_kind_display()}{f' ({each.number})' if each.number else ''}" for each in voided]
    return (
        [f"{head} {'; '.join(lines)}."] if voided else [_("Not saved yet. No certificate is void by it now.")]
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_bank_swap(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    depots = depots_to_keep(request_rights(request))
    stays = banks_on_shelf(depots)
    here = bank_views(unit)
    # A bank that went in a moment ago is not on the shelf any more, but a second tap still names it.
    shelf = {stay.bank_id: life_forms.shelf_words(stay) for stay in stays}
    if request.method == "POST":
        shelf |= {view.bank.pk: view.bank.serial for view in here}
    if not shelf:
        return nothing_to_write(
            request,
            unit,
            _("No bank lies on a shelf of your depots. To take one from another unit, see 'Parts aboard'."),
        )
    inputs = record_inputs(request, unit)
    if here:
        inputs["initial"]["position"] = here[0].position
    inputs["initial"].pop("bank", None)
    known = [
        _("In '%(position)s' now: %(bank)s, %(kind)s.")
        % {"position": view.position, "bank": view.bank.serial, "kind": view.bank.get_chemistry_display()}
        for view in here
    ]
    return record_answer(
        request,
        unit,
        life_forms.BankInForm(unit=unit, shelf=shelf, depots=depots, **inputs),
        lambda form: bank_swap(unit=unit, actor=person_of(request), **form.values()),
        title=_("Put a bank in"),
        button=_("It is in"),
        done=_("The bank is in the unit; the charge state is being worked out again."),
        caution=_("A bank is always live and heavy: insulated tools, no jewellery, two people or a hoist."),
        known=known,
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_bank_remove(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    banks = [view.bank for view in bank_views(unit)]
    if not banks:
        return no_bank(request, unit)
    depots = depots_to_keep(request_rights(request))
    return record_answer(
        request,
        unit,
        life_forms.BankOutForm(unit=unit, banks=banks, depots=depots, **record_inputs(request, unit)),
        lambda form: bank_move(actor=person_of(request), **form.values()),
        title=_("Take a bank out"),
        button=_("It is out"),
        done=_("The bank lies on the shelf; the unit is being judged again."),
        caution=_("A bank is always live and heavy: insulated tools, no jewellery, two people or a hoist."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_part_find(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    empty, lots = positions_empty(unit)
    if request.method == "POST":
        # A second tap still names the position that was filled a moment ago.
        stock = part_stock(unit)
        empty = stock["bill"]
        lots = [*lots, *(part.lot for part in stock["fitted"])]
    if not empty:
        return nothing_to_write(request, unit, _("Every position of this unit has its part on file."))
    if not lots:
        return nothing_to_write(
            request, unit, _("No lot of what belongs there is on file. Write it down under Stores, Receive.")
        )
    return record_answer(
        request,
        unit,
        PartFoundForm(empty=empty, lots=lots, **record_inputs(request, unit)),
        lambda form: part_find(unit=unit, actor=person_of(request), **form.values()),
        title=_("A part was found"),
        button=_("It is in there"),
        done=_("The part is in its position; the ledger counts one more aboard."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_task_add(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    person = person_of(request)

    def save(form: Any) -> None:
        taken_by = person if form.cleaned_data["mine"] else None
        upkeep.task_add(unit=unit, actor=person, taken_by=taken_by, **form.values())

    return record_answer(
        request,
        unit,
        life_forms.TaskForm(**record_inputs(request, unit)),
        save,
        title=_("Work to do"),
        button=_("Write it down"),
        done=_("The work is written down."),
    )


def _task_form(request: HttpRequest, unit: Unit, offered: list[Task]) -> life_forms.TaskChoiceForm:
    return life_forms.TaskChoiceForm(unit=unit, offered=offered, **record_inputs(request, unit))


@member_required
@require_http_methods(["GET", "POST"])
def unit_task_take(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    open_tasks = list(unit.tasks.filter(state=Task.State.OPEN))
    if not open_tasks and request.method == "GET":
        return nothing_to_write(request, unit, _("No work is written down for this unit."))
    return record_answer(
        request,
        unit,
        _task_form(request, unit, [task for task in open_tasks if task.taken_by_id is None] or open_tasks),
        lambda form: upkeep.task_take(task=form.cleaned_data["task"], actor=person_of(request)),
        title=_("Take work"),
        button=_("I take it"),
        done=_("It is yours."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_task_done(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    open_tasks = list(unit.tasks.filter(state=Task.State.OPEN))
    if not open_tasks and request.method == "GET":
        return nothing_to_write(request, unit, _("No work is written down for this unit."))
    return record_answer(
        request,
        unit,
        _task_form(request, unit, open_tasks),
        lambda form: upkeep.task_done(
            task=form.cleaned_data["task"], actor=person_of(request), now=timezone.now()
        ),
        title=_("Work done"),
        button=_("It is done"),
        done=_("The work is done."),
    )
