"""Taking a movement back by a reversing entry, once; the position or debt it had touched is as it was before."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext_noop as _

from fleet.models import User
from fleet.services.records import moment_or_now
from inventory.domain.errors import NotReversible, PositionTaken
from inventory.models import FittedPart, Movement
from inventory.services.debts import debts_after_reversal, position_filled
from inventory.services.orders import order_of_movement_held, receipt_after_reversal
from inventory.services.posting import lock_lots, movement_with, post, reversal_of, stamp
from inventory.services.stock import refuse_no_reason

Kind = Movement.Kind


def movement_reverse(
    *,
    movement: Movement,
    reason: str,
    actor: User | None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> Movement:
    """Takes a movement back as if it had never been: the reversal stands at the movement's own moment.

    A fit that is reversed never was (its fitting is void); a removal that is reversed puts the piece back into its
    position, with its hours. Refused: a second time, a reversal, a fit whose part was removed, a removal whose piece
    was fitted again or scrapped or whose position holds another part, and whatever would leave a balance below zero.
    """
    refuse_no_reason(reason)
    with transaction.atomic():
        order_of_movement_held(movement)
        lots = lock_lots([movement.lot_id])
        there = movement_with(token)
        if there is not None and there.reverses_id == movement.pk:
            return there
        old = Movement.objects.select_related("lot__item", "fitted_part__unit", "from_unit", "to_unit").get(
            pk=movement.pk
        )
        _refuse_twice(old)
        if old.kind == Kind.FIT:
            _unfit(old)
        elif old.kind == Kind.REMOVE:
            _put_back(old)
        line = reversal_of(old, reason=reason.strip(), actor=actor, token=token)
        stamp([line], actor=actor, now=moment_or_now(now))
        (reversal,) = post([line], lots)
        debts_after_reversal(movement=old, actor=actor)
        receipt_after_reversal(movement=old, actor=actor)
        if old.kind == Kind.REMOVE and old.fitted_part is not None:
            part = old.fitted_part
            position_filled(unit=part.unit, position=part.position, movement=reversal, actor=actor)
        return reversal


def _refuse_twice(old: Movement) -> None:
    if old.kind == Kind.REVERSAL:
        raise NotReversible(
            "movement.is_reversal",
            _("This line is itself a reversal. Record the movement again if it did happen."),
        )
    if Movement.objects.filter(reverses=old).exists():
        raise NotReversible("movement.reversed", _("This movement was reversed already."))


def _unfit(old: Movement) -> None:
    """The fitting never was: the part is not in the position and brought no use along."""
    part = _locked_part(old)
    if part.removed_at is not None:
        raise NotReversible(
            "movement.part_removed",
            _("The part was removed from {position} of {unit} since: reverse the removal first."),
            position=part.position,
            unit=str(part.unit),
        )
    part.removed_at, part.void, part.follows = part.fitted_at, True, None
    part.save(update_fields=["removed_at", "void", "follows", "updated_at"])


def _put_back(old: Movement) -> None:
    """The piece was never taken out: it is in its position still, and its hours run on."""
    part = _locked_part(old)
    again = FittedPart.objects.filter(follows=part).select_related("unit").first()
    if again is not None:
        raise NotReversible(
            "movement.piece_fitted_again",
            _("The piece was fitted again in {position} of {unit} since: reverse that first."),
            position=again.position,
            unit=str(again.unit),
        )
    if Movement.objects.filter(fitted_part=part, kind=Kind.SCRAP, reversed_by__isnull=True).exists():
        raise NotReversible(
            "movement.piece_scrapped", _("The piece was scrapped since: reverse the scrapping first.")
        )
    other = (
        FittedPart.objects.filter(
            unit=part.unit, position=part.position, void=False, fitted_at__gte=part.fitted_at
        )
        .exclude(pk=part.pk)
        .first()
    )
    if other is not None:
        raise PositionTaken(
            "position.filled_since",
            _("{position} of {unit} was filled by {part} since: reverse that first."),
            position=part.position,
            unit=str(part.unit),
            part=str(other.lot),
        )
    part.removed_at = None
    part.save(update_fields=["removed_at", "updated_at"])


def _locked_part(old: Movement) -> FittedPart:
    assert old.fitted_part_id is not None
    part = (
        FittedPart.objects.select_for_update(of=("self",)).select_related("unit").get(pk=old.fitted_part_id)
    )
    old.fitted_part = part
    return part
