"""Sentences of checks and alerts, rendered when they are read: message keys and data in, plain language out.

Takes the stored form of a check (see `readiness.services.sweep_results`) or of an alert's items; no query, no clock.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils import formats
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _l
from django.utils.translation import ngettext

from fleet.models.designs import CertificateKind, Evidence
from readiness import bank_words, logger_words
from readiness.domain.bank_records import Note, Reason
from readiness.domain.charging import Unstated
from readiness.domain.check_rows import CHECK, CHECK_KINDS

Check = Mapping[str, Any]

CHECK_NAMES: dict[str, Any] = {
    "terms_known": _l("Depot terms"),
    "place_known": _l("Where it is"),
    "at_place": _l("At its place"),
    "bank_aboard": _l("Battery bank"),
    "charge_known": _l("Charge state known"),
    "charge_floor": _l("Charge above its floor"),
    "charge_depart": _l("Charge to leave with"),
    "charge_interval": _l("Charge interval"),
    "charge_kept": _l("Kept as the owner chose"),
    "charge_open": _l("Charge ended"),
    "float_proof": _l("Float proven"),
    "capacity_test": _l("Capacity test after deep discharge"),
    "charge_explained": _l("Loss of charge explained"),
    "blocks_even": _l("Blocks even"),
    "bank_rate": _l("Loses as its peers do"),
    "bank_ohmic": _l("Ohmic value"),
    "bank_capacity": _l("Capacity as tested"),
    "bank_returned": _l("Charge returned what was missing"),
    "bank_age": _l("Within its life"),
    "logger_heard": _l("Logger heard"),
    "acid_frost": _l("Acid safe from frost"),
    "water_frost": _l("Water side safe from frost"),
    "wet_known": _l("Wet or dry known"),
    "wet_idle": _l("Not wet and idle"),
    "kit": _l("Kit"),
    "lots_aboard": _l("Lots aboard in date"),
    "part_fitted": _l("Part fitted"),
    "part_life": _l("Part within its life"),
    "part_ahead": _l("Part lasts two missions"),
    "certificate": _l("Certificate"),
    "inspection": _l("Inspection"),
    "fault": _l("Fault"),
    "evidence": _l("Evidence"),
    "debt": _l("Parts owed to it"),
}

ALERT_TITLES: dict[str, Any] = {
    "charge_due": _l("Maintenance charge due"),
    "charge_open": _l("Charge left open"),
    "reading_stale": _l("Reading due"),
    "floor_broken": _l("Floor broken: capacity test due"),
    "float_unproven": _l("On float, but not proven"),
    "unexplained_loss": _l("Unexplained loss of charge"),
    "weak_block": _l("Weak block"),
    "bank_rate": _l("Loses far more than its peers"),
    "bank_weak": _l("Bank is weak"),
    "bank_returned": _l("Charge returned more or less than was missing"),
    "bank_age": _l("Bank past its life"),
    "logger": _l("Logger not believed"),
    "bank_missing": _l("No battery bank aboard"),
    "frost": _l("Frost ahead"),
    "wet_idle": _l("Wet and idle"),
    "kit_short": _l("Kit short"),
    "lots_aboard": _l("Lots aboard expire"),
    "part_missing": _l("Part missing"),
    "part_life": _l("Part at the end of its life"),
    "certificate": _l("Certificate lapsed or lapsing"),
    "inspection": _l("Inspection due"),
    "fault_open": _l("Fault open"),
    "evidence_void": _l("Evidence void after a change"),
    "debt": _l("A part is owed to this unit"),
    "survey": _l("Never surveyed"),
    "lot_stores": _l("Lot in stores expires"),
}

CAUTIONS: dict[str, Any] = {
    "charge_floor": _l(
        "Charge in a ventilated room; never charge a frozen, swollen or hot bank. The maker's manual decides."
    ),
    "acid_frost": _l("A discharged lead-acid bank freezes and bursts. Never charge a frozen bank."),
    "blocks_even": _l("A bank is always live: insulated tools, no jewellery."),
}
CAUTIONS["charge_depart"] = CAUTIONS["charge_interval"] = CAUTIONS["charge_kept"] = CAUTIONS["charge_floor"]

REASON_WORDS: dict[str, Any] = {
    "no_state": _l("no completed charge and no usable reading is on file"),
    "stale": _l("the last evidence is too old to count"),
    "used": _l("it was used or away since its last evidence"),
    "load_unknown": _l("its standby draw is not known"),
    "no_climate": _l("no climate of its place is on file"),
}
NOTE_WORDS: dict[str, Any] = {
    "unexplained_loss": _l(
        "the reading lies far below the prediction: hidden load, weak cell or wrong curve"
    ),
    "unexplained_gain": _l("the reading lies far above the prediction: a charge may not have been recorded"),
    "surface_charge": _l("the reading is higher than a full bank at rest"),
    "deep_discharge": _l("a cell was under 1.95 V: deep discharge"),
    "weak_block": _l(
        "one block lies well below the others; its value is planned on until it is measured again"
    ),
    "plateau": _l("on the flat part of its curve the voltage says little; use the meter"),
    "voltage_says_nothing": _l("voltage says nothing about a nickel bank; dates and charges count"),
    "partial_charge": _l("the last charge counts only for what was shown to go in"),
    "supply_unknown": _l("how it is connected is not on file: its standby loads count as on"),
    "float_believed": _l("believed to be on float"),
    "float_expired": _l("float not proven in time: counted as disconnected since the last proof"),
    "age_unknown": _l("its age is not on file: counted as at the end of its life"),
    "reading_refused": _l("the latest reading cannot be used"),
    "no_completed_charge": _l("no completed charge is on file"),
    "reading_loaded": _l(
        "the voltage was read with its standby loads on: it counts with a wider band of doubt"
    ),
}
_AWAY = {1: _l("on a call"), 2: _l("on an exercise"), 3: _l("on loan"), 4: _l("in a workshop")}
_WET = {-1: _l("not known to be dry"), 1: _l("wet"), 2: _l("preserved"), 3: _l("disinfected")}
_WHY = {1: _l("it was never done"), 2: _l("it was failed"), 3: _l("it runs out"), 4: _l("it ran out")}


def day_text(value: Any) -> str:
    """A stored ISO day in words; empty for none."""
    if not value:
        return ""
    day = dt.date.fromisoformat(value) if isinstance(value, str) else value
    return formats.date_format(day, "j M Y")


def _percent(value: Any) -> str:
    return f"{100 * float(value or 0):.0f} %"


def _amount(value: Any) -> str:
    return f"{float(value or 0):g}"


def _flags(bits: Any, words: Mapping[str, Any], kind: Any) -> list[str]:
    return [
        str(words[part.name.lower()])
        for part in kind(int(bits or 0))
        if part.name and part.name.lower() in words
    ]


def state_words(words: Sequence[str]) -> list[str]:
    """Reasons and notes of a bank's charge state (`BankState.reasons`) in plain language."""
    return [str(REASON_WORDS.get(word) or NOTE_WORDS.get(word) or word) for word in words]


