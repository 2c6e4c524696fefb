"""A fork truck in words, as one more conveyance: on the sheet, in the search, in the API and the command."""

from __future__ import annotations

from django.utils.translation import gettext_lazy

from fleet.domain.fit.answers import Answer
from fleet.domain.fit.reasons import REASONS
from fleet.domain.transport.answers import Carried
from fleet.domain.transport.fork import FORK_TRUCK
from readiness.web.transport import CARRIED_OUTCOME, CARRIED_WORDS, GridRow, tightest

FORK_TITLE = gettext_lazy("By a fork truck")
FORK_NAME = gettext_lazy("the fork truck asked for")
FORKS = gettext_lazy("the forks and the pockets")
YARD_ONLY = gettext_lazy("the law of the goods and the papers, for a fork truck moves it in the yard only")


def fork_row(answer: Answer) -> GridRow:
    """The answer with all that stands against it, or with what binds most."""
    carried = {"fits": Carried.YES, "refused": Carried.NO}.get(answer.verdict, Carried.CANNOT_DECIDE)
    against = tuple((REASONS[key].sentence, REASONS[key].source) for key in answer.against)
    return GridRow(
        FORK_TRUCK,
        str(FORK_NAME),
        str(CARRIED_WORDS[carried]),
        CARRIED_OUTCOME[carried],
        answer.margin_mm,
        answer.margin_kg,
        (tightest(answer),) if answer.fits else against,
        carried,
    )
