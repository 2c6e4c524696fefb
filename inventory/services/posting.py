"""The one way into the ledger: movements and the balances they change, in one transaction.

Steps: lock the lots in the order of their keys; read balances and what the ledger holds after the new lines; walk
each lot in each place through time (`inventory.domain.timeline`); insert the movements; change each balance by one
conditional update. Whoever calls is inside `transaction.atomic()`.
"""

from __future__ import annotations

import functools
import operator
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from uuid import UUID, uuid5

from django.db import connection
from django.db.models import Case, Count, DecimalField, F, Q, Value, When
from django.db.models.functions import Round
from django.utils.translation import gettext_noop as _

from fleet.lib.dates import find_zone
from fleet.models import User
from fleet.services.changes import units_changed
from inventory.domain.errors import StockError, TooLittle
from inventory.domain.timeline import Entry, Shortfall, Walk, walk
from inventory.models import Balance, FittedPart, Lot, Movement
from inventory.selectors.spots import Spot, qty_words, spot_name, spot_zone, spots_of
from inventory.services.store_changes import StoreChange, stores_changed

Key = tuple[int, Spot]  # lot and spot

LOTS_AT_A_TIME = 200
BALANCES_AT_A_TIME = 100
QTY = DecimalField(max_digits=12, decimal_places=3)
WORKED_OUT_ANEW = _(
    "An earlier movement became known: the difference this count explained was worked out anew."
)


def lock_lots(lot_ids: Collection[int]) -> dict[int, Lot]:
    """The lots with their items, kept from others until the transaction ends, locked in the order of their keys."""
    if not connection.in_atomic_block:
        raise RuntimeError("Lots are locked inside a transaction.")
    locked = (
        Lot.objects.select_for_update(of=("self",), no_key=True)
        .select_related("item")
        .filter(pk__in=lot_ids)
        .order_by("pk")
    )
    return {lot.pk: lot for lot in locked}


def nth_token(token: UUID | None, number: int) -> UUID | None:
    """The token of the n-th movement of one action; the first bears the form's own."""
    if token is None or number == 0:
        return token
    return uuid5(token, str(number))


def movement_with(token: UUID | None) -> Movement | None:
    """What an earlier submission with this token wrote."""
    if token is None:
        return None
    return Movement.objects.select_related("lot__item", "fitted_part").filter(token=token).first()


def said_once(token: UUID | None, kind: str, lot: Lot | None = None) -> Movement | None:
    """The movement of an earlier submission, if it was the same one; a token used for something else is refused."""
    there = movement_with(token)
    if there is not None and (there.kind != kind or (lot is not None and there.lot_id != lot.pk)):
        raise StockError(
            "stock.token_used",
            _("This form was used already for another movement. Open it anew and type it again."),
        )
    return there


@dataclass(slots=True)
class Outcome:
    """What became of many lines: movements by index, and for a refused line its error."""

    movements: dict[int, Movement] = field(default_factory=dict)
    refused: dict[int, StockError] = field(default_factory=dict)
    recounts: list[Movement] = field(default_factory=list)


def post(lines: Sequence[Movement], lots: dict[int, Lot] | None = None) -> list[Movement]:
    """Writes these movements or raises the first refusal. For a count set `counted_qty` and where as `to_*`."""
    outcome = post_many(lines, lots=lots, keep_going=False)
    return [outcome.movements[index] for index in range(len(lines))]


def post_many(
    lines: Sequence[Movement],
    *,
    lots: dict[int, Lot] | None = None,
    keep_going: bool = True,
    after_batch: Callable[[int, int], None] | None = None,
) -> Outcome:
    """Writes many movements in few queries; with `keep_going` refused lines are left out and told.

    `after_batch(done, total)` is called after each batch of lots.
    """
    by_lot: dict[int, list[int]] = defaultdict(list)
    for index, line in enumerate(lines):
        by_lot[line.lot_id].append(index)
    outcome = Outcome()
    ids = sorted(by_lot)
    done = 0
    for start in range(0, len(ids), LOTS_AT_A_TIME):
        batch = {lot: by_lot[lot] for lot in ids[start : start + LOTS_AT_A_TIME]}
        held = lots if lots is not None else lock_lots(batch)
        _post_batch(batch, lines, held, outcome, keep_going)
        done += sum(map(len, batch.values()))
        if after_batch is not None:
            after_batch(done, len(lines))
    return outcome


class _Refused(Exception):
    def __init__(self, line: int, error: StockError) -> None:
        super().__init__(line, error)
        self.line, self.error = line, error


