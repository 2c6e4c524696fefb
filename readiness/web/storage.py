"""The storage policy in words: what cannot be had together, what each choice costs, which units it is about."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.web.days import day_words
from readiness.domain.check_rows import CheckOutcome
from readiness.domain.storage_choice import OWN, GroupCost
from readiness.domain.storage_policy import AIR, READY, STORE
from readiness.selectors.storage import BankKept, ChemistryKept

NAMES: dict[str, Any] = {
    STORE: lambda: _("Half full, to last"),
    READY: lambda: _("Full, to be ready"),
    AIR: lambda: _("At 30 %, to fly by itself"),
    OWN: lambda: _("As chosen now"),
}
MISSING: dict[str, Any] = {
    "charger_a": lambda: _("the charger's current"),
    "lead_time_h": lambda: _("the depot's notice"),
    "bay_queue_h": lambda: _("the wait for a bay"),
    "bay": lambda: _("a bay that can charge it"),
}
SAME = 0.005


def storage_words(group: ChemistryKept) -> dict[str, Any]:
    """One chemistry, as the page shows it."""
    policy = group.policy
    shown = [cost for cost in group.costs if not _again(cost, group.costs)]
    return {
        "code": group.code,
        "name": group.name[:1].upper() + group.name[1:],
        "choice": group.choice,
        "units": ngettext("%d bank", "%d banks", len(group.banks)) % len(group.banks),
        "bays": ", ".join(group.bays),
        "chosen": None
        if policy is None
        else {
            "soc": percent(policy.store_soc),
            "since": day_words(policy.valid_from),
            "who": str(policy.chosen_by) if policy.chosen_by else "",
            "reason": policy.reason,
        },
        "conflict": conflict(group),
        "rows": [_row(cost, group) for cost in shown],
        "banks": [_bank(bank, policy.store_soc if policy else None) for bank in group.banks],
        "unknown": _unknown(group),
    }


def _again(cost: GroupCost, costs: tuple[GroupCost, ...]) -> bool:
    """The owner's own level is one of the three: it is marked there instead of being repeated."""
    return cost.policy == OWN and any(
        other.policy != OWN and abs(other.soc - cost.soc) <= SAME for other in costs
    )


def percent(share: float) -> str:
    return f"{share:.0%}".replace("%", " %")


def hours_words(hours: float | None, missing: tuple[str, ...] = ()) -> str:
    if hours is None:
        names = [MISSING[name]() for name in missing if name in MISSING]
        return _("not known: %(what)s") % {"what": ", ".join(names)} if names else _("not known")
    if hours == 0:
        return _("at once")
    return _("%(hours)s h") % {"hours": f"{-(-hours * 10 // 1) / 10:.1f}"}


def after_words(hours: float | None, missing: tuple[str, ...] = ()) -> str:
    """The same in a sentence about when: 'at once', 'after 3.6 h', or that it is not known."""
    said = hours_words(hours, missing)
    return _("after %(hours)s") % {"hours": said} if hours else f"({said})" if hours is None else said


def _row(cost: GroupCost, group: ChemistryKept) -> dict[str, Any]:
    chosen = group.policy is not None and abs(group.policy.store_soc - cost.soc) <= SAME
    return {
        "policy": cost.policy,
        "name": NAMES[cost.policy](),
        "chosen": chosen,
        "soc": percent(cost.soc),
        "one": hours_words(cost.one_h, cost.missing),
        "last": hours_words(cost.last_h, cost.missing),
        "fly": hours_words(cost.fly_h) if cost.fly_h is not None else _("no load bank is on file"),
        "loss": _points(cost.loss_pct_year),
        "extra": _("least here")
        if cost.extra_pct_year < 0.05
        else _("%(n)s more") % {"n": _points(cost.extra_pct_year)},
        "in_time": _in_time(cost, group),
        "outcome": cost.check.outcome.name.lower(),
        "notes": _notes(cost),
    }


def _points(value: float) -> str:
    return f"{value:.1f} %"


def _in_time(cost: GroupCost, group: ChemistryKept) -> str:
    if cost.check.outcome == CheckOutcome.CANNOT_DECIDE or cost.last_h is None:
        names = [MISSING[name]() for name in cost.missing if name in MISSING]
        return _("cannot be told: %(what)s is not on file") % {"what": ", ".join(names) or _("something")}
    notice = f"{group.lead_time_h:g}"
    if cost.check.outcome == CheckOutcome.PASS:
        return _("yes, within the notice of %(h)s h") % {"h": notice}
    return _("no: the notice is %(h)s h") % {"h": notice}