def subject_label(check: Check) -> str:
    """What a check is about, in the reader's words; empty for the unit itself."""
    subject = check.get("subject") or {}
    label = str(subject.get("label") or check.get("label") or "")
    kind = subject.get("kind") or (CHECK_KINDS[CHECK[check["key"]]].subject if check["key"] in CHECK else "")
    if kind == "certificate_kind" and label in CertificateKind.values:
        return str(CertificateKind(label).label)
    if kind == "evidence" and label in Evidence.values:
        return str(Evidence(label).label)
    return label


def check_name(check: Check) -> str:
    name = str(CHECK_NAMES.get(str(check["key"]), check["key"]))
    label = subject_label(check)
    return f"{name}: {label}" if label else name


def check_source(check: Check) -> str:
    return CHECK_KINDS[CHECK[check["key"]]].source if check["key"] in CHECK else ""


def check_caution(check: Check) -> str:
    return str(CAUTIONS.get(check["key"], "")) if check["outcome"] != "pass" else ""


def _data(check: Check) -> Mapping[str, Any]:
    """Data of a stored check, or of an alert's item, which carries them beside its key."""
    data = check.get("data")
    return data if isinstance(data, Mapping) else check


def check_sentence(check: Check) -> str:
    """One sentence: what was found and until when it holds, or what stands in the way."""
    writer = _SENTENCES.get(str(check["key"]))
    return writer(check, _data(check)) if writer else ""


