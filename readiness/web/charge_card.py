"""One charge of one bank in words: for its page, the page of its unit, the printed card and the PDF alike."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _l

from fleet.lib.quantities import System, format_quantity
from fleet.models import BatteryBank
from fleet.web.days import moment_words
from readiness.domain.charge_card import ChargeCard, ChargeQuestion, charge_card
from readiness.domain.charge_checks import ChargeCheck
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.chemistry import chemistry
from readiness.selectors.bank_charging import ChargeFacts, charge_question
from readiness.selectors.pages_charge import BankTold
from readiness.sentences import unstated_words
from readiness.web.unit_parts import Pair

OUTCOMES = {CheckOutcome.PASS: "pass", CheckOutcome.FAIL: "fail", CheckOutcome.CANNOT_DECIDE: "cannot_decide"}
FORBIDS: dict[str, Any] = {
    "may_be_frozen": _l("its acid may be frozen: warm it through and look for bulges and leaks first"),
    "too_cold": _l("it is too cold for its chemistry: warm it first"),
    "too_hot": _l("it is too hot: let it cool, and find out why it is"),
    "damaged": _l("it is damaged, recalled or may react: keep it apart, outdoors, and ask its maker"),
    "deeply_discharged": _l(
        "it was run flat: a lithium cell under 2.0 V is not charged again, it is discarded"
    ),
}
FACTS: dict[str, Any] = {
    "temp_c": _l("the temperature of the battery"),
    "cell_temp_c": _l("the temperature of the battery"),
    "low_soc": _l("its charge state"),
    "condition": _l("a look at its condition"),
    "rest_v_cell": _l("a rest voltage"),
    "charger_a": _l("the current of its charger"),
    "charger_v": _l("the absorption voltage its charger is set to"),
    "start_kw": _l("the power of its charger (its current is not on file)"),
    "volts": _l("the voltage of the circuit"),
    "pf": _l("the power factor of the charger"),
    "breaker_a": _l("the rating of the breaker"),
    "inlet_cm2": _l("the free opening low down in the room"),
    "outlet_cm2": _l("the free opening high up in the room"),
    "free_volume_m3": _l("the free volume of the room"),
    "fan_interlocked": _l("whether the charger stops with the fan"),
    "temp_high_c": _l("how warm the room gets"),
    "i_gas_ma_ah": _l("the gas current its maker states"),
}
ROOM_BOX = {"volts": "circuit_v", "pf": "power_factor"}
ROOM = frozenset(
    {
        "volts",
        "pf",
        "breaker_a",
        "inlet_cm2",
        "outlet_cm2",
        "free_volume_m3",
        "fan_interlocked",
        "temp_high_c",
    }
)
CHARGER = {
    "charger_a": "charger_a",
    "charger_v": "charger_v",
    "start_kw": "charger_a",
    "i_gas_ma_ah": "gas_ma_ah",
}
CHECKS: dict[str, Any] = {
    "charger_current": _l("Charger gives no more than the bank may get"),
    "charger_voltage": _l("Charger is set no higher than the bank may get"),
    "circuit_load": _l("Circuit and breaker"),
    "gas_none": _l("Air"),
    "room_temp": _l("Room no warmer than the table of gas currents holds"),
    "fan_flow": _l("Fan moves enough air"),
    "fan_interlocked": _l("No charge without the fan"),
    "inlet_area": _l("Opening low down"),
    "outlet_area": _l("Opening high up"),
    "free_volume": _l("Free volume of the room"),
}
EQUALISE: dict[str, Any] = {
    "never": _l("never: it would ruin this chemistry"),
    "maker_only": _l("only where its maker says so"),
    "yes": _l("when cells lie over 0.025 apart in specific gravity"),
}
WHENCE: dict[str, Any] = {
    "read": _l("as read, give or take 3 K"),
    "logged": _l("as logged today"),
    "climate": _l("by the climate of its place: measure it before you charge"),
}
DECIDES = _l("Decision support only: the manual of its maker for this model and the local code come first.")


@dataclass(frozen=True)
class MissingFact:
    """A fact that is not on file; `url` where it is written down, '' where no page takes it."""

    words: str
    url: str


@dataclass(frozen=True)
class CheckWords:
    name: str
    outcome: str
    words: str
    missing: tuple[MissingFact, ...]


@dataclass(frozen=True)
class CardGroup:
    title: str
    pairs: tuple[Pair, ...]
    checks: tuple[CheckWords, ...]
    source: str


@dataclass(frozen=True)
class CardWords:
    """`outcome` whether the bank may be charged now, `verdict` in a sentence, `missing` what is to be found out first."""

    serial: str
    about: str
    where: str
    outcome: str
    verdict: str
    missing: tuple[MissingFact, ...]
    groups: tuple[CardGroup, ...]
    cautions: tuple[str, ...]
    decides: str
    card_url: str
    charger_url: str
    room_url: str


def card_words(
    facts: ChargeFacts, told: BankTold | None, *, unit_tag: str, system: System, may_upkeep: bool = True
) -> CardWords:
    """`unit_tag`: the unit the bank is in, '' on a shelf. Links to entry only for who may write there."""
    question = charge_question(facts, told)
    card = charge_card(question)
    links = _Links(facts, unit_tag, may_upkeep)
    return CardWords(
        serial=facts.bank.serial,
        about=_about(facts.bank, question, system),
        where=unit_tag or _("on a shelf"),
        outcome=OUTCOMES[card.outcome],
        verdict=_verdict(card),
        missing=links.of(card.unknown),
        groups=(
            _settings(card, question, told, links, system),
            _hours(card, question, links),
            _supply(card, links, system),
            _air(card, links, system),
        ),
        cautions=cautions_of(facts.bank),
        decides=str(DECIDES),
        card_url=reverse("readiness:bank-charge-card", args=[facts.bank.serial]),
        charger_url=links.charger("") if may_upkeep else "",
        room_url=links.room("") if may_upkeep else "",
    )


class _Links:
    """Where a missing fact is written down, with the way back."""

    def __init__(self, facts: ChargeFacts, unit_tag: str, may_upkeep: bool) -> None:
        self.bank, self.depot, self.tag, self.may = facts.bank, facts.depot, unit_tag, may_upkeep
        self.back = reverse("readiness:bank-show", args=[facts.bank.serial])

    def of(self, names: Iterable[str]) -> tuple[MissingFact, ...]:
        wanted: dict[str, MissingFact] = {}
        for name in names:
            words = str(FACTS.get(name, name))
            wanted.setdefault(words, MissingFact(words, self._url(name) if self.may else ""))
        return tuple(wanted.values())

    def _url(self, name: str) -> str:
        if name in CHARGER:
            return self.charger(CHARGER[name])
        if name in ROOM:
            return self.room(ROOM_BOX.get(name, name))
        if name == "condition":
            if not self.tag:
                return ""
            asked = urlencode({"about": f"bank:{self.bank.serial}", "next": self.back})
            return f"{reverse('readiness:unit-goods-check-record', args=[self.tag])}?{asked}"
        return reverse("readiness:bank-reading-record", args=[self.bank.serial])

    def charger(self, box: str) -> str:
        url = reverse("readiness:bank-charger-edit", args=[self.bank.serial])
        return f"{url}?{urlencode({'fact': box})}#id_{box}" if box else url

    def room(self, box: str) -> str:
        if self.depot is None:
            return ""
        asked = {"next": self.back, **({"fact": box} if box else {})}
        url = f"{reverse('readiness:charging-room-edit', args=[self.depot.code])}?{urlencode(asked)}"
        return f"{url}#id_{box}" if box else url


def _about(bank: BatteryBank, question: ChargeQuestion, system: System) -> str:
    return _("%(chemistry)s, %(capacity)s, %(cells)d cells in series") % {
        "chemistry": bank.get_chemistry_display(),
        "capacity": format_quantity(question.capacity_ah, "ah", system),
        "cells": bank.cells_in_series,
    }


def _verdict(card: ChargeCard) -> str:
    if card.forbidden:
        why = "; ".join(str(FORBIDS[key]) for key in card.forbidden)
        return _("Must not be charged now: %(why)s.") % {"why": why}
    if card.unknown:
        names = dict.fromkeys(str(FACTS.get(name, name)) for name in card.unknown)
        return _("Cannot decide whether it may be charged now: %(what)s missing.") % {
            "what": ", ".join(names)
        }
    return _("Nothing on file forbids charging it now.")


def _number(value: float | None, unit: str, places: int = 1) -> str:
    return "" if value is None else f"{value:.{places}f} {unit}"


def _check(check: ChargeCheck, links: _Links) -> CheckWords:
    missing = links.of(name.partition(":")[0] for name in check.missing)
    said = _limit_words(check)
    if check.outcome == CheckOutcome.CANNOT_DECIDE:
        lacking = ", ".join(each.words for each in missing)
        cannot = _("Cannot decide: %(what)s missing.") % {"what": lacking} if lacking else _("Cannot decide.")
        said = f"{cannot} {said}".strip()
    return CheckWords(str(CHECKS.get(check.key, check.key)), OUTCOMES[check.outcome], said, missing)


def _limit_words(check: ChargeCheck) -> str:
    unit = {"cm2": "cm²", "m3": "m³", "m3/h": "m³/h"}.get(check.unit, check.unit)
    if check.key == "gas_none":
        return _("This chemistry gives off no gas when it is charged as it should be.")
    least = check.key in ("fan_flow", "inlet_area", "outlet_area", "free_volume")
    if check.limit is None or (least and not check.limit > 0 and check.outcome == CheckOutcome.CANNOT_DECIDE):
        return ""  # a need of nothing, while what it rests on is missing, would read as none
    limit = f"{check.limit:.1f} {unit}"
    if check.value is None:
        return (
            _("At least %(limit)s is needed.") % {"limit": limit}
            if least
            else _("At most %(limit)s.") % {"limit": limit}
        )
    facts = {"value": f"{check.value:.1f} {unit}", "limit": limit}
    if least:
        return _("%(value)s, at least %(limit)s is needed.") % facts
    return _("%(value)s, at most %(limit)s.") % facts


def _settings(
    card: ChargeCard, question: ChargeQuestion, told: BankTold | None, links: _Links, system: System
) -> CardGroup:
    settings = card.settings
    pairs = [_temp_pair(question, told, system)]
    if settings.by_current:
        pairs.append(Pair(_("Ends by"), _("current, temperature or timer, not by a voltage")))
    else:
        note = []
        if settings.absorb_25c_v is not None and settings.comp_mv_k:
            note.append(
                _("a charger that compensates by itself is set to %(v)s at 25 °C and %(c)s")
                % {"v": _number(settings.absorb_25c_v, "V", 2), "c": _number(settings.comp_mv_k, "mV/K", 0)}
            )
        if settings.clamped:
            note.append(_("beyond 0 to 40 °C it is shifted no further"))
        pairs.append(Pair(_("Absorption"), _number(settings.absorb_v, "V", 2), "; ".join(note)))
        pairs.append(Pair(_("Never above"), _number(settings.absorb_max_v, "V", 2)))
        pairs.append(
            Pair(_("Float"), _number(settings.float_v, "V", 2))
            if settings.floats
            else Pair(_("Float"), _("not at all: take it off when it is full"))
        )
        pairs.append(
            Pair(
                _("Compensation"), _number(settings.comp_mv_k, "mV/K", 0) if settings.comp_mv_k else _("none")
            )
        )
    rule = str(EQUALISE[settings.equalise])
    pairs.append(Pair(_("Equalise"), rule, _number(settings.equalise_v, "V", 2)))
    pairs.append(
        Pair(
            _("Current"),
            _("usual %(usual)s, at most %(most)s")
            % {"usual": _number(settings.current_typ_a, "A"), "most": _number(settings.current_max_a, "A")},
        )
    )
    return CardGroup(
        _("Settings"), tuple(pairs), tuple(_check(each, links) for each in settings.checks), settings.source
    )


def _temp_pair(question: ChargeQuestion, told: BankTold | None, system: System) -> Pair:
    temps = told.temps if told else None
    if temps is None:
        return Pair(_("Battery temperature"), "")
    ends = (format_quantity(temps.low_c, "c", system), format_quantity(temps.high_c, "c", system))
    return Pair(
        _("Battery temperature"),
        _("%(low)s to %(high)s") % {"low": ends[0], "high": ends[1]},
        str(WHENCE[temps.whence]),
    )


def _hours(card: ChargeCard, question: ChargeQuestion, links: _Links) -> CardGroup:
    phases = card.phases
    if card.unstated:
        why = "; ".join(unstated_words(card.unstated))
        pairs = [Pair(_("Time to full"), _("Cannot decide: %(why)s.") % {"why": why})]
        return CardGroup(_("Time and energy"), tuple(pairs), (), "")
    part = [
        (_("constant current"), phases.bulk_h),
        (_("tail"), phases.tail_h),
        (_("hold"), phases.hold_h),
        (_("wait up to the shortest time of this chemistry"), phases.wait_h),
    ]
    note = ", ".join(f"{name} {hours:.1f} h" for name, hours in part if hours and hours >= 0.05)
    from_soc = question.low_soc
    pairs = [
        Pair(_("Time to full"), _number(phases.total_h, "h"), note),
        Pair(
            _("Missing now"),
            _number(phases.removed_ah, "Ah", 0),
            _("counted from the low end, %(soc)s %%") % {"soc": f"{100 * from_soc:.0f}"}
            if from_soc is not None
            else "",
        ),
        Pair(_("Energy from the wall"), _number(phases.wall_kwh, "kWh", 2)),
        Pair(
            _("At the start"),
            _number(phases.start_a, "A"),
            _number(phases.start_kw, _("kW from the wall"), 2),
        ),
    ]
    return CardGroup(
        _("Time and energy"),
        tuple(pairs),
        (),
        _(
            "Constant current, constant voltage and hold, fitted to a published recharge chart; charger efficiency 0.85"
        ),
    )


def _supply(card: ChargeCard, links: _Links, system: System) -> CardGroup:
    circuit = card.circuit
    pairs = [
        Pair(
            _("From the wall at most"),
            _number(circuit.start_kw, "kW", 2),
            _("from an empty bank, this charger alone"),
        ),
        Pair(
            _("Start current"),
            _number(circuit.start_a, "A"),
            _("counted as %(counted)s: a load for three hours or more counts at 125 %%")
            % {"counted": _number(circuit.counted_a, "A")}
            if circuit.continuous and circuit.counted_a is not None
            else "",
        ),
        Pair(_("Smallest standard breaker"), _number(circuit.needed_breaker_a, "A", 0)),
    ]
    return CardGroup(
        _("On the supply"),
        tuple(pairs),
        tuple(_check(each, links) for each in circuit.checks),
        circuit.source,
    )


def _air(card: ChargeCard, links: _Links, system: System) -> CardGroup:
    air = card.air
    pairs: list[Pair] = []
    if air.how != "none_needed":
        note = _("this bank alone: all that charge in the room at once add up")
        flow = "" if air.flow_m3_h is None else format_quantity(air.flow_m3_h, "m3_h", system)
        pairs = [
            Pair(_("Airflow"), flow, note),
            Pair(_("Without a fan"), _openings(air.opening_cm2, air.free_volume_m3)),
            Pair(
                _("No spark nearer than"),
                "" if air.distance_mm is None else format_quantity(air.distance_mm, "mm", system),
                _("from the vents"),
            ),
        ]
    return CardGroup(
        _("Air of the room"), tuple(pairs), tuple(_check(each, links) for each in air.checks), air.source
    )


def _openings(opening_cm2: float | None, volume_m3: float | None) -> str:
    if opening_cm2 is None or volume_m3 is None:
        return ""
    return _("an opening of %(cm2)s cm² low down and one high up, %(m3)s m³ of free volume") % {
        "cm2": f"{opening_cm2:.0f}",
        "m3": f"{volume_m3:.1f}",
    }


def cautions_of(bank: BatteryBank) -> tuple[str, ...]:
    """What hurts people at this work, by chemistry."""
    record = chemistry(bank.chemistry)
    lines = [
        _("The manual of the maker for this model comes before every figure here."),
        _("Circuit, breaker and ventilation are the work of a licensed electrician under the local code."),
        _("A bank is always live: isolate, insulated tools, no jewellery, and never work alone."),
    ]
    if record.is_lead or record.is_nickel:
        lines.append(
            _(
                "It gives off hydrogen: air the room, no flame or spark, eye protection; water to rinse close by."
            )
        )
        lines.append(_("Never charge a frozen, swollen, leaking or hot bank."))
    if record.code == "vrla_gel":
        lines.append(_("Never equalise a gel battery: it dries out and cannot be mended."))
    if not (record.is_lead or record.is_nickel):
        lines.append(_("Never charge lithium below 0 °C, and only through its own battery management."))
        lines.append(
            _(
                "Swollen, dropped, soaked or hot: do not charge; keep it outdoors and apart, and call for help."
            )
        )
    return tuple(lines)


def worked_out(now: dt.datetime, zone: str) -> str:
    return _("Worked out %(at)s.") % {"at": moment_words(now, zone)}


def all_missing(card: CardWords) -> Sequence[MissingFact]:
    """What is missing anywhere on the card, once each."""
    found = {each.words: each for each in card.missing}
    for group in card.groups:
        for check in group.checks:
            for each in check.missing:
                found.setdefault(each.words, each)
    return tuple(found.values())
