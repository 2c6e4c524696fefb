"""Routes against enumeration of every way on 300 random small networks, and the reason of each option left."""

from __future__ import annotations

import math

import numpy as np
import pytest

from readiness.domain.site.inputs import BadSite
from readiness.domain.site.routes import Change, Departure, Leg, Routes, find_routes

FORMS = ("skid", "trailer")


def network(seed: int) -> tuple[list[Leg], list[Change], dict[str, float | None], float]:
    rng = np.random.default_rng(seed)
    places = [f"p{n}" for n in range(int(rng.integers(3, 6)))]
    legs = []
    for number in range(int(rng.integers(4, 10))):
        start, end = rng.choice(places, 2, replace=False)
        opens = [float(x) for x in rng.integers(0, 30, int(rng.integers(0, 3)))]
        legs.append(
            Leg(
                f"l{number}",
                str(start),
                str(end),
                None if rng.random() < 0.05 else float(rng.integers(1, 12)),
                float(rng.integers(0, 9)),
                frozenset(form for form in FORMS if rng.random() < 0.75),
                tuple(Departure(x, x + float(rng.integers(0, 8))) for x in opens),
                float(rng.integers(0, 3)),
                offer=str(rng.choice(["", "o1", "o2", f"own{number}"])),
                firm=bool(rng.random() < 0.9),
                refusals={"skid": "the hook limit"} if rng.random() < 0.1 else None,
                undecided={"trailer": "axle load"} if rng.random() < 0.1 else None,
            )
        )
    changes = [
        Change(place, *pair, float(rng.integers(0, 5)), float(rng.integers(0, 3)))
        for place in places
        for pair in (FORMS, FORMS[::-1])
        if rng.random() < 0.4
    ]
    ready = {
        "skid": float(rng.integers(0, 6)),
        "trailer": None if rng.random() < 0.3 else float(rng.integers(0, 6)),
    }
    return legs, changes, ready, float(rng.choice([20.0, 40.0, math.inf]))


def every_way(
    legs: list[Leg], changes: list[Change], ready: dict[str, float | None], latest: float
) -> set[tuple[float, float]]:
    """Arrival and cost of every way that visits no (place, form) twice: depth first, without the product's shortcuts."""
    found: set[tuple[float, float]] = set()

    def go(
        place: str, form: str, at: float, cost: float, seen: frozenset[tuple[str, str]], used: frozenset[str]
    ) -> None:
        if at > latest:
            return
        if place == "p1":
            found.add((at, cost))
            return
        for change in changes:
            if change.place == place and change.old == form and (place, change.new) not in seen:
                assert change.hours is not None
                go(
                    place,
                    change.new,
                    at + change.hours,
                    cost + change.cost,
                    seen | {(place, change.new)},
                    used,
                )
        for leg in legs:
            if leg.start != place or form not in leg.forms or (leg.end, form) in seen or not leg.firm:
                continue
            if (
                (leg.refusals and form in leg.refusals)
                or (leg.undecided and form in leg.undecided)
                or leg.hours is None
            ):
                continue
            if leg.offer and leg.offer in used:
                continue
            assert leg.cost is not None
            assert leg.handling_h is not None
            for chance in leg.departures or (Departure(-1.0, math.inf),):
                leave = max(at, chance.opens_h)
                if leave <= chance.closes_h:
                    there = leave + leg.hours + leg.handling_h
                    go(
                        leg.end,
                        form,
                        there,
                        cost + leg.cost,
                        seen | {(leg.end, form)},
                        used | ({leg.offer} - {""}),
                    )

    for form, hour in ready.items():
        if hour is not None:
            go("p0", form, hour, 0.0, frozenset({("p0", form)}), frozenset())
    return found


def frontier(found: set[tuple[float, float]]) -> list[tuple[float, float]]:
    return sorted(a for a in found if not any(b != a and b[0] <= a[0] and b[1] <= a[1] for b in found))


@pytest.mark.parametrize("seed", range(300))
def test_the_frontier_is_that_of_enumeration(seed: int) -> None:
    legs, changes, ready, latest = network(seed)
    told = find_routes(legs, changes, "p0", "p1", ready, latest_h=latest)
    assert [(way.arrive_h, way.cost) for way in told.ways] == frontier(
        every_way(legs, changes, ready, latest)
    )
    for way in told.ways:
        _walk(way, legs, changes, ready, latest)
    turned = find_routes(
        legs[::-1], changes[::-1], "p0", "p1", dict(reversed(ready.items())), latest_h=latest
    )
    assert turned == told  # ties are broken the same way, whatever the order of the rows


