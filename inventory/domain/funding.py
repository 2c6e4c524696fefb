"""What a source of money may be spent on: until when, and in which countries. Its purpose is words, for people to read."""

from __future__ import annotations

import re
from datetime import date
from typing import Literal

FundingHindrance = Literal["", "ended", "country", "country_unknown"]


def funding_hindrance(*, ends_on: date | None, countries: str, day: date, country: str) -> FundingHindrance:
    """What keeps goods of a source from being bought or used on `day` in `country` (two letters of ISO 3166-1); "": nothing.

    `ends_on` is valid through that day; None: no end. `countries` are codes with anything but letters between; empty: all.
    A country that is not known is not taken as allowed.
    """
    if ends_on is not None and ends_on < day:
        return "ended"
    allowed = set(re.findall(r"[A-Z]{2}", countries.upper()))
    if not allowed:
        return ""
    if not country:
        return "country_unknown"
    return "" if country.upper() in allowed else "country"
