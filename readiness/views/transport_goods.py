"""The list of goods of a unit, and what is written down on it: a line, a look at one, the word that it is complete."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods

from fleet.models import BankStay, BatteryBank, Unit
from fleet.permissions import access_unit, member_required, request_rights
from fleet.web.days import day_words, moment_words
from fleet.web.goods_words import fact_words, told_words
from fleet.web.page import render_page
from fleet.web.site import person_of
from inventory.models import GoodsCheck, GoodsKind, GoodsLine
from inventory.selectors.goods import goods_names
from inventory.services.goods import ListChanged, goods_check_record, goods_line_add, goods_list_confirm
from readiness.forms.transport_goods import LINE_KINDS, GoodsCheckForm, GoodsConfirmForm, GoodsLineForm
from readiness.selectors.goods_list import GoodsPage, GoodsRow, Look, goods_page
from readiness.web.record_pages import (
    About,
    about_unit,
    nothing_to_write,
    record_answer,
    record_inputs,
    rights_here,
)
from readiness.web.transport_asks import Ask, asks_of

BANK_LOOKS = tuple(
    kind for kind in GoodsCheck.Kind.values if kind not in (GoodsCheck.Kind.TANK, GoodsCheck.Kind.CHARGE)
)
LINE_LOOKS = {
    GoodsKind.BATTERY: (*BANK_LOOKS, GoodsCheck.Kind.CHARGE),
    GoodsKind.ENGINE: (GoodsCheck.Kind.TANK,),
}
SOURCES = {
    "bank": gettext_lazy("battery bank of the unit"),
    "item": gettext_lazy("aboard, fitted or in the kit"),
    "line": gettext_lazy("own line of this list"),
}


@dataclass(frozen=True)
class LookWords:
    """A look in words; `wanting`: not looked at, too long ago, or something harmful was found."""

    title: str
    answer: str
    detail: str
    wanting: bool


@dataclass(frozen=True)
class LineWords:
    """One line of the list in words; urls are empty where this person may not, or where there is nothing to do."""

    label: str
    kind: str
    known: list[tuple[str, str]]
    missing: tuple[Ask, ...]
    looks: list[LookWords]
    check_url: str
    strike_url: str
    at_hand: str


@member_required
@require_GET
def unit_goods_show(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag)
    page = goods_page(unit, now=timezone.now())
    may_upkeep = request_rights(request).can("upkeep", unit.home_id)
    context = {
        "unit": unit,
        "about": about_unit(unit),
        "word": _word(page),
        "outcome": "pass" if page.word.confirmed else "cannot_decide",
        "lines": [_line_words(row, unit, may_upkeep) for row in page.rows],
        "may_upkeep": may_upkeep,
        "may": rights_here(request, unit),
        "empty_title": _("Nothing is on the list."),
        "empty_sentence": _("No bank, no item and no line of its own: put on it what is aboard."),
    }
    return render_page(request, "readiness/transport_goods.html", context)


@member_required
@require_http_methods(["GET", "POST"])
def unit_goods_line_add(request: HttpRequest, tag: str) -> HttpResponse:
    """Which kind it is comes first: the facts asked for are those of the kind."""
    unit = access_unit(request, tag, to="upkeep")
    kind = request.POST.get("kind") or request.GET.get("kind") or ""
    if kind not in dict(LINE_KINDS):
        context = {"unit": unit, "kinds": LINE_KINDS, "list_url": _list_url(unit)}
        status = 422 if request.method == "POST" else 200
        return render_page(request, "readiness/transport_goods_kind.html", context, status=status)
    about = _about(unit)
    return record_answer(
        request,
        about,
        GoodsLineForm(goods_kind=kind, **record_inputs(request, about)),
        lambda form: goods_line_add(unit=unit, actor=person_of(request), **form.values()),
        title=_("On the list of goods: %(kind)s") % {"kind": dict(LINE_KINDS)[kind]},
        button=_("Put it on the list"),
        done=_("It is on the list. Look at what the list still asks for, and confirm the list anew."),
        known=[_("Leave empty what you do not know: it is never assumed.")],
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_goods_check_record(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    about = _about(unit)
    subject = _subject(unit, request.POST.get("about") or request.GET.get("about") or "")
    if subject is None:
        sentence = _(
            "Choose in the list of goods what you looked at: a battery bank, a battery or an engine."
        )
        return nothing_to_write(request, about, sentence)
    key, label, kinds, given = subject
    inputs = record_inputs(request, about)
    inputs["initial"] |= {"about": key}
    return record_answer(
        request,
        about,
        GoodsCheckForm(kinds=kinds, **inputs),
        lambda form: goods_check_record(unit=unit, actor=person_of(request), **given, **form.values()),
        title=_("Looked at: %(what)s") % {"what": label},
        button=_("Save what was found"),
        done=_("What was found is on file with its date; how the unit may travel is being judged again."),
        caution=_("A damaged battery is not touched or moved before who answers for it has said how."),
    )


@member_required
@require_http_methods(["GET", "POST"])
def unit_goods_list_confirm(request: HttpRequest, tag: str) -> HttpResponse:
    unit = access_unit(request, tag, to="upkeep")
    about = _about(unit)
    page = goods_page(unit, now=timezone.now())
    form = GoodsConfirmForm(keys=page.keys, **record_inputs(request, about))

    def save(form: Any) -> None:
        try:
            goods_list_confirm(unit=unit, actor=person_of(request), **form.values())
        except ListChanged:
            form.see_again()
            raise

    return record_answer(
        request,
        about,
        form,
        save,
        title=_("Confirm the list of goods"),
        button=_("Confirm the list"),
        done=_("The list is confirmed."),
        known=[row.label for row in page.rows] or [_("No line is on the list.")],
    )


def _list_url(unit: Unit) -> str:
    return reverse("readiness:unit-goods-show", args=[unit.tag])


def _about(unit: Unit) -> About:
    """Forms of the list lead back to it."""
    about = about_unit(unit)
    return About(about.label, _list_url(unit), about.words, about.zone)


def _subject(unit: Unit, key: str) -> tuple[str, str, tuple[str, ...], dict[str, Any]] | None:
    """What a check is about: its key, its name, the kinds that fit, the argument of the service. None: nothing here."""
    kind, _colon, name = key.partition(":")
    if kind == "bank":
        stay = BankStay.objects.current().filter(unit=unit, bank__serial=name).select_related("bank").first()
        bank: BatteryBank | None = stay.bank if stay else None
        return (key, bank.serial, BANK_LOOKS, {"bank": bank}) if bank else None
    if kind == "line" and name.isdecimal() and len(name) < 16:
        line = GoodsLine.objects.counting().filter(unit=unit, pk=int(name)).first()
        looks = LINE_LOOKS.get(GoodsKind(line.kind)) if line else None
        return (key, line.label, looks, {"line": line}) if line and looks else None
    return None


def _word(page: GoodsPage) -> str:
    """Who said when that the list is complete, and why that counts no longer."""
    word = page.word
    if word.on is None:
        return _(
            "Nobody has said that this list is complete. Until then the transport class cannot be decided."
        )
    told = _("Said to be complete by %(who)s on %(day)s.") % {
        "who": word.by or _("the system"),
        "day": day_words(word.on),
    }
    if word.gone:
        names = goods_names(word.gone)
        why = ngettext(
            "It counts no longer: a line is gone, %(what)s.",
            "It counts no longer: lines are gone, %(what)s.",
            len(names),
        ) % {"what": ", ".join(f"'{name}'" for name in names.values())}
    elif word.confirmed:
        why = _("It counts through %(day)s.") % {"day": day_words(page.through)}
    else:
        why = _("It counted through %(day)s.") % {"day": day_words(page.through)}
    return f"{told} {why}"


def _line_words(row: GoodsRow, unit: Unit, may_upkeep: bool) -> LineWords:
    source, _colon, name = row.key.partition(":")
    looked_at = source == "bank" or (source == "line" and row.kind in LINE_LOOKS)
    check = reverse("readiness:unit-goods-check-record", args=[unit.tag])
    strike = reverse("readiness:record-strike", args=["goods-line", int(name)]) if source == "line" else ""
    missing = asks_of(unit.tag, row.key, row.missing, unsaid=not row.kind, back="unit-goods-show")
    return LineWords(
        row.label,
        str(GoodsKind(row.kind).label) if row.kind else "",
        [(fact_words(fact), told_words(fact, value)) for fact, value in row.known.items()],
        missing,
        [_look_words(look, unit) for look in row.looks],
        f"{check}?{urlencode({'about': row.key})}" if may_upkeep and looked_at else "",
        f"{strike}?{urlencode({'next': _list_url(unit)})}" if may_upkeep and strike else "",
        str(SOURCES[source]),
    )


def _look_words(look: Look, unit: Unit) -> LookWords:
    title = str(GoodsCheck.Kind(look.kind).label)
    if look.check is None:
        return LookWords(title, _("not looked at"), "", True)
    if look.through is None:
        counts = _("counts until somebody finds otherwise")
    else:
        words = _("counts through %(day)s") if look.fresh else _("counted through %(day)s: look again")
        counts = words % {"day": day_words(look.through)}
    when = moment_words(look.check.happened_at, unit.home.time_zone)
    parts = [when, str(look.check.recorded_by or ""), counts]
    wanting = not look.fresh or look.through is None
    answer = str(look.check.get_answer_display())
    if look.check.soc_pct is not None:
        answer = f"{told_words('soc_pct', look.check.soc_pct)} %, {answer}"
    return LookWords(title, answer, ", ".join(filter(None, parts)), wanting)