def _until(check: Check, passing: str, failing: str, undecided: str = "") -> str:
    turns_on = check.get("turns_on")  # the first day on which it holds no more
    last = dt.date.fromisoformat(turns_on) - dt.timedelta(days=1) if turns_on else check.get("due_on")
    turn = day_text(last)
    said = {"pass": passing, "fail": failing, "cannot_decide": undecided or failing}[check["outcome"]]
    if check["outcome"] == "pass" and turn:
        said = _("%(said)s Holds through %(day)s.") % {"said": said, "day": turn}
    return said


def _charge_known(check: Check, data: Mapping[str, Any]) -> str:
    why = _flags(data.get("reasons"), REASON_WORDS, Reason) + _flags(data.get("notes"), NOTE_WORDS, Note)
    cannot = _("The charge state cannot be told: %(why)s.") % {"why": "; ".join(why) or _("no evidence")}
    return _until(check, _("The evidence of the charge state is recent enough."), cannot, cannot)


def _charge_floor(check: Check, data: Mapping[str, Any]) -> str:
    floor = _percent(data.get("floor_soc"))
    return _until(
        check,
        _("Even at its low end the charge stays above the floor of %(floor)s.") % {"floor": floor},
        _("At its low end the charge has been under the floor of %(floor)s since %(day)s.")
        % {"floor": floor, "day": day_text(check.get("due_on"))},
        _("Whether the charge is above the floor of %(floor)s cannot be told.") % {"floor": floor},
    )


def _charge_depart(check: Check, data: Mapping[str, Any]) -> str:
    need = _percent(data.get("depart_soc"))
    return _until(
        check,
        _("Even at its low end it holds the %(need)s it needs to leave.") % {"need": need},
        _("At its low end it holds less than the %(need)s it needs to leave.") % {"need": need},
        _("Whether it holds the %(need)s it needs to leave cannot be told.") % {"need": need},
    )


def _charge_interval(check: Check, data: Mapping[str, Any]) -> str:
    return _until(
        check,
        _("The last completed charge is within its interval."),
        _("The interval since the last completed charge ran out on %(day)s.")
        % {"day": day_text(data.get("interval_day"))},
        _("When the interval ends cannot be told: no completed charge is on file."),
    )


def _charge_kept(check: Check, data: Mapping[str, Any]) -> str:
    said = {"kept": _percent(data.get("kept_soc")), "level": _percent(data.get("top_up_soc"))}
    return _until(
        check,
        _(
            "The owner keeps it at %(kept)s: even at its low end it is above the %(level)s at which it is charged again."
        )
        % said,
        _(
            "The owner keeps it at %(kept)s: at its low end it is under %(level)s, so it is charged up to %(kept)s again."
        )
        % said,
        _("The owner keeps it at %(kept)s: whether it is above %(level)s cannot be told.") % said,
    )


def _capacity_test(check: Check, data: Mapping[str, Any]) -> str:
    day = day_text(data.get("broken_day"))
    return _until(
        check,
        _("Its capacity was tested after it fell to its floor on %(day)s.") % {"day": day},
        _("It fell to its floor on %(day)s: test its capacity before relying on it.") % {"day": day},
    )


def _low(data: Mapping[str, Any]) -> str:
    value = data.get("record_low_c")
    return _("not on file") if value is None else f"{float(value):.0f} °C"


