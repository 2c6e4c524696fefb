"""Checks of n loads against m conveyances in arrays, and how one verdict, one reason and one margin come out of them."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from fleet.domain.fit.reasons import BIT_OF, CAN_FAIL, CAN_LACK, CODE_OF, KEYS, LACK_BIT_OF

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
CodeArray = NDArray[np.int8]
KeyArray = NDArray[np.int16]

PASS, FAIL, MISSING, NOT_ASKED = 0, 1, 2, 3
FITS, REFUSED, CANNOT_DECIDE = 0, 1, 2
VERDICT_WORDS = ("fits", "refused", "cannot_decide")
TOLERANCE = 1e-6  # of a millimetre or kilogram: float noise is no shortfall
# Which slack is named when all is well: a measure taken for this load, the class's own kind of slack, then others.
TAKEN, USUAL, OTHER, NEVER = 0, 1, 2, 9


@dataclass(frozen=True, slots=True)
class Check:
    """One rule over all pairs, shape (n, m): state, margin [unit] (nan where none), place among binding slacks."""

    key: str
    unit: str
    state: CodeArray
    margin: FloatArray
    rank: CodeArray
    score: FloatArray
    sided: bool


class Board:
    """Collects the checks of one class of conveyance in reason order."""

    def __init__(self, loads: int, conveyances: int) -> None:
        self.shape = (loads, conveyances)
        self.checks: list[Check] = []

    def limit(
        self,
        key: str,
        unit: str,
        room: FloatArray | float,
        need: FloatArray | float,
        *,
        when: BoolArray | bool = True,
        rank: CodeArray | int = OTHER,
        scale: FloatArray | float = 1.0,
        sided: bool = False,
        held: str = "",
    ) -> None:
        """`need <= room`, in `unit`. What is not known on either side is not asked here: `lacks` says what must be known.

        `held` is the missing fact where `room`, a figure of the conveyance, is not on file. `scale` makes slacks of
        different units comparable; `sided` marks what depends on the orientation.
        """
        if held:
            self.lacks(held, np.isnan(room) & when)
        slack = np.asarray(room - np.asarray(need, dtype=np.float64))
        slack = np.where(np.abs(slack) <= TOLERANCE, 0.0, slack)
        asked = ~np.isnan(slack) & when
        state = np.full(self.shape, NOT_ASKED, dtype=np.int8)
        np.copyto(state, (slack < 0.0).astype(np.int8), where=asked)
        margin = np.full(self.shape, np.nan)
        np.copyto(margin, slack, where=asked)
        score = margin if isinstance(scale, float) and scale == 1.0 else margin / scale
        ranks = np.broadcast_to(np.asarray(rank, dtype=np.int8), self.shape)
        self.checks.append(Check(key, unit, state, margin, ranks, score, sided))

    def must(
        self,
        key: str,
        holds: BoolArray | bool,
        *,
        when: BoolArray | bool = True,
    ) -> None:
        """A yes-or-no rule without a margin."""
        state = np.where(np.broadcast_to(holds, self.shape), PASS, FAIL).astype(np.int8)
        state[~np.broadcast_to(when, self.shape)] = NOT_ASKED
        self._without_margin(key, state)

    def lacks(self, key: str, lacking: BoolArray | bool) -> None:
        """A fact without which nothing can be decided; `key` names it."""
        lacking = np.broadcast_to(lacking, self.shape)
        if lacking.any():
            self._without_margin(key, np.where(lacking, MISSING, NOT_ASKED).astype(np.int8))

    def _without_margin(self, key: str, state: CodeArray) -> None:
        nothing = np.full(self.shape, np.nan)
        ranks = np.full(self.shape, NEVER, dtype=np.int8)
        self.checks.append(Check(key, "", state, nothing, ranks, nothing, False))


@dataclass(frozen=True, slots=True)
class Verdicts:
    """The outcome of all pairs, shape (n, m). Keys are places in `reasons.KEYS`, -1 = none.

    `fails` has bits of `CAN_FAIL`, `lacks` of `CAN_LACK`: a pair may be refused and lack facts besides.

    `margin` is that of the reason when refused, that of the binding check when it fits; `margin_mm` and `margin_kg` are the
    smallest slacks of lengths and masses, nan where nothing of the kind was asked or nothing can be decided.
    """

    verdict: CodeArray
    reason: KeyArray
    margin: FloatArray
    margin_check: KeyArray
    margin_mm: FloatArray
    margin_kg: FloatArray
    fails: NDArray[np.uint64]
    lacks: NDArray[np.uint64]
    turned: BoolArray
    sided_shortfall: FloatArray

    def rows(self, start: int, stop: int) -> Verdicts:
        return Verdicts(*(getattr(self, field.name)[start:stop] for field in fields(self)))


def settle(board: Board) -> Verdicts:
    """The first failing check, which rests on facts that are known; else the first missing fact; else the binding slack."""
    shape = board.shape
    reason = np.full(shape, CODE_OF["ok"], dtype=np.int16)
    check_of = np.full(shape, -1, dtype=np.int16)
    margin = np.full(shape, np.nan)
    best_rank = np.full(shape, NEVER, dtype=np.int8)
    best = np.full(shape, np.inf)
    fails = np.zeros(shape, dtype=np.uint64)
    shortfall = np.zeros(shape)
    for check in board.checks:
        _bind(check, best_rank, best, margin, check_of)
        failing = check.state == FAIL
        if failing.any():
            fails[failing] |= _bit(check.key)
            if check.sided:
                np.maximum(shortfall, -check.margin, out=shortfall, where=failing)
    refused = fails != 0
    for check in reversed(board.checks):
        failing = check.state == FAIL
        if failing.any():
            reason[failing] = CODE_OF[check.key]
            np.copyto(margin, check.margin, where=failing)
            check_of[failing] = CODE_OF[check.key]
    lacks = _lacking(board, reason, refused)
    open_ = (lacks != 0) & ~refused
    margin[open_] = np.nan
    check_of[np.isnan(margin)] = -1
    verdict = np.where(open_, CANNOT_DECIDE, np.where(refused, REFUSED, FITS)).astype(np.int8)
    smallest_mm, smallest_kg = _smallest(board, "mm", open_), _smallest(board, "kg", open_)
    turned = np.zeros(shape, dtype=np.bool_)
    return Verdicts(
        verdict, reason, margin, check_of, smallest_mm, smallest_kg, fails, lacks, turned, shortfall
    )


def better_way(given: Verdicts, turned: Verdicts, may_turn: BoolArray) -> Verdicts:
    """Of two orientations the first that fits, else the first that may yet fit once what is missing is known.

    If both are refused, the one whose largest shortfall is smaller.
    """
    use = may_turn & (given.verdict == REFUSED) & (turned.verdict != REFUSED)
    neither = may_turn & (given.verdict == REFUSED) & (turned.verdict == REFUSED)
    use = use | (neither & (turned.sided_shortfall < given.sided_shortfall))
    if not use.any():
        return given
    chosen = Verdicts(
        *(
            np.where(use, getattr(turned, field.name), getattr(given, field.name))
            for field in fields(Verdicts)
        )
    )
    fits_turned = use & (chosen.verdict == FITS)
    reason = np.where(fits_turned, CODE_OF["ok_rotated"], chosen.reason).astype(np.int16)
    return replace(chosen, reason=reason, turned=use)


def failing_keys(fails: int) -> tuple[str, ...]:
    """The keys of a `fails` number, in reason order."""
    return tuple(key for bit, key in enumerate(CAN_FAIL) if fails >> bit & 1)


def lacking_keys(lacks: int) -> tuple[str, ...]:
    """The keys of a `lacks` number, in reason order."""
    return tuple(key for bit, key in enumerate(CAN_LACK) if lacks >> bit & 1)


def _bind(
    check: Check, best_rank: CodeArray, best: FloatArray, margin: FloatArray, check_of: KeyArray
) -> None:
    closer = (check.rank < best_rank) | ((check.rank == best_rank) & (check.score < best))
    closer &= (check.state == PASS) & ~np.isnan(check.score) & (check.rank < NEVER)
    if closer.any():
        np.copyto(best_rank, check.rank, where=closer)
        np.copyto(best, check.score, where=closer)
        np.copyto(margin, check.margin, where=closer)
        check_of[closer] = CODE_OF[check.key]


def _lacking(board: Board, reason: KeyArray, refused: BoolArray) -> NDArray[np.uint64]:
    """The bits of all that is missing; where nothing is refused the first of it becomes the reason."""
    lacks = np.zeros(board.shape, dtype=np.uint64)
    first = np.full(board.shape, len(KEYS), dtype=np.int16)
    for check in board.checks:
        lacking = check.state == MISSING
        if lacking.any():
            first[lacking] = np.minimum(first[lacking], CODE_OF[check.key])
            lacks[lacking] |= np.uint64(1 << LACK_BIT_OF[check.key])
    undecided = (lacks != 0) & ~refused
    reason[undecided] = first[undecided]
    return lacks


def _smallest(board: Board, unit: str, undecided: BoolArray) -> FloatArray:
    smallest = np.full(board.shape, np.inf)
    for check in board.checks:
        if check.unit == unit:
            np.fmin(smallest, check.margin, out=smallest)
    return np.where(np.isinf(smallest) | undecided, np.nan, smallest)


def _bit(key: str) -> np.uint64:
    return np.uint64(1 << BIT_OF[key])