def _notes(cost: GroupCost) -> list[str]:
    notes = []
    if cost.under_floor:
        notes.append(
            _("Under the floor of %(banks)s: it cannot be chosen.") % {"banks": ", ".join(cost.under_floor)}
        )
    if cost.at_floor:
        notes.append(
            _("%(banks)s would stand at the floor, with no day to spare: charge again within days.")
            % {"banks": ", ".join(cost.at_floor)}
        )
    return notes


def conflict(group: ChemistryKept) -> list[str]:
    """What cannot be had together, aloud."""
    costs = {cost.policy: cost for cost in group.costs}
    if not costs:
        return []
    store, ready, air = costs[STORE], costs[READY], costs[AIR]
    lines = [
        _(
            "Kept at %(soc)s these banks last, and can still be made ready: one may leave %(one)s, the last of "
            "all %(last)s."
        )
        % {
            "soc": percent(store.soc),
            "one": after_words(store.one_h, store.missing),
            "last": after_words(store.last_h, store.missing),
        },
        _(
            "Kept full they may leave at once, and lose %(loss)s of their capacity in the first year, %(more)s more "
            "than half full."
        )
        % {"loss": _points(ready.loss_pct_year), "more": _points(ready.loss_pct_year - store.loss_pct_year)},
        _(
            "By air alone a battery flies at 30 %% or less: kept so it may fly at once, and arrives with %(short)s too "
            "little for its work."
        )
        % {"short": percent(air.short_soc)},
    ]
    if ready.fly_h is None:
        lines.append(_("From full it must first be discharged, and no load bank is on file for all of them."))
    else:
        lines.append(_("From full it must first be discharged for %(h)s.") % {"h": hours_words(ready.fly_h)})
    lines.append(_("Nobody can have all three. The choice is the owner's, with its reason."))
    return lines


def _bank(row: BankKept, kept: float | None) -> dict[str, Any]:
    if row.low is None or row.high is None:
        now, word = _("cannot be told"), ""
    else:
        now = f"{percent(row.low)} – {percent(row.high)}"
        word = ""
        if kept is not None and row.high < kept - 0.10:
            word = _("less than chosen")
        elif kept is not None and row.low > kept + 0.10:
            word = _("fuller than chosen: it ages faster")
    return {
        "serial": row.bank.serial,
        "unit": row.unit,
        "now": now,
        "word": word,
        "floor": percent(row.floor_soc),
    }


def _unknown(group: ChemistryKept) -> list[str]:
    words = {"capacity": _("its capacity"), "climate": _("the climate of its place")}
    return [
        _("%(bank)s is left out: %(what)s is not on file.")
        % {"bank": row.bank.serial, "what": ", ".join(words[name] for name in row.lacks)}
        for row in group.banks
        if row.kept is None and group.choice
    ]


def choice_changes(group: ChemistryKept, soc: float) -> list[str]:
    """What a new level changes, for the preview."""
    cost = group.costs_at(soc)
    old = group.policy
    lines = [
        _("%(name)s: kept at %(old)s → %(new)s, %(n)s at home here.")
        % {
            "name": group.name,
            "old": percent(old.store_soc) if old else _("no level chosen"),
            "new": percent(soc),
            "n": ngettext("%d bank", "%d banks", len(group.banks)) % len(group.banks),
        }
    ]
    if cost is not None:
        lines.append(
            _("Ready to leave: one %(one)s, the last of all %(last)s; in time: %(time)s.")
            % {
                "one": after_words(cost.one_h, cost.missing),
                "last": after_words(cost.last_h, cost.missing),
                "time": _in_time(cost, group),
            }
        )
        lines.append(
            _("Capacity lost in the first year by standing so: %(loss)s.")
            % {"loss": _points(cost.loss_pct_year)}
        )
        lines += _notes(cost)
    low = [row.bank.serial for row in group.banks if row.low is not None and row.low < soc - 0.10]
    if low:
        lines.append(
            _("Under it now, and on Today from that day on: %(banks)s.") % {"banks": ", ".join(sorted(low))}
        )
    return lines
