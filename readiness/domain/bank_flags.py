"""What the records of a bank give away before it fails: a rate far above its peers, and why; tests, charges and age.

What nobody measured is told as unknown, never as good. Each flag is evidence for a person to look, not a verdict.

References: ohmic values, capacity under 80 % and test intervals IEEE 1188 practice (a test-gear summary seen, limits of the
annex from memory); float life halving per 10 K: product literature (`tables/SOURCES.md`). Peer comparison and the weights of
the evidence for a fading bank against a forgotten load are own judgement, without a source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Any

import numpy as np

from readiness.domain.bank_records import BankArrays, EventArrays, Supply
from readiness.domain.battery_life import (
    LIFE_REF_C,
    OHMIC_INVESTIGATE,
    OHMIC_REPLACE,
    REPLACE_PCT,
    months_between_tests,
)
from readiness.domain.chemistry import chemistry_column
from readiness.domain.fusion import UNEXPLAINED_SIGMAS
from readiness.domain.inputs import BoolArray, FloatArray, IntArray
from readiness.domain.learning import Learned, learn
from readiness.domain.learning_course import RANGE_SIGMAS, UNKNOWN_DRAW_SIGMA, LearningTerms
from readiness.domain.reading_noise import NoiseHistory
from readiness.domain.thermal import RateLaw, Sites, ThermalTables

LEAST_PEERS = 5
LEAST_COUNT = 2
PEER_SPREAD = 0.20
# One false alarm in forty banks that are read every month for a year: one in 480 looks, one-sided normal law.
PEER_SIGMAS = 2.87
# Where its own readings show besides that something changed: one in a hundred.
CHANGED_SIGMAS = 2.33
LEAST_RATIO = 1.5
ODDS_TO_SAY = 2.0
AGED_SHARE, YOUNG_SHARE = 0.8, 0.3
DAYS_PER_CALENDAR_MONTH = 30.4375
SOURCE = (
    "Own records against peers of the same chemistry (own rule); ohmic values, capacity under 80 % and test intervals: IEEE "
    "1188 practice (limits partly from memory); float life by temperature: product literature"
)


class Flag(IntFlag):
    """What stands out."""

    RATE_HIGH = 1
    ALARM_OPEN = 2
    OHMIC_INVESTIGATE = 4
    OHMIC_TEST_OR_REPLACE = 8
    CAPACITY_LOW = 16
    RETURNED_MORE = 32
    RETURNED_LESS = 64
    LIFE_NEAR_END = 128
    LIFE_OVER = 256
    TEST_DUE = 512


class Unknown(IntFlag):
    """What cannot be told, because nobody measured it or wrote it down."""

    RATE = 1
    OHMIC = 2
    CAPACITY = 4
    LIFE = 8


class Likelier(IntEnum):
    """Why a bank loses more than its peers."""

    NOT_ASKED = 0
    FADING = 1
    FORGOTTEN_LOAD = 2
    EITHER = 3


# What a person does to tell, the first first.
HOW_TO_TELL: dict[Likelier, tuple[str, ...]] = {
    Likelier.NOT_ASKED: (),
    Likelier.FADING: ("capacity_test", "ohmic_reading", "isolate_and_read_again", "clamp_meter"),
    Likelier.FORGOTTEN_LOAD: ("clamp_meter", "isolate_and_read_again", "capacity_test"),
    Likelier.EITHER: ("isolate_and_read_again", "clamp_meter", "capacity_test"),
}


@dataclass(frozen=True)
class BankFacts:
    """What else is on file of n banks; NaN where nothing is.

    `ohmic_ratio` latest value over the bank's own baseline [1]; `capacity_pct`, `prev_pct` the latest capacity tests [% of
    rated at 20 degC]; `tested_at` when (days since 1970); `life_used` share of the float life [1]; `weak_block` the lowest
    block lies apart; `supply` how it stands now (`Supply`).
    """

    ohmic_ratio: FloatArray
    capacity_pct: FloatArray
    prev_pct: FloatArray
    tested_at: FloatArray
    life_used: FloatArray
    weak_block: BoolArray
    supply: IntArray

    @classmethod
    def none(cls, count: int) -> BankFacts:
        def nan() -> FloatArray:
            return np.full(count, np.nan)

        return cls(
            nan(), nan(), nan(), nan(), nan(), np.zeros(count, dtype=bool), np.zeros(count, dtype=np.int64)
        )


@dataclass(frozen=True)
class BankFlags:
    """Per bank: bits of `Flag` and `Unknown`; `ratio` its rate over that of its peers [1], `sigmas` how far off that is,
    `peers` with how many it was compared (0: with the published rate); `likelier` and `log_odds` (positive: fading) where
    the rate is high; `test_due_at` days since 1970 (-inf: never tested)."""

    flags: IntArray
    unknown: IntArray
    ratio: FloatArray
    sigmas: FloatArray
    peers: IntArray
    likelier: IntArray
    log_odds: FloatArray
    test_due_at: FloatArray
    source: str = SOURCE

    def how_to_tell(self, row: int) -> tuple[str, ...]:
        return HOW_TO_TELL[Likelier(int(self.likelier[row]))]


def bank_flags(
    banks: BankArrays,
    events: EventArrays,
    sites: Sites,
    as_of: Any,
    learned: Learned,
    facts: BankFacts,
    *,
    peer_group: IntArray | None = None,
    peers: Peers | None = None,
    noise: NoiseHistory | None = None,
) -> BankFlags:
    """Flags of n banks at `as_of` (days since 1970). `peer_group`: who is compared with whom, counted from 0; left out: by
    chemistry. `peers`: what is known of those groups already; left out: from these banks themselves."""
    count = len(banks)
    group = banks.chem if peer_group is None else peer_group
    if peers is None:
        peers = Peers.of(learned, group, int(group.max(initial=0)) + 1)
    centre, spread, number = _beside(banks, learned, group, peers)
    log_total, told = _told(learned)
    off = log_total - centre
    sigmas = off / np.hypot(spread, learned.log_total_sigma)
    seen = told & np.isfinite(sigmas)
    confirmed = np.isfinite(learned.confirmed_at)
    changed = np.isfinite(learned.drift_at)
    far = (sigmas > PEER_SIGMAS) | (changed & (sigmas > CHANGED_SIGMAS)) | (confirmed & (sigmas > 0.0))
    high = seen & (off > np.log(LEAST_RATIO)) & far
    asked = np.broadcast_to(np.asarray(as_of, dtype=np.float64), (count,))
    life_y = np.where(banks.life_days > 0.0, banks.life_days / 365.25, np.nan)
    months = np.asarray(months_between_tests(life_y, facts.capacity_pct, facts.prev_pct), dtype=np.float64)
    never = np.isnan(facts.tested_at)
    due_at = np.where(never, -np.inf, facts.tested_at + months * DAYS_PER_CALENDAR_MONTH)
    flags = _bits(
        count,
        (high, Flag.RATE_HIGH),
        (np.isfinite(learned.alarm_at), Flag.ALARM_OPEN),
        (
            (facts.ohmic_ratio >= OHMIC_INVESTIGATE - 1e-9) & (facts.ohmic_ratio < OHMIC_REPLACE - 1e-9),
            Flag.OHMIC_INVESTIGATE,
        ),
        (facts.ohmic_ratio >= OHMIC_REPLACE - 1e-9, Flag.OHMIC_TEST_OR_REPLACE),
        (facts.capacity_pct < REPLACE_PCT, Flag.CAPACITY_LOW),
        (learned.returned_sigmas > UNEXPLAINED_SIGMAS, Flag.RETURNED_MORE),
        (learned.returned_sigmas < -UNEXPLAINED_SIGMAS, Flag.RETURNED_LESS),
        ((facts.life_used >= AGED_SHARE) & (facts.life_used < 1.0), Flag.LIFE_NEAR_END),
        (facts.life_used >= 1.0, Flag.LIFE_OVER),
        (due_at <= asked, Flag.TEST_DUE),
    )
    unknown = _bits(
        count,
        (~seen, Unknown.RATE),
        (np.isnan(facts.ohmic_ratio), Unknown.OHMIC),
        (np.isnan(facts.capacity_pct), Unknown.CAPACITY),
        (np.isnan(facts.life_used), Unknown.LIFE),
    )
    odds = np.full(count, np.nan)
    rows = np.flatnonzero(high)
    if rows.size:
        odds[rows] = _log_odds(banks, events, sites, asked, rows, facts, noise)
    likelier = np.where(
        ~high,
        int(Likelier.NOT_ASKED),
        np.where(
            odds >= ODDS_TO_SAY,
            int(Likelier.FADING),
            np.where(odds <= -ODDS_TO_SAY, int(Likelier.FORGOTTEN_LOAD), int(Likelier.EITHER)),
        ),
    )
    return BankFlags(flags, unknown, np.exp(off), sigmas, number, likelier, odds, due_at)


def fleet_life_used(banks: BankArrays, sites: Sites, as_of: float) -> FloatArray:
    """Share of the float life used [1], by the temperature where each bank stands now, since it was made.

    Life is stated at 20 degC and halves per the kelvins of the chemistry's row. NaN where one of these is not known.
    """
    halving_k = chemistry_column("life_halving_k")[banks.chem]
    known = np.isfinite(banks.made_day) & (banks.life_days > 0.0) & (banks.site >= 0) & np.isfinite(halving_k)
    used = np.full(len(banks), np.nan)
    rows = np.flatnonzero(known & (banks.made_day <= as_of))
    if not rows.size:
        return used
    steps, law = np.unique(halving_k[rows], return_inverse=True)
    laws = [RateLaw(LIFE_REF_C, float(step)) for step in steps]
    site = banks.site[rows]
    pairs = np.unique(np.stack([law.ravel(), site], axis=1), axis=0)
    first = int(np.floor(banks.made_day[rows].min()))
    days = max(int(np.ceil(as_of)) - first, 1)
    tables = ThermalTables(sites, laws, pairs, first, days)
    row = tables.row_of[law.ravel(), site]
    since, until = banks.made_day[rows], np.full(rows.size, float(as_of))
    aged = tables.total(np.maximum(row, 0), until) - tables.total(np.maximum(row, 0), since)
    used[rows] = np.where(row < 0, np.nan, aged / banks.life_days[rows])
    return used


@dataclass(frozen=True)
class Peers:
    """How the banks of each group lose: centre and spread of the log of their total rate over the published one, by group.

    Age and recorded draw are in the published one, so an old bank or a known draw is no outlier. NaN where fewer than
    LEAST_PEERS others are known; `count` how many banks told it."""

    centre: FloatArray
    spread: FloatArray
    count: IntArray

    @classmethod
    def none(cls, groups: int) -> Peers:
        return cls(np.full(groups, np.nan), np.full(groups, np.nan), np.zeros(groups, dtype=np.int64))

    @classmethod
    def of(cls, learned: Learned, group: IntArray, groups: int) -> Peers:
        """From what was learnt of banks, `group` of each of them, counted from 0."""
        out = cls.none(groups)
        logs, told = _told(learned)
        for key in np.unique(group[told]).tolist():
            mine = logs[told & (group == key)]
            out.count[key] = mine.size
            if mine.size > LEAST_PEERS:
                middle = float(np.median(mine))
                out.centre[key] = middle
                out.spread[key] = max(1.4826 * float(np.median(np.abs(mine - middle))), PEER_SPREAD)
        return out


def _told(learned: Learned) -> tuple[FloatArray, BoolArray]:
    """Logarithm of every bank's total rate over the published one, and which rest on enough records to speak for it."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(learned.total_pct_month / learned.published_pct_month)
    return logs, (learned.count >= LEAST_COUNT) & np.isfinite(logs)


