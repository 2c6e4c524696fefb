"""What every page that writes one record down shares: show the form, save it, or say what a rule refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _

from fleet.lib.errors import DomainError
from fleet.models import BankStay, BatteryBank, Unit
from fleet.permissions import request_rights
from fleet.services.versions import Conflict
from fleet.web.edited import EditedForm, ShownConflict
from fleet.web.page import redirect_to, render_page, safe_next
from fleet.web.site import unit_system
from fleet.web.words import spoken

Save = Callable[[Any], object]

# What a link may tell a form beforehand: things by their key, and words of a choice.
KNOWN_KEYS = ("bank", "type", "fault", "task", "block")
KNOWN_WORDS = ("kind",)
KNOWN_TEXTS = ("position",)


@dataclass(frozen=True)
class About:
    """What a form is about: its name, its page, what it is and where, and the time zone in which moments are typed."""

    label: str
    url: str
    words: str
    zone: str


def about_unit(unit: Unit) -> About:
    return About(unit.tag, _unit_page(unit), f"{unit.design.name}, {unit.home.name}", unit.home.time_zone)


def about_bank(bank: BatteryBank, stay: BankStay | None) -> About:
    """`stay`: where it is, or was last."""
    where = stay.place or stay.unit if stay else None
    home = stay.unit.home if stay and stay.unit else stay.place if stay else None
    words = f"{bank.get_chemistry_display()}{f', {where}' if where else ''}"
    url = reverse("readiness:bank-show", args=[bank.serial])
    return About(bank.serial, url, words, home.time_zone if home else "UTC")


def rights_here(request: HttpRequest, unit: Unit) -> frozenset[str]:
    """What this person may write down about a unit, and about the items that lie in it: those belong to every depot."""
    rights = request_rights(request)
    may = {"view"} | {right for right in ("upkeep",) if rights.can(right, unit.home_id)}
    return frozenset(may | ({"stock"} if rights.can("stock") else set()))


def record_answer(
    request: HttpRequest,
    subject: Unit | About,
    form: forms.Form,
    save: Save,
    *,
    title: str,
    button: str,
    done: str,
    caution: str = "",
    known: Sequence[str] = (),
    beneath: str = "",
    more: Mapping[str, Any] | None = None,
) -> HttpResponse:
    """Shows the form, or saves it; what a rule refuses stands above the form, which keeps what was typed.

    `known`: sentences about what is on file, above the form. `beneath`: a template shown below it, with what `more`
    holds. A form that edits a row (`EditedForm`) shows both versions when somebody else saved in between.
    """
    if request.method == "POST" and form.is_valid():
        try:
            save(form)
        except DomainError as error:
            if isinstance(error, Conflict) and isinstance(form, EditedForm):
                return record_form(
                    request,
                    subject,
                    form,
                    title=title,
                    button=_("Save mine over theirs"),
                    status=409,
                    conflict=form.over_theirs(error),
                    beneath=beneath,
                    more=more,
                )
            about_file = error.key.startswith("file.") and "file" in form.fields
            form.add_error("file" if about_file else None, spoken(error))
        else:
            messages.success(request, done)
            return redirect_to(request, safe_next(request, _about(subject).url))
    status = 422 if request.method == "POST" else 200
    return record_form(
        request,
        subject,
        form,
        title=title,
        button=button,
        caution=caution,
        known=known,
        status=status,
        beneath=beneath,
        more=more,
    )


def record_form(
    request: HttpRequest,
    subject: Unit | About,
    form: forms.Form,
    *,
    title: str,
    button: str,
    caution: str = "",
    known: Sequence[str] = (),
    status: int = 200,
    conflict: ShownConflict | None = None,
    beneath: str = "",
    more: Mapping[str, Any] | None = None,
) -> HttpResponse:
    about = _about(subject)
    context = {
        **(more or {}),
        "beneath": beneath,
        "conflict": conflict,
        "about": about,
        "leave_url": about.url,
        "form": form,
        "title": title,
        "button": button,
        "caution": caution,
        "known": known,
        "next": request.POST.get("next") or request.GET.get("next") or "",
    }
    return render_page(
        request, "readiness/record_page.html", context, region="readiness/record_form.html", status=status
    )


def record_inputs(request: HttpRequest, subject: Unit | About) -> dict[str, Any]:
    """What every record form is made from: what was sent, what the link knew, the depot's time, the person's units."""
    about = {name: request.GET[name] for name in KNOWN_KEYS if request.GET.get(name, "").isdigit()}
    about |= {name: request.GET[name] for name in KNOWN_WORDS if request.GET.get(name, "").isidentifier()}
    about |= {name: request.GET[name] for name in KNOWN_TEXTS if 0 < len(request.GET.get(name, "")) <= 60}
    return {
        "data": request.POST or None,
        "initial": about,
        "zone": _about(subject).zone,
        "system": unit_system(request),
    }


def nothing_to_write(request: HttpRequest, subject: Unit | About, sentence: str) -> HttpResponse:
    """Back to the unit or bank, with the reason why there is no form."""
    messages.warning(request, sentence)
    return redirect_to(request, _about(subject).url)


def no_bank(request: HttpRequest, unit: Unit) -> HttpResponse:
    return nothing_to_write(request, unit, _("No battery bank is on file in this unit. Move one in first."))


def _about(subject: Unit | About) -> About:
    return about_unit(subject) if isinstance(subject, Unit) else subject


def _unit_page(unit: Unit) -> str:
    return reverse("readiness:unit-show", args=[unit.tag])
