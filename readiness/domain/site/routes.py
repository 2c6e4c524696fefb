"""The earliest arrival over legs with windows, offers and packed forms, and the frontier of cost and time.

Label setting: a label is a place, a packed form, the hour it is there and what was spent; labels leave the heap in order of
time, so the first at the goal is the earliest. Waiting is allowed, and whatever can leave later may not arrive earlier (a
timetable gives its next departure). Every leg that is refused, late or beaten keeps its reason. Hours count from
the call.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from readiness.domain.site.inputs import BadSite

# Why an option was pruned, in the order in which it is asked.
REASONS: dict[str, str] = {
    "form": "the packed form does not go on this leg",
    "refused": "the leg is refused",
    "undecided": "cannot decide: {why} missing",
    "not_firm": "the offer is not firm",
    "spent": "this way has used its offer already",
    "missed": "it is there at hour {at:.1f}, after the last departure",
    "late": "it would arrive at hour {at:.1f}, after the window ends",
    "beaten": "another way is there no later and costs no more",
}


@dataclass(frozen=True, slots=True)
class Departure:
    """One chance to leave: any time between `opens_h` and `closes_h`, or at one hour (equal ends)."""

    opens_h: float
    closes_h: float


@dataclass(frozen=True, slots=True)
class Leg:
    """A way between two places, one direction. `hours` None: not known; `refusals` by packed form come from fit and law.

    `departures` empty: at any time. `handling_h` (loading, border, papers) is added to `hours`. An `offer` is used once.
    """

    key: str
    start: str
    end: str
    hours: float | None
    cost: float | None
    forms: frozenset[str]
    departures: tuple[Departure, ...] = ()
    handling_h: float | None = 0.0
    offer: str = ""
    firm: bool = True
    refusals: Mapping[str, str] | None = None
    undecided: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """Another packed form at a place, with the hours and the cost it takes there."""

    place: str
    old: str
    new: str
    hours: float | None
    cost: float = 0.0


class Step(NamedTuple):
    """One thing done: a leg or a change (`key`), from hour to hour, and the form after it."""

    key: str
    leave_h: float
    arrive_h: float
    form: str


@dataclass(frozen=True, slots=True)
class Way:
    """A whole way: where it ends in time and cost, and its steps."""

    arrive_h: float
    cost: float
    form: str
    steps: tuple[Step, ...]


class Pruned(NamedTuple):
    """An option that was not followed: the leg or change, the form it had, the key of the reason and its sentence."""

    key: str
    form: str
    reason: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Routes:
    """The frontier from the earliest way to the cheapest, and why everything else was left."""

    ways: tuple[Way, ...]
    pruned: tuple[Pruned, ...]

    @property
    def earliest(self) -> Way | None:
        return self.ways[0] if self.ways else None


@dataclass(frozen=True, slots=True)
class _Label:
    at_h: float
    cost: float
    place: str
    form: str
    steps: tuple[Step, ...]
    used: frozenset[str]

    @property
    def rank(self) -> tuple[float, float, int, tuple[Step, ...]]:
        """Ties: fewer steps, then the keys of the steps in their order, so that every run answers the same."""
        return self.at_h, self.cost, len(self.steps), self.steps


class _Note(Protocol):
    def __call__(self, key: str, form: str, reason: str, **data: object) -> None: ...


class _Push(Protocol):
    def __call__(self, label: _Label, key: str, form: str) -> None: ...


def find_routes(
    legs: Sequence[Leg],
    changes: Sequence[Change],
    start: str,
    goal: str,
    forms_ready_h: Mapping[str, float | None],
    *,
    latest_h: float = math.inf,
    firm_only: bool = True,
    goal_forms: Iterable[str] | None = None,
) -> Routes:
    """Every way from `start` to `goal` that no other beats in both arrival and cost, earliest first.

    `forms_ready_h`: the hour at which the unit could leave in each packed form (None: cannot decide, not followed).
    BadSite where hours or costs are negative, or a departure closes before it opens.
    """
    _check(legs, changes)
    out: dict[str, list[Leg]] = {}
    for leg in sorted(legs, key=lambda leg: leg.key):
        out.setdefault(leg.start, []).append(leg)
    swaps: dict[tuple[str, str], list[Change]] = {}
    for change in sorted(changes, key=lambda change: (change.place, change.old, change.new)):
        swaps.setdefault((change.place, change.old), []).append(change)
    wanted = None if goal_forms is None else frozenset(goal_forms)
    pruned: dict[tuple[str, str, str], Pruned] = {}
    heap: list[tuple[tuple[float, float, int, tuple[Step, ...]], int, _Label]] = []
    count = 0

    def note(key: str, form: str, reason: str, **data: object) -> None:
        sentence = str(data["sentence"]) if "sentence" in data else REASONS[reason].format(**data)
        pruned.setdefault((key, form, reason), Pruned(key, form, reason, sentence))

    def push(label: _Label, key: str, form: str) -> None:
        nonlocal count
        if label.at_h > latest_h:
            note(key, form, "late", at=label.at_h)
            return
        count += 1
        heapq.heappush(heap, (label.rank, count, label))

    for form, ready_h in sorted(forms_ready_h.items()):
        if ready_h is None:
            note("ready", form, "undecided", why="time to ready")
        else:
            push(_Label(ready_h, 0.0, start, form, (), frozenset()), "ready", form)
    matters = _offers_that_matter(legs, changes)
    settled: dict[tuple[str, str], list[_Label]] = {}
    ways: list[Way] = []
    while heap:
        _rank, _count, label = heapq.heappop(heap)
        state = label.place, label.form
        still = matters.get(state, frozenset())
        if any(_beats(other, label, still) for other in settled.get(state, ())):
            last = label.steps[-1].key if label.steps else "ready"
            note(last, label.form, "beaten")
            continue
        settled.setdefault(state, []).append(label)
        if label.place == goal and (wanted is None or label.form in wanted):
            if not ways or label.cost < ways[-1].cost:
                ways.append(Way(label.at_h, label.cost, label.form, label.steps))
            else:
                note(label.steps[-1].key if label.steps else "ready", label.form, "beaten")
            continue
        for change in swaps.get(state, ()):
            key = f"{change.place}: {change.old} to {change.new}"
            if change.hours is None:
                note(key, label.form, "undecided", why="hours to repack")
                continue
            there = label.at_h + change.hours
            step = Step(key, label.at_h, there, change.new)
            push(
                _Label(
                    there, label.cost + change.cost, label.place, change.new, (*label.steps, step), label.used
                ),
                key,
                label.form,
            )
        for leg in out.get(label.place, ()):
            _follow(label, leg, firm_only, note, push)
    return Routes(tuple(ways), tuple(pruned[key] for key in sorted(pruned)))


def leaves_at(leg: Leg, at_h: float) -> float | None:
    """The hour at which the leg can leave for what is there at `at_h`; None after the last departure."""
    if not leg.departures:
        return at_h
    open_then = [max(at_h, d.opens_h) for d in leg.departures if at_h <= d.closes_h]
    return min(open_then) if open_then else None


def _follow(label: _Label, leg: Leg, firm_only: bool, note: _Note, push: _Push) -> None:
    form = label.form
    if form not in leg.forms:
        note(leg.key, form, "form")
    elif leg.refusals and form in leg.refusals:
        note(leg.key, form, "refused", sentence=leg.refusals[form])
    elif leg.undecided and form in leg.undecided:
        note(leg.key, form, "undecided", why=leg.undecided[form])
    elif leg.hours is None or leg.cost is None or leg.handling_h is None:
        gaps = {"hours": leg.hours, "cost": leg.cost, "handling hours": leg.handling_h}
        note(leg.key, form, "undecided", why=", ".join(word for word, value in gaps.items() if value is None))
    elif firm_only and not leg.firm:
        note(leg.key, form, "not_firm")
    elif leg.offer and leg.offer in label.used:
        note(leg.key, form, "spent")
    elif (leave := leaves_at(leg, label.at_h)) is None:
        note(leg.key, form, "missed", at=label.at_h)
    else:
        there = leave + leg.hours + leg.handling_h
        used = label.used | {leg.offer} if leg.offer else label.used
        steps = (*label.steps, Step(leg.key, leave, there, form))
        push(_Label(there, label.cost + leg.cost, leg.end, form, steps, used), leg.key, form)


def _beats(settled: _Label, label: _Label, still: frozenset[str]) -> bool:
    """Settled labels are no later. One that spent an offer which the other has, and could still use, does not beat it."""
    return settled.cost <= label.cost and settled.used & still <= label.used


def _offers_that_matter(
    legs: Sequence[Leg], changes: Sequence[Change]
) -> dict[tuple[str, str], frozenset[str]]:
    """By place and form, the offers that a way could use from there on and may have used before.

    An offer of one leg for one form never matters: who comes to its start again, in that form, is beaten by the time before.
    """
    places: dict[str, int] = {}
    for leg in legs:
        if leg.offer:
            places[leg.offer] = places.get(leg.offer, 0) + (1 if len(leg.forms) <= 1 else 2)
    shared = {offer for offer, uses in places.items() if uses > 1}
    onward: dict[tuple[str, str], set[tuple[str, str]]] = {}
    own: dict[tuple[str, str], set[str]] = {}
    for leg in legs:
        for form in leg.forms:
            onward.setdefault((leg.start, form), set()).add((leg.end, form))
            if leg.offer in shared:
                own.setdefault((leg.start, form), set()).add(leg.offer)
    for change in changes:
        onward.setdefault((change.place, change.old), set()).add((change.place, change.new))
    told = {}
    for state in onward:
        seen, todo = {state}, [state]
        while todo:
            fresh = onward.get(todo.pop(), set()) - seen
            seen |= fresh
            todo += fresh
        told[state] = frozenset().union(*(own.get(reached, set()) for reached in seen))
    return told


def _check(legs: Sequence[Leg], changes: Sequence[Change]) -> None:
    keys = [leg.key for leg in legs]
    if len(set(keys)) != len(keys):
        raise BadSite("site.leg_twice", "Two legs have the same key.")
    for leg in legs:
        numbers = (leg.hours, leg.cost, leg.handling_h)
        if any(value is not None and not 0.0 <= value < math.inf for value in numbers):
            raise BadSite("site.leg", "Leg {key}: hours and cost must be 0 or more.", key=leg.key)
        if any(not departure.opens_h <= departure.closes_h for departure in leg.departures):
            raise BadSite("site.leg", "Leg {key}: its departure closes before it opens.", key=leg.key)
    for change in changes:
        if (change.hours is not None and change.hours < 0.0) or change.cost < 0.0:
            raise BadSite(
                "site.change", "A change of form at {place} takes 0 hours or more.", place=change.place
            )
