"""A battery bank as its page shows it: facts, where it was, the blocks in it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from fleet.lib.quantities import System, format_quantity
from fleet.models import BlockStay
from fleet.web.days import day_words, distance_words, moment_words
from fleet.web.drawing import Chart
from readiness.bank_words import flag_names
from readiness.models import BankState
from readiness.selectors.pages_bank import BankPage
from readiness.selectors.pages_charge import BankTold
from readiness.web.unit_parts import Pair, charge_chart


def bank_pairs(page: BankPage, *, today: dt.date, zone: str, system: System) -> list[Pair]:
    bank, state = page.bank, page.state
    size = _("%(cells)d cells in series, %(strings)d in parallel") % {
        "cells": bank.cells_in_series,
        "strings": bank.strings,
    }
    pairs = [
        Pair(
            _("Kind"),
            f"{bank.get_chemistry_display()}, {format_quantity(bank.capacity_ah, 'ah', system)}",
            size,
        ),
        Pair(_("Made on"), day_words(bank.made_on)),
    ]
    if bank.retired_on:
        pairs.append(Pair(_("Retired on"), day_words(bank.retired_on)))
    if state is not None and not page.on_shelf:
        pairs.append(Pair(_("Charge due"), day_words(state.due_day), distance_words(state.due_day, today)))
    last = page.last_reading
    pairs.append(
        Pair(
            _("Last reading"),
            moment_words(last.happened_at, zone) if last else "",
            distance_words(last.happened_at.date(), today) if last else "",
        )
    )
    supply = page.supply
    if supply is not None:
        since = _("since %(when)s") % {"when": moment_words(supply.happened_at, zone)}
        pairs.append(Pair(_("Connected"), str(supply.get_kind_display()), since))
    if page.open_charge is not None:
        since = _("since %(when)s") % {"when": moment_words(page.open_charge.happened_at, zone)}
        pairs.append(Pair(_("On charge"), since))
    return pairs


def chart_of_bank(page: BankPage, told: BankTold | None, *, today: dt.date, zone: str) -> Chart | None:
    """The course of its charge with the forecast; None on a shelf, and where nothing can be drawn."""
    if told is None or all(point.mid is None for point in told.course.days):
        return None
    return charge_chart(page.bank.serial, page.state, told.course, today=today, zone=zone)


@dataclass(frozen=True)
class BankListLine:
    """A bank in the list: what was last worked out of it, and its flags in words."""

    stay: Any
    state: BankState | None
    flags: tuple[str, ...]


def list_lines(stays: Iterable[Any]) -> list[BankListLine]:
    lines = []
    for stay in stays:
        state = getattr(stay.bank, "state", None)
        # On a shelf nothing is worked out: what was told of it in its last unit is not shown.
        state = state if stay.unit_id else None
        lines.append(BankListLine(stay, state, tuple(flag_names(state.flags)) if state else ()))
    return lines


@dataclass(frozen=True)
class StayLine:
    where: str
    unit_tag: str
    position: str
    since: str
    until: str


def stay_lines(page: BankPage, zone: str) -> list[StayLine]:
    return [
        StayLine(
            where=stay.unit.tag if stay.unit else str(stay.place),
            unit_tag=stay.unit.tag if stay.unit else "",
            position=stay.position if stay.unit else "",
            since=moment_words(stay.started_at, zone),
            until=moment_words(stay.ended_at, zone),
        )
        for stay in page.stays
    ]


@dataclass(frozen=True)
class BlockLine:
    """A block in a place of the bank: since when and until when, where it was before and where it went."""

    stay: BlockStay
    since: str
    until: str
    before: str
    after: str


def block_lines(stays: Iterable[BlockStay], zone: str) -> list[BlockLine]:
    lines = []
    for stay in stays:
        moves = sorted(stay.block.stays.all(), key=lambda each: (each.started_at, each.pk))
        turn = next(number for number, each in enumerate(moves) if each.pk == stay.pk)
        lines.append(
            BlockLine(
                stay=stay,
                since=moment_words(stay.started_at, zone),
                until=moment_words(stay.ended_at, zone),
                before=_where(moves[turn - 1]) if turn else "",
                after=_where(moves[turn + 1]) if turn + 1 < len(moves) else "",
            )
        )
    return lines


def _where(stay: BlockStay) -> str:
    if stay.bank is None:
        return str(stay.place)
    return _("bank %(bank)s, place %(position)s") % {"bank": stay.bank.serial, "position": stay.position}
