"""A charge begun and ended from a line of the bay plan: the same records as on the page of the bank, tied to the line."""

from __future__ import annotations

import datetime as dt
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_noop as _

from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import BankStay, User
from fleet.services.audit import audit_record
from fleet.services.records import locked, said
from readiness.models import BayPlan, BayPlanLine, Charge
from readiness.selectors.bay_plan import bay_still_so
from readiness.services.upkeep.charges import charge_start, charge_stop


def bay_line_start(
    *,
    line: BayPlanLine,
    actor: User | None,
    token: UUID | None = None,
    now: dt.datetime | None = None,
) -> Charge:
    """Begins the charge of a line of the published plan, now, on its bay. Started twice is started once."""
    now = now or timezone.now()
    with transaction.atomic():
        row: BayPlanLine = locked(line)
        plan, bay, bank = row.plan, row.bay, row.bank
        if row.charge is not None and row.charge.counts:
            return row.charge
        if plan.state != BayPlan.State.PUBLISHED:
            raise DomainError(
                "bay_line.not_published",
                _("This line belongs to a plan that is {state}. Look at the plan that counts now."),
                state=plan.get_state_display(),
            )
        if not bay_still_so(
            plan.frozen["facts"], bay, now.astimezone(find_zone(plan.place.time_zone)).date()
        ):
            raise DomainError(
                "bay_line.bay_changed",
                _(
                    "Bay {bay} has ended or was changed since this plan was made: what the line says of its charger holds "
                    "no longer. Plan anew."
                ),
                bay=bay.name,
            )
        stay = BankStay.objects.current().filter(bank=bank).select_related("unit").first()
        here = stay is not None and (
            stay.place_id == plan.place_id
            or (
                stay.unit is not None
                and stay.unit.stays.filter(ended_at__isnull=True, place=plan.place).exists()
            )
        )
        if not here:
            raise DomainError(
                "bay_line.not_here",
                _("Bank {bank} is not at {place} by the records. Write down where it is first."),
                bank=bank.serial,
                place=plan.place.name,
            )
        locked(bay)
        other = (
            Charge.objects.counting()
            .filter(ended_at__isnull=True, place=plan.place, bay=bay.name)
            .exclude(bank=bank)
            .select_related("bank")
            .first()
        )
        if other is not None:
            raise DomainError(
                "bay_line.bay_taken",
                _(
                    "Bay {bay} is taken: bank {other} has been charging on it since {start}. End that charge first."
                ),
                bay=bay.name,
                other=other.bank.serial,
                start=said(other.happened_at, plan.place.time_zone),
            )
        charge = charge_start(
            bank=bank,
            happened_at=now,
            planned_end_at=now + (row.ends_at - row.starts_at),
            bay=bay.name,
            place=plan.place,
            actor=actor,
            token=token,
            now=now,
        )
        row.charge = charge
        row.save(update_fields=["charge"])
        audit_record(
            actor=actor,
            action="bayplan.line_start",
            subject=plan,
            after={"bank": bank.serial, "bay": bay.name, "charge": charge.pk},
            place=plan.place,
        )
    return charge


def bay_line_stop(
    *, line: BayPlanLine, actor: User | None, now: dt.datetime | None = None, **given: Any
) -> Charge:
    """Ends the charge of a line; `given` are the arguments of `charge_stop`."""
    charge = given.pop("charge", None) or line.charge
    if charge is None:
        raise DomainError("bay_line.not_begun", _("The charge of this line has not begun."))
    return charge_stop(charge=charge, actor=actor, now=now, **given)
