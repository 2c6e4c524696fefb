"""Charges that should have ended by now, found by the clock."""

from __future__ import annotations

import datetime as dt

from django.db.models import DateTimeField, Exists, ExpressionWrapper, F, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce

from fleet.models import BankStay
from readiness.domain.checks_charge import OPEN_CHARGE_DAYS
from readiness.models import Alert, Charge, Verdict

MOST = 500


def units_with_charges_past_end(*, now: dt.datetime) -> list[int]:
    """Units in service with a charge open past its planned end (none planned: a day and a half), at most MOST.

    Left out are banks whose charge is an open matter already, and units judged since that end. One query.
    """
    assumed = ExpressionWrapper(
        F("happened_at") + dt.timedelta(days=OPEN_CHARGE_DAYS), output_field=DateTimeField()
    )
    past = (
        Charge.objects.counting()
        .filter(ended_at__isnull=True)
        .filter(
            Q(planned_end_at__lte=now)
            | Q(planned_end_at__isnull=True, happened_at__lte=now - dt.timedelta(days=OPEN_CHARGE_DAYS))
        )
    )
    stays = BankStay.objects.filter(bank=OuterRef("bank"), ended_at__isnull=True)
    in_service = stays.filter(unit__isnull=False, unit__retired_on__isnull=True)
    told = Alert.objects.filter(rule="charge_open", bank=OuterRef("bank"), cleared_at__isnull=True)
    since = Verdict.objects.filter(
        unit=OuterRef("in_unit"), current=True, confirmed_at__gte=OuterRef("end_at")
    )
    found = (
        past.annotate(
            in_unit=Subquery(in_service.values("unit")[:1]), end_at=Coalesce("planned_end_at", assumed)
        )
        .filter(~Exists(told), ~Exists(since), in_unit__isnull=False)
        .order_by("end_at")
        .values_list("in_unit", flat=True)
    )
    return list(dict.fromkeys(found[:MOST]))