def _kit(check: Check, data: Mapping[str, Any]) -> str:
    facts = {
        "label": subject_label(check),
        "needed": _amount(data.get("needed")),
        "aboard": _amount(data.get("aboard")),
        "stores": _amount(data.get("in_stores")),
    }
    return _until(
        check,
        _("%(needed)s of %(label)s are needed for the mission, %(aboard)s aboard last through it.") % facts,
        _(
            "%(label)s: %(needed)s needed for the mission, only %(aboard)s aboard last through it; the depot has %(stores)s."
        )
        % facts,
        _("%(label)s: the kit was never counted, nothing of it is on record.") % facts,
    )


def _lots_aboard(check: Check, data: Mapping[str, Any]) -> str:
    label = str(data.get("lot_label") or data.get("label") or "")
    bad = int(data.get("bad_lots") or 0)
    failing = ngettext(
        "%(n)d lot aboard is expired or must not be used (%(label)s): take it off.",
        "%(n)d lots aboard are expired or must not be used (%(label)s and others): take them off.",
        bad,
    ) % {"n": bad, "label": label}
    return _until(
        check, _("No lot aboard is expired. The next to expire: %(label)s.") % {"label": label}, failing
    )


def _part_life(check: Check, data: Mapping[str, Any]) -> str:
    left = []
    if (hours := data.get("left_h")) is not None:
        said = _("%(h)s h left") if hours >= 0 else _("%(h)s h over its life")
        left.append(said % {"h": _amount(abs(hours))})
    if (volume := data.get("left_m3")) is not None:
        said = _("%(m3)s m³ left") if volume >= 0 else _("%(m3)s m³ over its life")
        left.append(said % {"m3": _amount(abs(volume))})
    if data.get("last_day"):
        left.append(_("good through %(day)s") % {"day": day_text(data["last_day"])})
    facts = {"label": subject_label(check), "left": ", ".join(left) or _("no limit on file")}
    return _until(
        check,
        _("%(label)s: %(left)s.") % facts,
        _("%(label)s is at the end of its life or does not last through the mission: %(left)s.") % facts,
        _("How far %(label)s is used cannot be told: %(left)s at most.") % facts,
    )


def _part_ahead(check: Check, data: Mapping[str, Any]) -> str:
    facts = {
        "label": subject_label(check),
        "left": _amount(data.get("left")),
        "use": _amount(data.get("mission_use")),
        "unit": "m³" if int(data.get("measure") or 1) == 2 else "h",
    }
    nearing = _(
        "%(label)s: %(left)s %(unit)s left; the standard mission takes %(use)s %(unit)s by plan, so it lasts through one "
        "but not through two. Have a new one ready."
    )
    return _until(check, _("%(label)s lasts through two standard missions.") % facts, nearing % facts)


def _certificate(check: Check, data: Mapping[str, Any]) -> str:
    facts = {"label": subject_label(check), "day": day_text(data.get("expires_day"))}
    state = int(data.get("state") or 0)
    if state == 1:
        failing = _("%(label)s: a later change to the unit voided it; it must be renewed.") % facts
    elif state == 2:
        failing = _("%(label)s lapsed: it was valid through %(day)s.") % facts
    elif data.get("expires_day"):
        failing = _("%(label)s is valid through %(day)s, not through the standard mission.") % facts
    else:
        failing = _("%(label)s: none in force is on file.") % facts
    never = _("%(label)s: none was ever put on file.") % facts
    return _until(check, _("%(label)s is in force.") % facts, failing, never)


def _inspection(check: Check, data: Mapping[str, Any]) -> str:
    why = _WHY.get(int(data.get("why") or 0), _("it is due"))
    facts = {"label": subject_label(check), "why": why, "day": day_text(data.get("due_day"))}
    failing = _("%(label)s: %(why)s.") % facts
    if data.get("due_day") and int(data.get("why") or 0) == 4:
        failing = _("%(label)s: it ran out on %(day)s.") % facts
    elif data.get("due_day"):
        failing = _("%(label)s: passed, good through %(day)s, not through the standard mission.") % facts
    return _until(check, _("%(label)s was passed in time.") % facts, failing)


def _fault(check: Check, data: Mapping[str, Any]) -> str:
    words = {2: _("it stops the unit"), 1: _("the unit works with less"), 0: _("minor")}
    return f"{subject_label(check)} ({words.get(int(data.get('severity') or 0), '')})."


