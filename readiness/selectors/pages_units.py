"""Units as the list and the horizon show them: each with the verdict that may be shown, never a stale one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

from django.db.models import (
    Case,
    CharField,
    Count,
    DateField,
    Exists,
    F,
    FilteredRelation,
    Min,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)

from fleet.lib.dates import find_zone
from fleet.models import BankStay, Place, Unit, UnitStay
from readiness.models import Alert, BankState, JudgementDue, SetAside
from readiness.models.sweep import Outcome

SWEEP_HOUR = dt.time(2, 0)
# The nightly pass of a large depot takes a while; until then the verdict of yesterday may still be shown, because
# what dates alone would turn is caught by `turns_on`.
SWEEP_GRACE = dt.timedelta(hours=2)


def last_due_sweep_day(now: dt.datetime, zone: str) -> dt.date:
    """The day whose nightly sweep must have run by now, in a depot's own zone."""
    return (now.astimezone(find_zone(zone)) - dt.timedelta(hours=SWEEP_HOUR.hour) - SWEEP_GRACE).date()


def _by_zone(depots: Iterable[Place], day_in: Any) -> Case:
    """A day per depot, spelled as one CASE so that a list of many zones stays one query."""
    homes: dict[str, list[int]] = {}
    for depot in depots:
        homes.setdefault(depot.time_zone, []).append(depot.pk)
    return Case(
        *(When(home_id__in=keys, then=Value(day_in(zone))) for zone, keys in homes.items()),
        default=Value(day_in("UTC")),
        output_field=DateField(),
    )


def units_with_verdicts(
    *, now: dt.datetime, depots: Sequence[Place], depot: Place | None = None
) -> QuerySet[Any]:
    """Units in service with what may be shown of them; all further reads are annotations of the one query.

    ``shown_outcome`` is 'cannot decide' when there is no verdict, when it is older than the last due sweep, when dates
    have turned it, when the unit was set aside, or when something changed and it waits to be judged again.
    ``why_undecided`` says which: none, old, turned, aside, waiting, or empty. Nor is the charge of its banks shown then:
    ``charge_low`` and ``charge_due`` are empty, ``charge_day`` says the day as of which the charge was last worked out.
    """
    units = Unit.objects.in_service().select_related("design", "home")
    if depot is not None:
        units = units.filter(home=depot)
    undecided = Value(Outcome.CANNOT_DECIDE.value)
    aside = SetAside.objects.filter(unit=OuterRef("pk"), cleared_at__isnull=True)
    here = UnitStay.objects.filter(unit=OuterRef("pk"), ended_at__isnull=True)
    banks = BankStay.objects.filter(unit=OuterRef("pk"), ended_at__isnull=True).order_by()

    def least(column: str) -> QuerySet[Any]:
        return banks.values("unit").annotate(least=Min(column), known=Count(column), all=Count("pk"))

    charge_current = Q(why_undecided="", charge_day__gte=F("day_due"))
    return (
        units.annotate(
            shown=FilteredRelation("verdicts", condition=Q(verdicts__current=True)),
            day_here=_by_zone(depots, lambda zone: now.astimezone(find_zone(zone)).date()),
            day_due=_by_zone(depots, lambda zone: last_due_sweep_day(now, zone)),
            is_aside=Exists(aside),
            is_waiting=Exists(JudgementDue.objects.filter(unit=OuterRef("pk"))),
        )
        .annotate(
            why_undecided=Case(
                When(is_waiting=True, then=Value("waiting")),
                When(shown__isnull=True, then=Value("none")),
                When(is_aside=True, then=Value("aside")),
                When(shown__last_confirmed_day__lt=F("day_due"), then=Value("old")),
                When(shown__turns_on__lte=F("day_here"), then=Value("turned")),
                default=Value(""),
                output_field=CharField(),
            ),
            shown_outcome=Case(
                When(~Q(why_undecided=""), then=undecided),
                default=F("shown__outcome"),
                output_field=CharField(),
            ),
            shown_hours=Case(When(why_undecided="", then=F("shown__time_to_ready_h"))),
            shown_result=F("shown__result"),
            shown_day=F("shown__last_confirmed_day"),
            away=Subquery(here.values("absence__purpose")[:1]),
            at_place=Subquery(here.values("place__name")[:1]),
            charge_day=Subquery(least("bank__state__as_of").values("least")[:1]),
            open_alerts=Exists(Alert.objects.filter(about_unit=OuterRef("pk"), cleared_at__isnull=True)),
        )
        .annotate(
            charge_low=Case(
                When(
                    charge_current,
                    then=Subquery(least("bank__state__low_soc").filter(known=F("all")).values("least")[:1]),
                )
            ),
            charge_due=Case(
                When(charge_current, then=Subquery(least("bank__state__due_day").values("least")[:1]))
            ),
        )
    )


def current_state(state: BankState | None, current_from: dt.date | None) -> BankState | None:
    """A bank's state as long as it may be shown: as of ``current_from`` (None: not at all) or later."""
    if state is None or current_from is None or state.as_of < current_from:
        return None
    return state