def _beside(
    banks: BankArrays, learned: Learned, group: IntArray, peers: Peers
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Centre, spread and number of each bank's peers; too few peers: the published rate."""
    low, high = (chemistry_column(f"sd_pct_month_{end}")[banks.chem] for end in ("low", "high"))
    known = np.isfinite(peers.centre[group])
    _, told = _told(learned)
    others = np.maximum(peers.count[group] - told, 0)
    return (
        np.where(known, peers.centre[group], 0.0),
        np.where(known, peers.spread[group], np.log(high / low) / RANGE_SIGMAS),
        np.where(known, others, 0),
    )


def _log_odds(
    banks: BankArrays,
    events: EventArrays,
    sites: Sites,
    asked: FloatArray,
    rows: IntArray,
    facts: BankFacts,
    noise: NoiseHistory | None,
) -> FloatArray:
    """Log odds of a fading bank against a forgotten load: how well either explains the readings, and what else is known.

    A fading bank loses with the warmth; a load takes as much in winter as in summer.
    """
    place = np.full(len(banks), -1, dtype=np.int64)
    place[rows] = np.arange(rows.size)
    part = events.take(np.flatnonzero(np.isin(events.bank, rows)))
    part = EventArrays(
        **{name: getattr(part, name) for name in part.__dataclass_fields__} | {"bank": place[part.bank]}
    )
    mine = banks.take(rows)

    def evidence(terms: LearningTerms) -> FloatArray:
        return learn(mine, part, sites, asked[rows], noise=noise, terms=terms).evidence

    fading = evidence(LearningTerms(alarm_draw_sigma=0.0, alarm_log_scale_sigma=1.2))
    load = evidence(LearningTerms(alarm_draw_sigma=UNKNOWN_DRAW_SIGMA, alarm_log_scale_sigma=0.0))
    odds = fading - load
    for where, weight in (
        (facts.supply == int(Supply.ISOLATED), 0.5),
        (facts.supply != int(Supply.ISOLATED), -0.5),
        (facts.ohmic_ratio >= OHMIC_INVESTIGATE, 2.0),
        (facts.capacity_pct < REPLACE_PCT, 2.0),
        (facts.weak_block, 1.5),
        (facts.life_used >= AGED_SHARE, 1.0),
        (facts.life_used < YOUNG_SHARE, -1.0),
    ):
        odds = odds + np.where(where[rows], weight, 0.0)
    return odds


def _bits(count: int, *pairs: tuple[BoolArray, IntFlag]) -> IntArray:
    total = np.zeros(count, dtype=np.int64)
    for where, bit in pairs:
        total |= np.where(where, int(bit), 0)
    return total