_SENTENCES: dict[str, Any] = {
    "terms_known": lambda c, d: _until(
        c,
        _("The depot states its notice and its standard mission."),
        "",
        _("The depot states no notice or no standard mission length, so nothing can be called ready."),
    ),
    "place_known": lambda c, d: _until(
        c, _("Its place is on file."), "", _("Where the unit is, is not on file.")
    ),
    "at_place": lambda c, d: _until(
        c,
        _("It is at its place."),
        _("It is away, %(why)s: not ready here.") % {"why": _AWAY.get(int(d.get("away") or 0), "")},
    ),
    "bank_aboard": lambda c, d: _until(
        c,
        _("A battery bank is aboard."),
        _("Its battery bank was taken out and none has been put in."),
        _("No battery bank of this unit is on file."),
    ),
    "charge_known": _charge_known,
    "charge_floor": _charge_floor,
    "charge_depart": _charge_depart,
    "charge_interval": _charge_interval,
    "charge_kept": _charge_kept,
    "charge_open": lambda c, d: _until(
        c,
        _("A charge is running within its planned time."),
        _("A charge should have ended on %(day)s and was never closed: record how it ended.")
        % {"day": day_text(c.get("due_on"))},
    ),
    "float_proof": lambda c, d: _until(
        c,
        _("It was seen on float in time."),
        _(
            "Nobody has seen it on float since its check interval ended on %(day)s: it counts as disconnected since "
            "the last look."
        )
        % {"day": day_text(c.get("due_on"))},
    ),
    "capacity_test": _capacity_test,
    "charge_explained": lambda c, d: _until(
        c,
        _("Readings and prediction agree, or a capacity test has shown since what the bank holds."),
        _(
            "The reading of %(day)s lies far below the prediction: look for a hidden load, a weak cell or a wrong type of "
            "battery. It is planned on until a reading near the prediction disproves it, a full charge is seen to hold by "
            "a reading at least a day later, or the capacity is tested; a second low reading only confirms it."
        )
        % {"day": day_text(d.get("reading_day"))},
    ),
    "blocks_even": lambda c, d: _until(
        c,
        _("No block lay far below the others when they were measured on %(day)s.")
        % {"day": day_text(d.get("reading_day"))},
        _(
            "The lowest block lay more than 0.15 V below the others on %(day)s, and none has been measured since: test or "
            "replace it, then measure the lowest block again. Until then its value is planned on."
        )
        % {"day": day_text(d.get("reading_day"))},
    ),
    "bank_rate": lambda c, d: _until(c, _("It loses no more than its peers do."), bank_words.bank_rate(d)),
    "bank_ohmic": lambda c, d: _until(
        c, _("Its ohmic value lies near its own baseline."), bank_words.bank_ohmic(d)
    ),
    "bank_capacity": lambda c, d: _until(
        c, _("Its last capacity test showed 80 % of rated or more."), bank_words.bank_capacity(d)
    ),
    "bank_returned": lambda c, d: _until(
        c,
        _("The last full charge returned what was missing, as far as one can tell."),
        bank_words.bank_returned(d, day_text(d.get("returned_day"))),
    ),
    "bank_age": lambda c, d: _until(c, _("Its float life is not over."), bank_words.bank_age()),
    "logger_heard": lambda c, d: _until(
        c,
        _("Its logger is heard and believed."),
        logger_words.logger_sentence(d, day_text(d.get("since_day"))),
    ),
    "acid_frost": lambda c, d: _until(
        c,
        _("Its acid stays liquid at the record low of the coming two weeks."),
        _(
            "At its low end its acid would freeze at the record low of the coming two weeks (%(low)s): charge it or "
            "bring it in."
        )
        % {"low": _low(d)},
        _("Whether its acid may freeze cannot be told: the record low of its place is %(low)s.")
        % {"low": _low(d)},
    ),
    "water_frost": lambda c, d: _until(
        c,
        _("No water aboard can freeze in the coming two weeks."),
        _("It is %(wet)s, and the record low of the coming two weeks is %(low)s: drain it.")
        % {"wet": _WET.get(int(d.get("wet") if d.get("wet") is not None else -1), ""), "low": _low(d)},
        _("Whether frost is ahead cannot be told: the record low of its place is %(low)s.")
        % {"low": _low(d)},
    ),
    "wet_known": lambda c, d: _until(
        c,
        _("Whether it is wet or dry is on file."),
        "",
        _("Whether it is wet or dry has not been recorded since it came back: it counts as wet.")
        if d.get("before_absence")
        else _("Whether it is wet or dry was never recorded: it counts as wet."),
    ),
    "wet_idle": lambda c, d: _until(
        c,
        _("It has not stood wet for too long."),
        _("It has stood %(wet)s since %(day)s: drain, flush or disinfect it.")
        % {"wet": _WET.get(int(d.get("wet") or 1), ""), "day": day_text(d.get("since_day"))},
    ),
    "kit": _kit,
    "lots_aboard": _lots_aboard,
    "part_fitted": lambda c, d: _until(
        c,
        _("%(label)s is in place.") % {"label": subject_label(c)},
        (
            _("%(label)s: another part is in this position.")
            if d.get("wrong_part")
            else _("%(label)s is missing.")
        )
        % {"label": subject_label(c)},
        _("%(label)s: what is fitted there was never recorded.") % {"label": subject_label(c)},
    ),
    "part_life": _part_life,
    "part_ahead": _part_ahead,
    "certificate": _certificate,
    "inspection": _inspection,
    "fault": _fault,
    "evidence": lambda c, d: _until(
        c,
        _("%(label)s was shown again after the last change.") % {"label": subject_label(c)},
        _("%(label)s is void since the change of %(day)s until it is shown again.")
        % {"label": subject_label(c), "day": day_text(d.get("changed_day"))},
    ),
    "debt": lambda c, d: _("%(label)s: to be given back.") % {"label": subject_label(c)},
}


