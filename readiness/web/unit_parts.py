"""Banks, parts aboard and certificates of a unit as its page shows them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _

from fleet.models import Certificate
from fleet.web.days import day_words, distance_words, moment_words
from fleet.web.drawing import BandPoint, Chart, Dot, Threshold, line_chart
from inventory.models import Balance, FittedPart
from inventory.models.items import DesignItem
from inventory.selectors.part_use import UseRow
from readiness.models import BankState
from readiness.selectors.pages_charge import BankTold, ChargeCourse
from readiness.selectors.pages_unit import BankView, UnitPage
from readiness.selectors.pages_units import current_state
from readiness.sentences import state_words


@dataclass(frozen=True)
class Pair:
    """One line of ``components/pairs.html``."""

    label: str
    value: str
    note: str = ""
    url: str = ""


@dataclass(frozen=True)
class BankLine:
    """One bank: its state only while that is current, and the day it is as of in any case."""

    view: BankView
    state: BankState | None
    as_of: dt.date | None
    pairs: tuple[Pair, ...]
    chart: Chart | None = None
    said: str = ""
    told: BankTold | None = None


def bank_lines(
    views: Sequence[BankView],
    *,
    today: dt.date,
    zone: str,
    told: dict[int, BankTold],
    current_from: dt.date | None,
) -> list[BankLine]:
    """`current_from`: first day as of which a state may be shown; None: none may, because the unit's verdict may not."""
    lines = []
    for view in views:
        mine = told.get(view.bank.pk)
        course = mine.course if mine else None
        drawn = course is not None and any(point.mid is not None for point in course.days)
        chart = (
            charge_chart(view.bank.serial, view.state, course, today=today, zone=zone)
            if course and drawn
            else None
        )
        state = current_state(view.state, current_from)
        as_of = view.state.as_of if view.state else None
        lines.append(
            BankLine(view, state, as_of, _bank_pairs(view, state, today, zone), chart, _said(state), mine)
        )
    return lines


def _said(state: BankState | None) -> str:
    """What the charge state has to say besides its numbers, as one sentence."""
    words = state_words(state.reasons) if state else []
    if not words:
        return ""
    told = "; ".join(words)
    return f"{told[0].upper()}{told[1:]}."


def _bank_pairs(view: BankView, state: BankState | None, today: dt.date, zone: str) -> tuple[Pair, ...]:
    bank = view.bank
    pairs = [
        Pair(
            _("Bank"),
            bank.serial,
            _("%(chemistry)s, %(capacity)s Ah, %(cells)d cells in series, position %(position)s")
            % {
                "chemistry": bank.get_chemistry_display(),
                "capacity": f"{bank.capacity_ah:g}",
                "cells": bank.cells_in_series,
                "position": view.position,
            },
        )
    ]
    if state is not None:
        due = {"floor": _("its low end meets the floor"), "interval": _("the charge interval ends")}.get(
            state.due_by, ""
        )
        pairs += [
            Pair(
                _("Charge due"),
                day_words(state.due_day),
                " ".join(filter(None, [distance_words(state.due_day, today), due])),
            ),
            Pair(
                _("Low end meets the floor"),
                day_words(state.floor_day),
                distance_words(state.floor_day, today),
            ),
        ]
    last = view.last_reading
    pairs.append(Pair(_("Last reading"), moment_words(last.happened_at, zone) if last else "", ""))
    supply = view.supply
    pairs.append(
        Pair(
            _("Connected"),
            str(supply.get_kind_display()) if supply else "",
            _("since %(when)s") % {"when": moment_words(supply.happened_at, zone)} if supply else "",
        )
    )
    if view.open_charge:
        pairs.append(
            Pair(
                _("On charge"),
                _("since %(when)s") % {"when": moment_words(view.open_charge.happened_at, zone)},
            )
        )
    return tuple(pairs)


@dataclass(frozen=True)
class PartLine:
    """A position of the bill: what is in it, or that nothing is."""

    position: str
    item: str
    part: FittedPart | None
    use: UseRow | None = None
    lapsed: bool = False


@dataclass(frozen=True)
class KitLine:
    item: str
    needed: DesignItem | None
    aboard: tuple[Balance, ...]


@dataclass(frozen=True)
class Aboard:
    fitted: tuple[PartLine, ...]
    kit: tuple[KitLine, ...]


def part_lines(page: UnitPage, *, today: dt.date) -> Aboard:
    """What is fitted by position, what lies in the kit, and what the design asks for and is not there."""
    by_position = {part.position: (part, use) for part, use in zip(page.parts, page.part_use, strict=True)}
    fitted = []
    for line in page.bill:
        if line.purpose == DesignItem.Purpose.FITTED:
            part, use = by_position.pop(line.position, (None, None))
            fitted.append(PartLine(line.position, line.item.name, part, use, _worn(use, today)))
    for part, use in by_position.values():
        fitted.append(PartLine(part.position, part.lot.item.name, part, use, _worn(use, today)))
    balances: dict[int, list[Balance]] = {}
    for balance in page.kit:
        balances.setdefault(balance.lot.item_id, []).append(balance)
    kit = [
        KitLine(line.item.name, line, tuple(balances.pop(line.item_id, ())))
        for line in page.bill
        if line.purpose == DesignItem.Purpose.KIT
    ]
    kit += [KitLine(rows[0].lot.item.name, None, tuple(rows)) for rows in balances.values()]
    return Aboard(tuple(fitted), tuple(kit))


def _worn(use: UseRow | None, today: dt.date) -> bool:
    """Past one of its limits: hours, volume or months."""
    if use is None:
        return False
    past_day = use.last_day is not None and use.last_day < today
    return past_day or any(left is not None and left < 0 for left in (use.left_h, use.left_m3))


@dataclass(frozen=True)
class CertificateLine:
    certificate: Certificate
    ends: str
    distance: str
    lapsed: bool


def certificate_lines(page: UnitPage, *, today: dt.date) -> list[CertificateLine]:
    """The latest of each kind; a certificate is good through its last day."""
    lines: dict[str, CertificateLine] = {}
    for row in page.certificates:
        if row.kind not in lines:
            lines[row.kind] = CertificateLine(
                row,
                day_words(row.expires_on) or _("no end"),
                distance_words(row.expires_on, today),
                row.expires_on is not None and row.expires_on < today,
            )
    return list(lines.values())


def charge_chart(
    serial: str, state: BankState | None, course: ChargeCourse, *, today: dt.date, zone: str
) -> Chart:
    """The course of one bank with its band, its floor and what each usable reading says by itself."""
    low_day = state.floor_day if state else None
    description = (
        _("Its low end meets the floor on %(day)s if nothing is done.") % {"day": day_words(low_day)}
        if low_day
        else _("On what day its low end meets the floor is not known.")
    )
    dots = [
        Dot(point.at, point.soc, _("a reading says %(value)s %%") % {"value": f"{100 * point.soc:.0f}"})
        for point in course.measured
    ]
    least = min(
        [point.low for point in course.days if point.low is not None] + [course.floor_soc or 0.0], default=0.0
    )
    return line_chart(
        title=_("Charge state of %(bank)s") % {"bank": serial},
        description=description,
        series=[BandPoint(point.day, point.low, point.mid, point.high) for point in course.days],
        dots=dots,
        threshold=Threshold(
            course.floor_soc, _("floor %(value)s %%") % {"value": f"{100 * course.floor_soc:.0f}"}
        )
        if course.floor_soc is not None
        else None,
        today=today,
        low=max(0.0, math.floor(4 * least - 0.01) / 4),
    )