def _walk(way, legs, changes, ready, latest) -> None:  # type: ignore[no-untyped-def]
    """A way keeps every rule of its legs: a check that knows nothing of the search."""
    by_key = {leg.key: leg for leg in legs}
    swaps = {f"{c.place}: {c.old} to {c.new}": c for c in changes}
    place, cost, used = "p0", 0.0, []
    first = way.steps[0]
    form = swaps[first.key].old if first.key in swaps else first.form
    at = ready[form]
    for step in way.steps:
        assert step.leave_h >= at
        if step.key in swaps:
            change = swaps[step.key]
            assert (change.place, change.old, change.new) == (place, form, step.form)
            assert step.arrive_h == step.leave_h + change.hours
            cost += change.cost
        else:
            leg = by_key[step.key]
            assert (leg.start, step.form, leg.firm) == (place, form, True)
            assert form in leg.forms
            assert form not in (leg.refusals or {})
            assert form not in (leg.undecided or {})
            chances = leg.departures or (Departure(-1.0, math.inf),)
            assert any(c.opens_h <= step.leave_h <= c.closes_h for c in chances)
            assert step.arrive_h == step.leave_h + leg.hours + leg.handling_h
            place, cost = leg.end, cost + leg.cost
            used += [leg.offer] if leg.offer else []
        form, at = step.form, step.arrive_h
    assert (place, at, cost, form) == ("p1", way.arrive_h, way.cost, way.form)
    assert len(set(used)) == len(used)
    assert at <= latest


def test_the_random_networks_ask_everything() -> None:
    """Enough of the 300 have a way, a frontier of two, and each reason."""
    told = [find_routes(*_args(seed)) for seed in range(300)]
    assert sum(bool(t.ways) for t in told) > 80
    assert sum(len(t.ways) > 1 for t in told) > 15
    seen = {p.reason for t in told for p in t.pruned}
    assert seen == {"form", "refused", "undecided", "not_firm", "spent", "missed", "beaten"}
    late = [find_routes(*_args(seed), latest_h=network(seed)[3]) for seed in range(300)]
    assert "late" in {p.reason for t in late for p in t.pruned}


def _args(seed: int) -> tuple[list[Leg], list[Change], str, str, dict[str, float | None]]:
    legs, changes, ready, _latest = network(seed)
    return legs, changes, "p0", "p1", ready


def one(leg: Leg, **more: float) -> Routes:
    return find_routes([leg], [], "depot", "site", {"skid": 5.0}, **more)  # type: ignore[arg-type]


SKID = frozenset({"skid"})


@pytest.mark.parametrize(
    ("leg", "sentence"),
    [
        (
            Leg("a", "depot", "site", 3.0, 1.0, frozenset({"trailer"})),
            "the packed form does not go on this leg",
        ),
        (
            Leg("a", "depot", "site", 3.0, 1.0, SKID, refusals={"skid": "over the hook limit"}),
            "over the hook limit",
        ),
        (
            Leg("a", "depot", "site", 3.0, 1.0, SKID, undecided={"skid": "gross mass"}),
            "cannot decide: gross mass missing",
        ),
        (Leg("a", "depot", "site", None, None, SKID), "cannot decide: hours, cost missing"),
        (Leg("a", "depot", "site", 3.0, 1.0, SKID, firm=False), "the offer is not firm"),
        (
            Leg("a", "depot", "site", 3.0, 1.0, SKID, (Departure(1.0, 4.9),)),
            "it is there at hour 5.0, after the last departure",
        ),
        (Leg("a", "depot", "site", 9.0, 1.0, SKID), "it would arrive at hour 14.0, after the window ends"),
    ],
)
def test_what_is_left_says_why(leg: Leg, sentence: str) -> None:
    told = one(leg, latest_h=12.0)
    assert told.earliest is None
    assert [p.sentence for p in told.pruned] == [sentence]


def test_a_unit_that_cannot_be_judged_does_not_leave() -> None:
    told = find_routes([Leg("a", "depot", "site", 3.0, 1.0, SKID)], [], "depot", "site", {"skid": None})
    assert told.ways == ()
    assert told.pruned[0].sentence == "cannot decide: time to ready missing"


def test_it_must_arrive_in_a_form_that_is_wanted() -> None:
    legs = [Leg("a", "depot", "site", 3.0, 1.0, SKID)]
    swap = [Change("site", "skid", "trailer", 2.0, 4.0)]
    told = find_routes(legs, swap, "depot", "site", {"skid": 5.0}, goal_forms=["trailer"])
    assert [(way.arrive_h, way.cost, way.form) for way in told.ways] == [(10.0, 5.0, "trailer")]


def test_many_offers_are_searched_in_a_moment() -> None:
    """300 offers among forty places, two forms: labels stay few, because spent offers of no more use are forgotten."""
    rng = np.random.default_rng(8)
    legs = [
        Leg(
            f"l{n:03}",
            f"p{layer}-{rng.integers(0, 8)}" if layer else "depot",
            f"p{layer + 1}-{rng.integers(0, 8)}" if layer < 5 else "site",
            float(rng.integers(1, 20)),
            float(rng.integers(0, 50)),
            frozenset(FORMS),
            offer=f"o{n:03}",
        )
        for n in range(300)
        for layer in [n % 6]
    ]
    told = find_routes(legs, [], "depot", "site", {"skid": 0.0, "trailer": 1.0})
    assert told.earliest is not None
    assert len(told.earliest.steps) == 6


def test_bad_legs_are_refused() -> None:
    with pytest.raises(BadSite, match="Leg a: hours and cost must be 0 or more"):
        one(Leg("a", "depot", "site", -3.0, 1.0, SKID))
    with pytest.raises(BadSite, match="closes before it opens"):
        one(Leg("a", "depot", "site", 3.0, 1.0, SKID, (Departure(5.0, 4.0),)))