def mend_sentence(check: Check) -> str:
    """What mends a failed check and how long it takes; empty for what passes."""
    if check["outcome"] == "pass":
        return ""
    hours = check.get("mend_h", 0)
    if hours == "not_here":
        return _("No work here can mend this.")
    if hours is None and (why := _flags(_data(check).get("unstated"), UNSTATED_WORDS, Unstated)):
        return _("How long the charge takes cannot be told: %(why)s.") % {"why": "; ".join(why)}
    if hours is None:
        return _("How long the work takes is not on file.")
    if not hours:
        return ""
    return ngettext("%(h)s h of work", "%(h)s h of work, %(crew)d people", int(check.get("crew") or 1)) % {
        "h": _amount(hours),
        "crew": int(check.get("crew") or 1),
    }


@dataclass(frozen=True)
class Margin:
    """How much is left: `value` in `unit`; negative is what is short."""

    value: float
    unit: str


def check_margin(check: Check, today: dt.date) -> Margin | None:
    """The margin of a check on a day: pieces of a kit, else days until it turns; None where there is no such thing."""
    data = _data(check)
    if check["key"] == "kit" and data.get("needed") is not None:
        return Margin(float(data.get("aboard") or 0) - float(data["needed"]), _("pieces"))
    day = check.get("turns_on") if check["outcome"] == "pass" else check.get("due_on")
    if not day:
        return None
    return Margin(float((dt.date.fromisoformat(day) - today).days), _("days"))


def alert_title(rule: str) -> str:
    return str(ALERT_TITLES.get(rule, rule.replace("_", " ").capitalize()))


def alert_facts(data: Mapping[str, Any], rule: str = "") -> list[str]:
    """One sentence for each item of an alert."""
    items = data.get("items") or []
    if rule == "survey":
        return [_missing_words(item) for item in items]
    if rule == "lot_stores":
        return [_stores_sentence(item) for item in items]
    return [sentence for item in items if (sentence := check_sentence(item))]


