"""The law of one load in words: every unit, load points or materials of trade, and what must be kept apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from django.utils.translation import gettext as _

from fleet.domain.dangerous_goods.answers import Decision
from fleet.domain.dangerous_goods.rules import Rules
from fleet.domain.dangerous_goods.whole_load import Kind, LoadDecision, LoadedUnit, judge_load
from fleet.domain.dangerous_goods.words import Verdict
from fleet.domain.transport.answers import mode_of_conveyance
from readiness.web.transport import MODE_WORDS, VERDICT_WORDS, not_held, outcome_of_verdict
from readiness.web.transport_asks import missing_words
from readiness.web.transport_load import UNSAID, LoadLaw, LoadQuestion, PairWords, RulingWords, UnitLaw


def law_of_load(
    aboard: Sequence[LoadedUnit], tag_of: Mapping[str, str], question: LoadQuestion, rules: Rules
) -> tuple[LoadDecision, LoadLaw]:
    """The decision, and the same in words. `tag_of`: the units among what is aboard; the rest are kit pallets."""
    mode, _gates = mode_of_conveyance(question.conveyance)
    found = judge_load(aboard, mode, question.ship_date, rules=rules)
    if not found.units:
        verdict = Verdict.NOT_RESTRICTED
        found = LoadDecision(mode, verdict, (), None, None, (), None, (), ())
    editions = [decision.edition for _n, unit in found.units for _label, decision in unit.lines]
    edition = next((edition.name for edition in editions if edition is not None), "")
    return found, LoadLaw(
        str(MODE_WORDS[mode]),
        str(VERDICT_WORDS[found.verdict]),
        outcome_of_verdict(found.verdict),
        edition or (not_held(rules, mode, question.ship_date) if found.units else ""),
        tuple(
            UnitLaw(
                name,
                tag_of.get(name, ""),
                str(VERDICT_WORDS[judged.verdict]),
                outcome_of_verdict(judged.verdict),
                (str(UNSAID),)
                if name not in tag_of
                else tuple(
                    dict.fromkeys(
                        f"{label or _('the list of goods')}: {decision.sentence}"
                        for label, decision in judged.lines
                        if decision.verdict == judged.verdict
                        and decision.verdict is not Verdict.NOT_RESTRICTED
                    )
                ),
            )
            for name, judged in found.units
        ),
        _ruling(found.points),
        found.points_total,
        found.point_lines,
        _ruling(found.trade),
        tuple(
            PairWords(
                _kind(pair.first),
                _kind(pair.second),
                outcome_of_verdict(pair.decision.verdict),
                pair.decision.sentence,
                pair.decision.conditions,
                pair.decision.source,
                pair.decision.verify_before_use,
            )
            for pair in found.pairs
            if pair.decision.reason != "no_table_conflict"
        ),
        sum(pair.decision.reason == "no_table_conflict" for pair in found.pairs),
        found.single_load_lost,
    )


def _ruling(decision: Decision | None) -> RulingWords | None:
    if decision is None:
        return None
    eased = decision.reason in ("adr_1136_within", "mot_within")
    outcome = outcome_of_verdict(decision.verdict)
    return RulingWords(
        outcome if eased or outcome != "pass" else "fail",
        decision.sentence,
        decision.conditions,
        ", ".join(missing_words(decision.missing)),
        decision.source,
        decision.verify_before_use,
    )


def _kind(kind: Kind) -> str:
    if not kind.un:
        return str(_("goods whose UN number is not known (%(whose)s)") % {"whose": ", ".join(kind.held_by)})
    hazards = ", ".join(kind.hazards)
    return str(
        _("UN %(un)s, class %(hazards)s (%(whose)s)")
        % {"un": kind.un, "hazards": hazards, "whose": ", ".join(kind.held_by)}
    )
