"""The charge card as a tagged PDF (PDF/UA-1, A4): the same words as the page, handed over as data, never as markup."""

from __future__ import annotations

import datetime as dt
import json
from importlib import resources
from typing import Any

import typst
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from readiness.web.charge_card import CardGroup, CardWords

TEMPLATE = "charge_card.typ"


def card_pdf(card: CardWords, *, depot: str, worked_out: str, now: dt.datetime) -> bytes:
    """The PDF of a card, as it was at `now`; `worked_out` is that moment in the depot's words. Equal cards, equal bytes."""
    source = resources.files("readiness.web").joinpath(TEMPLATE).read_bytes()
    made: Any = typst.compile(
        source,
        format="pdf",
        sys_inputs={"data": json.dumps(pdf_data(card, depot, worked_out), ensure_ascii=False)},
        pdf_standards="ua-1",
        timestamp=int(now.timestamp()),
    )
    return bytes(made)


def pdf_data(card: CardWords, depot: str, worked_out: str) -> dict[str, Any]:
    """What the template prints: text and lists of text."""
    return {
        "title": str(_("Charge card %(serial)s") % {"serial": card.serial}),
        "author": "Musterwell",
        "lang": (get_language() or "en").partition("-")[0],
        "about": ", ".join(filter(None, [card.about, card.where, depot])),
        "verdict": card.verdict,
        "bad": card.outcome != "pass",
        "decides": card.decides,
        "cautions": list(card.cautions),
        "groups": [_group(group) for group in card.groups],
        "footer": _("%(serial)s. %(decides)s Worked out %(at)s.")
        % {"serial": card.serial, "decides": card.decides, "at": worked_out},
        "words": {
            "caution": str(_("Caution")),
            "marks": {
                "pass": str(_("pass")),
                "fail": str(_("fail")),
                "cannot_decide": str(_("cannot decide")),
            },
            "done": str(_("Done by, on, hours, Ah returned, end sign:")),
        },
    }


def _group(group: CardGroup) -> dict[str, Any]:
    unknown = str(_("not known"))
    return {
        "title": group.title,
        "pairs": [[pair.label, pair.value or unknown, pair.note] for pair in group.pairs],
        "checks": [[check.name, check.outcome, check.words] for check in group.checks],
        "source": group.source,
    }