def alert_sentence(rule: str, data: Mapping[str, Any], work_h: float | None = None) -> str:
    """The reason of an alert in one sentence."""
    items = data.get("items") or []
    if rule == "survey":
        minutes = round((work_h or 0) * 60)
        facts = ngettext("%(n)d fact", "%(n)d facts", len(items)) % {"n": len(items)}
        return _("Never surveyed: %(facts)s, about %(minutes)d min.") % {"facts": facts, "minutes": minutes}
    sentences = alert_facts(data, rule)
    if len(sentences) < 2:
        return "".join(sentences)
    more = len(sentences) - 1
    return f"{sentences[0]} " + ngettext("And %(n)d more.", "And %(n)d more.", more) % {"n": more}


UNSTATED_WORDS: dict[str, Any] = {
    "capacity": _l("the capacity of the bank is not on file"),
    "charger": _l("the current of its charger is not on file"),
    "charge_state": _l("its charge state is not known"),
}


def unstated_words(bits: int) -> list[str]:
    """What must be on file to tell how long a charge takes, in words."""
    return _flags(bits, UNSTATED_WORDS, Unstated)


_HOURS_UNKNOWN: dict[str, Any] = {
    "fault": _l("nobody stated how long the fault takes to mend"),
    "certificate": _l("how long its renewal takes is not on file"),
    "evidence": _l("how long it takes to show it again is not on file"),
    "inspection": _l("how long the inspection takes is not on file"),
    "part_fitted": _l("how long the part takes to fit is not on file"),
    "part_life": _l("how long the part takes to fit is not on file"),
    "part_ahead": _l("how long the part takes to fit is not on file"),
    "kit": _l("how long it takes to load is not on file"),
}


def _unknown_hours(item: Check) -> str:
    """What would have to be on file to tell the hours of one item of an alert."""
    if item.get("unstated"):
        return "; ".join(_flags(item["unstated"], UNSTATED_WORDS, Unstated))
    return str(_HOURS_UNKNOWN.get(str(item["key"]), _("they are not on file")))


def alert_hours(data: Mapping[str, Any], work_h: float | None = None) -> str:
    """How long a matter takes: a person's hours, the charger's beside them, and what is missing to tell the rest.

    Empty where there is no work of its own to tell hours of.
    """
    items = data.get("items") or []
    charge_h = max((float(item["charge_h"]) for item in items if item.get("charge_h")), default=0.0)
    unknown = list(dict.fromkeys(_unknown_hours(item) for item in items if item.get("hours_unknown")))
    said = [_("about %(hours)s h of work") % {"hours": _amount(work_h)}] if work_h else []
    if charge_h:
        said.append(_("%(hours)s h on the charger") % {"hours": _amount(charge_h)})
    if unknown:
        charger = any(item.get("hours_unknown") and item["key"] in _CHARGED for item in items)
        words = (
            _("hours on the charger not known: %(why)s") if charger else _("hours of work not known: %(why)s")
        )
        said.append(words % {"why": "; ".join(unknown)})
    if not said and any(item.get("not_here") for item in items):
        said.append(_("no work here can mend it"))
    return ", ".join(said)


_CHARGED = frozenset({"charge_floor", "charge_depart", "charge_interval", "charge_kept", "acid_frost"})


def _missing_words(item: Check) -> str:
    if item["key"] == "charge_known":
        why = _flags(item.get("reasons"), REASON_WORDS, Reason)
        return f"{subject_label(item)}: {'; '.join(why)}" if why else check_name(item)
    if item["key"] == "kit":
        return _("kit: never counted")
    label = subject_label(item) if item["key"] in {"certificate", "inspection", "part_fitted"} else ""
    return f"{check_name(item)}: {label}" if label else check_name(item)


def _stores_sentence(item: Check) -> str:
    if item.get("status") not in (None, "good"):
        return _("%(label)s in stores must not be used.") % {"label": item.get("label", "")}
    return _("%(label)s: %(qty)s in stores, good through %(day)s.") % {
        "label": item.get("label", ""),
        "qty": _amount(item.get("qty")),
        "day": day_text(item.get("due_on")),
    }