def _post_batch(
    by_lot: dict[int, list[int]],
    lines: Sequence[Movement],
    lots: dict[int, Lot],
    outcome: Outcome,
    keep_going: bool,
) -> None:
    balances = {_key_of(row): row for row in Balance.objects.filter(lot_id__in=by_lot)}
    later = _later_entries(by_lot, lines)
    pieces = _pieces_in_positions(lots)
    ends: dict[Key, Decimal] = {}
    kept: list[int] = []
    recounts: list[tuple[int, Key, Decimal]] = []
    for lot_id, indexes in by_lot.items():
        remaining = list(indexes)
        while remaining:
            try:
                walks = _walk_lot(lots[lot_id], remaining, lines, balances, later, pieces)
            except _Refused as refusal:
                if not keep_going:
                    raise refusal.error from None
                outcome.refused[refusal.line] = refusal.error
                remaining.remove(refusal.line)
                continue
            for key, path in walks.items():
                ends[key] = path.end
                recounts += [(ref, key, effect) for ref, effect in path.recounts]
                for index, effect in path.effects.items():
                    if lines[index].kind == Movement.Kind.COUNT:
                        _settle_count(lines[index], effect)
            kept += remaining
            break
    again = _counted_again(recounts)
    written = Movement.objects.bulk_create([lines[index] for index in kept] + again, batch_size=500)
    outcome.movements.update(zip(kept, written, strict=False))
    outcome.recounts += again
    _change_balances(balances, ends)
    units = {unit for line in written for unit in (line.from_unit_id, line.to_unit_id) if unit}
    units_changed(units)
    stores_changed(
        {
            StoreChange(place, lots[line.lot_id].item_id, line.lot_id)
            for line in written
            for place in (line.from_place_id, line.to_place_id)
            if place
        },
        told=units,
    )


def _key_of(row: Balance) -> Key:
    return (row.lot_id, ("place", row.place_id) if row.place_id else ("unit", row.unit_id or 0))


def _later_entries(by_lot: dict[int, list[int]], lines: Sequence[Movement]) -> dict[Key, list[Entry]]:
    """What the ledger holds after the first new line of each lot, by lot and spot, in the order of the ledger."""
    first = {lot: min(lines[index].happened_at for index in indexes) for lot, indexes in by_lot.items()}
    found: dict[Key, list[Entry]] = defaultdict(list)
    rows = (
        Movement.objects.filter(lot_id__in=by_lot, happened_at__gt=min(first.values()))
        .annotate(undone=F("reversed_by__pk"))
        .order_by("happened_at", "pk")
    )
    for row in rows:
        if row.happened_at <= first[row.lot_id]:
            continue
        stands = row.kind == Movement.Kind.COUNT and row.undone is None
        for spot, sign in spots_of(row):
            entry = Entry(
                at=row.happened_at,
                effect=sign * row.qty,
                counted=row.counted_qty if stands else None,
                ref=row.pk,
            )
            found[row.lot_id, spot].append(entry)
    return found


def _walk_lot(
    lot: Lot,
    indexes: Sequence[int],
    lines: Sequence[Movement],
    balances: dict[Key, Balance],
    later: dict[Key, list[Entry]],
    pieces: dict[int, int],
) -> dict[Key, Walk]:
    new: dict[Spot, list[Entry]] = defaultdict(list)
    for index in sorted(indexes, key=lambda number: lines[number].happened_at):
        line = lines[index]
        counted = line.counted_qty if line.kind == Movement.Kind.COUNT else None
        for spot, sign in spots_of(line):
            new[spot].append(Entry(line.happened_at, sign * line.qty, counted, line=index))
    walks = {}
    for spot, entries in new.items():
        existing = later.get((lot.pk, spot), [])
        row = balances.get((lot.pk, spot))
        now = row.qty if row else Decimal(0)
        base = now - sum((entry.effect for entry in existing), Decimal(0))
        try:
            walks[lot.pk, spot] = walk(base, existing, entries)
        except Shortfall as short:
            index = short.line if short.line is not None else entries[-1].line or 0
            raise _Refused(index, _too_little(lot, spot, lines[index], short)) from None
    if lot.item.serialised:
        _refuse_two_of_one(lot, indexes[-1], walks, balances, pieces)
    return walks


def _pieces_in_positions(lots: dict[int, Lot]) -> dict[int, int]:
    """How many pieces of each serialised lot sit in positions now; the caller has changed the positions already."""
    serialised = [lot.pk for lot in lots.values() if lot.item.serialised]
    if not serialised:
        return {}
    open_parts = FittedPart.objects.filter(lot_id__in=serialised, removed_at__isnull=True)
    return dict(open_parts.order_by().values_list("lot_id").annotate(pieces=Count("pk")))


def _refuse_two_of_one(
    lot: Lot, line: int, walks: dict[Key, Walk], balances: dict[Key, Balance], pieces: dict[int, int]
) -> None:
    """A serialised piece exists once: in one spot or in one position."""
    there = {key: row.qty for key, row in balances.items() if key[0] == lot.pk}
    total = sum(({**there, **{key: path.end for key, path in walks.items()}}).values(), Decimal(0))
    if total + pieces.get(lot.pk, 0) <= 1:
        return
    raise _Refused(
        line,
        StockError(
            "stock.serial_twice",
            _(
                "{item} with serial {serial} is on file already, in {where}. "
                "A piece with a serial is in one place: move it from there, or correct the serial."
            ),
            item=lot.item.name,
            serial=lot.serial or lot.code,
            where=_whereabouts(lot, there),
        ),
    )


