"""What a bay plan says in words: what is missing, who is left out and why, how good it is, what to give up."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.models.banks import Chemistry
from readiness.domain.bay_plan.wishes import Why
from readiness.sentences import day_text

# By key; filled with the data of the line. A data value `day` is an ISO day and is spelt, `chemistry` its name.
SENTENCES = {
    # What has to be on file before anything can be planned.
    "no_bays": gettext_lazy("No charger bay is on file for %(place)s."),
    "no_terms": gettext_lazy("No terms of charging are on file for %(place)s: base load, what may charge unattended."),
    "no_hours": gettext_lazy("No hours are on file in which the crew is at %(place)s."),
    "no_hours_ahead": gettext_lazy("The crew is at %(place)s for no whole slot of the days that are planned."),
    "no_supply": gettext_lazy("No supply limit is known for %(place)s."),
    # What is known not to be as it should.
    "bay_no_current": gettext_lazy("Bay %(bay)s gives 0 A or 0 V: nothing is planned on it. Correct the bay."),
    "bay_no_power": gettext_lazy("Bay %(bay)s has 0 kW: nothing is planned on it. Correct the bay."),
    "bay_no_programme": gettext_lazy(
        "Bay %(bay)s has no programme for any chemistry on file: nothing is planned on it. Say what its charger can do."
    ),
    "bay_ends": gettext_lazy("Bay %(bay)s is in use through %(day)s only, within the days planned: it is left out."),
    "supply_ends": gettext_lazy("No supply limit is known from %(day)s on: nothing is planned there."),
    "running_over_supply": gettext_lazy(
        "What runs now takes %(kw)s kW more than the supply limit allows. Look at the board before you connect anything."
    ),
    "past_end": gettext_lazy("Bank %(bank)s on bay %(bay)s is past the planned end of its charge: look at it."),
    "same_bay": gettext_lazy("Bank %(bank)s is written down as charging on bay %(bay)s, which another bank is on."),
    "no_such_bay": gettext_lazy("Bank %(bank)s is on charge on '%(bay)s', no bay of this plan: its power is counted."),
    "bay_not_named": gettext_lazy("Bank %(bank)s is on charge and no bay is named: its power is counted, a place is not."),
    "weather_until": gettext_lazy("Bank %(bank)s is too cold or too hot to be charged before %(day)s."),
    "weather_unsure": gettext_lazy(
        "Bank %(bank)s may get too cold or too hot for a charge on some of these days: measure it before you connect it."
    ),
    "weather_untold": gettext_lazy(
        "How cold or hot bank %(bank)s is when its turn comes was not worked out, as it stands on a shelf or is away: "
        "measure it before you connect it."
    ),
    # Banks that cannot be planned.
    "unknown_chemistry": gettext_lazy("The chemistry '%(chemistry)s' is not known: nobody can say how it is charged."),
    "away": gettext_lazy("Unit %(unit)s is away and nobody said until when."),
    "back_later": gettext_lazy("Unit %(unit)s is away through %(day)s, beyond the days planned."),
    "weather": gettext_lazy(
        "It is too cold or too hot to be charged on every day planned, by the climate and log of the place: bring it into a "
        "warmer or cooler room."
    ),
    "misfit_length": gettext_lazy(
        "Its charge takes %(hours)s h, of which the end may not be interrupted; the crew stays %(window)s h at most, and "
        "%(chemistry)s may not charge unattended here."
    ),
    "misfit_voltage": gettext_lazy("No bay with a programme for it reaches its charging voltage."),
    "misfit_programme": gettext_lazy("No bay has a programme for %(chemistry)s."),
    "misfit_capacity": gettext_lazy("Its capacity is not known, so nobody can say how long it takes."),
    "misfit_no_current": gettext_lazy("No bay gives it any current."),
    # What has changed since a draft was made.
    "changed_terms": gettext_lazy("the terms of charging"),
    "changed_hours": gettext_lazy("the crew's hours"),
    "changed_days": gettext_lazy("closed or odd days"),
    "changed_supply": gettext_lazy("the supply limit"),
    "changed_policies": gettext_lazy("how full banks are kept in store"),
    "changed_bay": gettext_lazy("bay %(bay)s"),
    "bank_new": gettext_lazy("bank %(bank)s wants a charge now, too"),
    "bank_gone": gettext_lazy("bank %(bank)s wants none any more"),
    "bank_changed": gettext_lazy("bank %(bank)s: %(what)s"),
}  # fmt: skip

WHAT_CHANGED = {
    "charge": gettext_lazy("its charge was begun or ended"),
    "unit": gettext_lazy("it is in another unit"),
    "away": gettext_lazy("its unit left or came back"),
    "reserved": gettext_lazy("its unit was reserved or set free"),
    "evidence": gettext_lazy("a new record of its charge"),
    "due": gettext_lazy("its day"),
    "floor": gettext_lazy("its floor"),
    "known": gettext_lazy("whether its charge is known"),
    "data": gettext_lazy("its data or its target"),
}

WHY = {
    Why.LEAVES: gettext_lazy("its unit is to leave"),
    Why.UNDER_FLOOR: gettext_lazy("under its floor already"),
    Why.FLOOR: gettext_lazy("nears its floor"),
    Why.INTERVAL: gettext_lazy("its interval ends"),
    Why.KEPT: gettext_lazy("under the level it is kept at in store"),
    Why.NOT_KNOWN: gettext_lazy("its charge is not known: a full charge is assumed"),
    Why.RUNNING: gettext_lazy("on charge now"),
    Why.SHELF: gettext_lazy("on a shelf: a full charge is assumed"),
}

DAMAGE = {
    "lead": gettext_lazy("its plates sulphate and it loses capacity for good; in frost it may burst"),
    "lithium": gettext_lazy("its management may switch it off for good, copper may dissolve: it may have to be scrapped"),
    "nickel": gettext_lazy("its weakest cells may be reversed"),
}  # fmt: skip

LEVELS = {
    "floors": (gettext_lazy("Banks that fall under their floor"), ""),
    "undone": (gettext_lazy("Banks left out, weighted"), ""),
    "late": (gettext_lazy("Banks late, weighted"), ""),
    "tardiness": (gettext_lazy("Lateness, weighted"), "slots"),
    "peak_kw": (gettext_lazy("Highest load"), "kW"),
    "finish": (gettext_lazy("Sum of all ends"), "slots"),
    "changes": (gettext_lazy("Changes against the published plan"), ""),
}


def chemistry_word(code: str) -> str:
    try:
        return str(Chemistry(code).label)
    except ValueError:
        return code


def sentence(line: Mapping[str, Any]) -> str:
    """One line of a plan (`{"key": ..., ...}`) in words."""
    data = dict(line)
    if "day" in data:
        data["day"] = day_text(dt.date.fromisoformat(str(data["day"])))
    if "chemistry" in data:
        data["chemistry"] = chemistry_word(str(data["chemistry"]))
    if "what" in data:
        data["what"] = WHAT_CHANGED.get(str(data["what"]), data["what"])
    for name in ("hours", "window", "kw"):
        if name in data:
            data[name] = f"{data[name]:g}"
    template = SENTENCES.get(str(line["key"]))
    return str(template) % data if template is not None else str(line["key"])


def damage(chemistry: str) -> str:
    """What a bank of this chemistry suffers under its floor."""
    family = "lithium" if chemistry in ("lfp", "nmc") else "nickel" if chemistry.startswith("ni") else "lead"
    return str(DAMAGE[family])


def way_words(way: Mapping[str, Any]) -> str:
    """One thing that could be given up or added, as a whole sentence."""
    if way["what"] == "bay":
        return _("One more bay like %(bay)s.") % {"bay": way["kind"]}
    if way["what"] == "day":
        return _("The crew works on %(day)s, too.") % {"day": day_text(dt.date.fromisoformat(way["kind"]))}
    if way["what"] == "attend":
        return _(
            "%(chemistry)s may charge unattended, if the maker, the insurer and the fire rules allow it."
        ) % {"chemistry": chemistry_word(way["kind"])}
    least = "" if way["least"] else " " + _("Less may do: this is not proven to be the least.")
    return _("%(kw)s kW more from the supply.") % {"kw": f"{way['kw']:g}"} + least


def gap_words(level: Mapping[str, Any], slot_h: float) -> str:
    """What is proven at one level."""
    if level["proven"]:
        return _("proven best")
    if level["bound"] is None:
        return _("not proven yet")
    gap = max(0.0, level["value"] - level["bound"])
    return _("at most %(gap)s from the best") % {"gap": level_value(level["name"], gap, slot_h)}


def level_value(name: str, value: float, slot_h: float) -> str:
    """The value of a level in the unit a reader knows: slots become hours."""
    unit = LEVELS[name][1]
    if unit == "slots":
        return f"{value * slot_h:g} h"
    return f"{value:.2f} kW" if unit == "kW" else f"{value:g}"
