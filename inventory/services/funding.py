"""The limits of a source of money, in one sentence each; asked when an order is written and when a lot is picked."""

from __future__ import annotations

from datetime import date

from django.utils.translation import gettext_noop as _

from inventory.domain.errors import OrderError
from inventory.domain.funding import funding_hindrance
from inventory.models import FundingSource

SENTENCES = {
    "ended": _("{source} ended on {ends}: on {day} nothing of it may be spent or used."),
    "country": _("{source} is only for {countries}, not for {country}."),
    "country_unknown": _("{source} is only for {countries}, and the country of {where} is not on file."),
}


def funding_error(source: FundingSource, *, day: date, country: str, where: str) -> OrderError | None:
    """Why something paid from a source may not be bought or used there on that day; None when it may. No query."""
    hindrance = funding_hindrance(
        ends_on=source.ends_on, countries=source.countries, day=day, country=country
    )
    if not hindrance:
        return None
    return OrderError(
        f"funding.{hindrance}",
        SENTENCES[hindrance],
        source=source.name,
        ends=str(source.ends_on),
        day=day.isoformat(),
        countries=source.countries,
        country=country,
        where=where,
    )