def _whereabouts(lot: Lot, there: dict[Key, Decimal]) -> str:
    for (_lot, spot), qty in there.items():
        if qty > 0:
            return spot_name(spot)
    part = FittedPart.objects.filter(lot=lot, removed_at__isnull=True).select_related("unit").first()
    return f"{part.unit} {part.position}" if part else "-"


def _too_little(lot: Lot, spot: Spot, line: Movement, short: Shortfall) -> TooLittle:
    zone = find_zone(spot_zone(spot))
    data = {
        "item": lot.item.name,
        "lot": lot.code,
        "where": spot_name(spot),
        "wanted": qty_words(line.qty, lot.item),
        "there": qty_words(max(short.there, Decimal(0)), lot.item),
        "missing": qty_words(-short.balance, lot.item),
        "when": f"{short.at.astimezone(zone):%Y-%m-%d}",
    }
    if short.at == line.happened_at:
        return TooLittle(
            "stock.too_little",
            _(
                "{wanted} of {item}, lot {lot}, cannot leave {where}: {there} were there on {when}. "
                "Take less, take another lot, or count what is there."
            ),
            **data,
        )
    return TooLittle(
        "stock.later_negative",
        _(
            "With this line {missing} of {item}, lot {lot}, would be missing in {where} on {when}, because what was "
            "there has left since. Check the date, or reverse what left."
        ),
        **data,
    )


def _settle_count(line: Movement, effect: Decimal) -> None:
    """A count that found less takes from where it was made; one that found more, or the same, puts there."""
    line.qty = abs(effect)
    if effect < 0:
        line.from_place_id, line.from_unit_id = line.to_place_id, line.to_unit_id
        line.to_place_id = line.to_unit_id = None


def _counted_again(recounts: list[tuple[int, Key, Decimal]]) -> list[Movement]:
    """Reversals of counts whose difference has changed, each followed by the same count with its new difference."""
    if not recounts:
        return []
    olds = Movement.objects.in_bulk([ref for ref, _key, _effect in recounts])
    lines = []
    for ref, (_lot, (kind, pk)), effect in recounts:
        old = olds[ref]
        fresh = Movement(
            kind=Movement.Kind.COUNT,
            lot_id=old.lot_id,
            happened_at=old.happened_at,
            counted_qty=old.counted_qty,
            reason=old.reason,
            deployment_id=old.deployment_id,
            import_run_id=old.import_run_id,
            **{f"to_{kind}_id": pk},
        )
        _settle_count(fresh, effect)
        lines += [reversal_of(old, reason=WORKED_OUT_ANEW), fresh]
    return lines


def reversal_of(
    movement: Movement, *, reason: str, actor: User | None = None, token: UUID | None = None
) -> Movement:
    """The line that takes a movement back, at the movement's own moment, not yet written."""
    return Movement(
        kind=Movement.Kind.REVERSAL,
        lot_id=movement.lot_id,
        qty=movement.qty,
        from_place_id=movement.to_place_id,
        from_unit_id=movement.to_unit_id,
        to_place_id=movement.from_place_id,
        to_unit_id=movement.from_unit_id,
        happened_at=movement.happened_at,
        reverses=movement,
        fitted_part_id=movement.fitted_part_id,
        deployment_id=movement.deployment_id,
        recorded_by=actor,
        token=token,
        reason=reason[:400],
    )


def _change_balances(balances: dict[Key, Balance], ends: dict[Key, Decimal]) -> None:
    """Changes each balance from what it was to its end by a conditional update, many rows in one statement."""
    fresh = [
        Balance(lot_id=lot, qty=end, **{f"{spot[0]}_id": spot[1]})
        for (lot, spot), end in ends.items()
        if (lot, spot) not in balances
    ]
    changes = [
        (balances[key].pk, end - balances[key].qty)
        for key, end in ends.items()
        if key in balances and end != balances[key].qty
    ]
    for start in range(0, len(changes), BALANCES_AT_A_TIME):
        part = changes[start : start + BALANCES_AT_A_TIME]
        enough = functools.reduce(operator.or_, (Q(pk=pk, qty__gte=max(-by, Decimal(0))) for pk, by in part))
        by_row = Case(*(When(pk=pk, then=Value(by)) for pk, by in part), output_field=QTY)
        # Rounded, because SQLite keeps decimals as binary fractions and 0.3 - 0.1 would not be 0.2.
        if Balance.objects.filter(enough).update(qty=Round(F("qty") + by_row, precision=3)) != len(part):
            raise StockError(
                "stock.overtaken",
                _("Someone else moved some of this just now. Look again, then repeat."),
            )
    Balance.objects.bulk_create(fresh, batch_size=500)


def stamp(lines: Iterable[Movement], *, actor: User | None, now: datetime) -> None:
    """Who wrote these lines down, and when."""
    for line in lines:
        line.recorded_by = actor
        line.recorded_at = now
