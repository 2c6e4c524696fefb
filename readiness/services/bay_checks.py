"""Rules of how a depot charges, the same for pages, sheets and the admin: each refusal names what is wrong and its mend."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import time
from itertools import pairwise
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models.banks import Chemistry
from readiness.domain.chemistry import LITHIUM, chemistry
from readiness.models import BayTerms, ChargerBay, CrewDay, CrewHours, StoragePolicy, SupplyHours
from readiness.models.bays import MIDNIGHT, Weekday

Stretch = tuple[time, time]
MOST_A, MOST_V, MOST_KW = 2000.0, 1500.0, 1000.0


def check_setting(row: Any) -> None:
    """The rule of a row of any of these models. Raises DomainError."""
    for model, check in CHECKS.items():
        if isinstance(row, model):
            check(row)


def check_bay(bay: ChargerBay) -> None:
    if not bay.name.strip():
        raise DomainError("bay.no_name", _("Give the bay the name that is painted on it."))
    for name, value, most, unit in (
        (_("current"), bay.max_a, MOST_A, "A"),
        (_("voltage"), bay.max_v, MOST_V, "V"),
        (_("power"), bay.max_kw, MOST_KW, "kW"),
    ):
        if value is None and unit == "kW":
            continue
        if value is None or not math.isfinite(value) or value <= 0:
            raise DomainError(
                "bay.nothing",
                _(
                    "Bay {bay}: a {what} of {value} {unit} charges nothing. Type what stands on the plate of its charger."
                ),
                bay=bay.name,
                what=name,
                value="–" if value is None else f"{value:g}",
                unit=unit,
            )
        if value > most:
            raise DomainError(
                "bay.too_much",
                _(
                    "Bay {bay}: a {what} of {value} {unit} is more than any charger of a depot gives. Check the unit."
                ),
                bay=bay.name,
                what=name,
                value=f"{value:g}",
                unit=unit,
            )
    if not bay.profiles:
        raise DomainError(
            "bay.no_profile",
            _(
                "Bay {bay}: say for which chemistries its charger has a programme. Without one it can charge nothing."
            ),
            bay=bay.name,
        )
    _require_chemistries(bay.profiles)


def check_terms(terms: BayTerms) -> None:
    _require_chemistries(terms.unattended)
    if terms.handlings_per_hour is not None and terms.handlings_per_hour <= 0:
        raise DomainError(
            "terms.no_handling",
            _(
                "A crew that connects 0 banks an hour can begin no charge. Type how many it does, or leave the box empty "
                "while nobody knows."
            ),
        )


def check_hours(hours: CrewHours) -> None:
    check_week({hours.weekday: [(hours.opens, hours.closes)]})


def check_week(week: Mapping[int, Sequence[Stretch]]) -> None:
    """The hours of a week, by weekday (Monday 0): the crew leaves after it comes, no stretches overlap, some are there."""
    for weekday, stretches in sorted(week.items()):
        day = str(Weekday(weekday).label)
        for opens, closes in stretches:
            if closes <= opens:
                raise DomainError(
                    "crew.leaves_first",
                    _(
                        "{day}: the crew leaves at {closes}, before it comes at {opens}. A shift over midnight is two "
                        "lines: until 23:59, and from 00:00 on the next day."
                    ),
                    day=day,
                    opens=f"{opens:%H:%M}",
                    closes=f"{closes:%H:%M}",
                )
        for (first, until), (again, end) in pairwise(sorted(stretches)):
            if again < until:
                raise DomainError(
                    "crew.overlap",
                    _("{day}: {one} and {other} overlap. Join them, or let one end before the other begins."),
                    day=day,
                    one=f"{first:%H:%M}–{until:%H:%M}",
                    other=f"{again:%H:%M}–{end:%H:%M}",
                )
    if not any(week.values()):
        raise DomainError(
            "crew.no_hours",
            _(
                "A depot with no hours can begin no charge at all. Type the hours of at least one weekday; a single day on "
                "which it is closed is an odd day."
            ),
        )


def check_day(day: CrewDay) -> None:
    if (day.opens is None) != (day.closes is None):
        raise DomainError(
            "crew.half_day",
            _("{day}: give both hours, or none for a day on which the depot is closed."),
            day=day.day.isoformat(),
        )
    if day.opens is not None and day.closes is not None and day.closes <= day.opens:
        raise DomainError(
            "crew.leaves_first_that_day",
            _("{day}: the crew leaves at {closes}, before it comes at {opens}. Check both hours."),
            day=day.day.isoformat(),
            opens=f"{day.opens:%H:%M}",
            closes=f"{day.closes:%H:%M}",
        )
    if not day.reason.strip():
        raise DomainError("crew.no_reason", _("Say why the day is unlike others: people will ask."))


def check_supply(hours: SupplyHours) -> None:
    if hours.ends != MIDNIGHT and hours.ends <= hours.starts:
        raise DomainError(
            "supply.ends_first",
            _(
                "The hours end at {ends}, before they start at {starts}. Hours over midnight are two lines: until 00:00, "
                "and from 00:00 on."
            ),
            starts=f"{hours.starts:%H:%M}",
            ends=f"{hours.ends:%H:%M}",
        )
    if hours.limit_kw is None or not math.isfinite(hours.limit_kw) or hours.limit_kw < 0:
        raise DomainError("supply.negative", _("The limit must be a number of kW, 0 or more."))
    if hours.limit_kw > MOST_KW:
        raise DomainError(
            "supply.too_much",
            _("A limit of {value} kW is more than any depot draws. Check the unit."),
            value=f"{hours.limit_kw:g}",
        )


def check_policy(policy: StoragePolicy) -> None:
    _require_chemistries([policy.chemistry])
    if chemistry(policy.chemistry).family != LITHIUM and policy.store_soc != 1:
        raise DomainError(
            "storage.kept_full",
            _(
                "{chemistry} is kept full: there is nothing to choose. Lead-acid that stands under 75 to 80 % sulphates, "
                "and nickel tells nobody what is in it."
            ),
            chemistry=str(policy.get_chemistry_display()),
        )
    if not policy.reason.strip():
        raise DomainError(
            "storage.no_reason", _("Say why: whoever comes after you must be able to weigh it again.")
        )
    if policy.store_soc is None or not 0.05 <= policy.store_soc <= 1:
        raise DomainError(
            "storage.soc",
            _("Banks are kept at 5 % to 100 % of their capacity. Check the number and its unit."),
        )


def _require_chemistries(codes: Sequence[str]) -> None:
    for code in codes:
        if code not in Chemistry.values:
            raise DomainError(
                "bay.chemistry",
                _("'{code}' is no chemistry on file. Known are: {known}."),
                code=code,
                known=", ".join(Chemistry.values),
            )


CHECKS: dict[type, Any] = {
    ChargerBay: check_bay,
    BayTerms: check_terms,
    CrewHours: check_hours,
    CrewDay: check_day,
    SupplyHours: check_supply,
    StoragePolicy: check_policy,
}
