"""The line of a depot: how many are ready at the same time, and what they compete for."""

from __future__ import annotations

from django.utils.translation import gettext as _

from readiness.selectors.pages_together import DepotTogether


def together_words(found: DepotTogether) -> str:
    """``Phoenix: 7 of 9 ready, 5 of them at the same time. They compete for slings (7 needed, 5 there).``"""
    answer = found.answer
    facts = {
        "depot": found.depot.name,
        "alone": answer.alone,
        "units": found.units,
        "at_once": answer.at_once,
    }
    if not answer.contests and answer.proven:
        return (
            _("%(depot)s: %(alone)d of %(units)d ready, all of them at the same time.") % facts
            if answer.alone
            else _("%(depot)s: none of %(units)d ready.") % facts
        )
    told = _("%(depot)s: %(alone)d of %(units)d ready alone, %(at_once)d of them at the same time.") % facts
    if not answer.proven:
        told = (
            _("%(depot)s: %(alone)d of %(units)d ready alone, at least %(at_once)d of them at the same time.")
            % facts
        )
    if not answer.contests:
        return told
    things = ", ".join(
        _("%(thing)s (%(needed)s needed, %(there)s there)")
        % {
            "thing": found.names.get(one.key, one.key),
            "needed": f"{one.needed:g}",
            "there": f"{one.available:g}",
        }
        for one in answer.contests
    )
    return told + " " + _("They compete for %(things)s.") % {"things": things}
