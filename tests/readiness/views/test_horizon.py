"""The horizon from stored verdicts: strips turn on the right day, marks stand on the last good day, nothing old is drawn."""

import datetime as dt

import pytest

from fleet.web.horizon import MarkKind, State, Stretch
from inventory.models import DesignEquipment, SharedEquipment
from readiness.web.horizon_units import last_good_day, marks, stretches
from tests.factories.fleet import TODAY, DesignFactory, UnitFactory
from tests.factories.inventory import ItemFactory, in_store
from tests.factories.readiness import AlertFactory, VerdictFactory

DAY = dt.timedelta(days=1)
FOREVER = dt.date.max


def day(count: int) -> dt.date:
    return TODAY + count * DAY


def check(key: str, **given) -> dict:
    """A passing check on which the verdict rests, as stored."""
    subject = {"kind": "unit", "id": given.pop("id", 0), "label": given.pop("label", "")}
    dates = {name: value.isoformat() for name, value in given.items() if isinstance(value, dt.date)}
    return {"key": key, "subject": subject, "outcome": "pass", "gates": True, "data": {}, **given, **dates}


@pytest.mark.parametrize(
    ("state", "turns", "expected"),
    [
        (State.READY, [], [Stretch(FOREVER, State.READY)]),
        (
            State.READY,
            [(day(5), State.AFTER_WORK, "x"), (day(9), State.AFTER_WORK, "y")],
            [Stretch(day(4), State.READY), Stretch(FOREVER, State.AFTER_WORK)],
        ),
        (
            State.READY,
            [(day(5), State.AFTER_WORK, "x"), (day(9), State.CANNOT_DECIDE, "y")],
            [
                Stretch(day(4), State.READY),
                Stretch(day(8), State.AFTER_WORK),
                Stretch(FOREVER, State.CANNOT_DECIDE),
            ],
        ),
        # Undecided stays undecided, although a later failure is certain: the grave word stands.
        (
            State.READY,
            [(day(5), State.CANNOT_DECIDE, "x"), (day(9), State.AFTER_WORK, "y")],
            [Stretch(day(4), State.READY), Stretch(FOREVER, State.CANNOT_DECIDE)],
        ),
        (State.BLOCKED, [(day(5), State.AFTER_WORK, "x")], []),
        (State.CANNOT_DECIDE, [(day(5), State.AFTER_WORK, "x")], []),
    ],
)
def test_stretches(state, turns, expected) -> None:
    assert stretches(state, turns) == expected


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (check("certificate", turns_on=day(10), data={"expires_day": day(39).isoformat()}), day(39)),
        (check("kit", turns_on=day(10)), day(9)),
        (check("certificate", late_on=day(-3), outcome="fail"), day(-4)),
        (check("kit"), None),
    ],
)
def test_a_mark_stands_on_the_last_good_day(given, expected) -> None:
    assert last_good_day(given) == expected


def test_one_mark_a_bank_from_due_to_floor() -> None:
    found = marks(
        [
            check("charge_interval", id=7, due_on=day(10), late_on=day(30), gates=False),
            check("charge_floor", id=7, due_on=day(30), late_on=day(30), turns_on=day(30)),
            check("charge_floor", id=8, due_on=day(3), late_on=day(3), turns_on=day(3)),
            check("terms_known", turns_on=day(3)),
        ]
    )
    assert [(mark.kind, mark.day, mark.latest) for mark in found] == [
        (MarkKind.CHARGE, day(10), day(30)),
        (MarkKind.CHARGE, day(3), day(3)),
    ]


@pytest.mark.django_db
def test_the_page(cast, signed_in) -> None:
    ready, old = UnitFactory(tag="AA-1", home=cast.north), UnitFactory(tag="BB-2", home=cast.north)
    result = {
        "schema": 1,
        "checks": [
            check(
                "inspection", label="Monthly look-over", turns_on=day(5), data={"due_day": day(4).isoformat()}
            )
        ],
    }
    VerdictFactory(unit=ready, result=result)
    VerdictFactory(unit=old, result=result, from_day=day(-9), last_confirmed_day=day(-9))
    answer = signed_in(cast.vera).get("/horizon/")
    rows = {row.unit.tag: row for row in answer.context["horizon"].rows}
    assert "Monthly look-over" in rows["AA-1"].unit.words
    assert "in 5 days" in rows["AA-1"].unit.words
    assert "strip--ready" in rows["AA-1"].svg
    # An old verdict is not drawn: dashed, no marks, and it says why.
    assert "older than the last sweep" in rows["BB-2"].unit.words
    assert "strip--cannot_decide" in rows["BB-2"].svg
    assert "mark" not in rows["BB-2"].svg
    assert answer.context["horizon"].days[4].ready == "1 ready"
    assert answer.context["horizon"].days[5].ready == "0 ready"
    html = answer.content.decode()
    assert "style=" not in html


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("query", "days"), [("", 90), ("?days=365", 365), ("?days=7000000", 90), ("?days=x", 90)]
)
def test_spans(cast, signed_in, query, days) -> None:
    UnitFactory(home=cast.north)
    assert len(signed_in(cast.vera).get(f"/horizon/{query}").context["horizon"].days) == days


@pytest.mark.django_db
def test_queries_do_not_grow(cast, signed_in, queries_of) -> None:
    client = signed_in(cast.vera)
    VerdictFactory(unit=UnitFactory(home=cast.north))
    few = queries_of(client, "/horizon/")
    for _ in range(9):
        VerdictFactory(unit=UnitFactory(home=cast.north))
    assert queries_of(client, "/horizon/") == few <= 14


def test_a_stretch_without_end_is_drawn_to_the_edge() -> None:
    assert stretches(State.READY, [])[-1].last == FOREVER


@pytest.mark.django_db
def test_ready_together_says_what_they_compete_for(cast, signed_in) -> None:
    design = DesignFactory()
    DesignEquipment.objects.create(design=design, name="lifting sling set", count=1)
    SharedEquipment.objects.create(
        place=cast.north, name="lifting sling set", count=3, out_of_order=1, valid_from=TODAY
    )
    SharedEquipment.objects.create(place=cast.south, name="lifting sling set", count=9, valid_from=TODAY)
    tablets = ItemFactory(name="DPD tablets")
    in_store(300, place=cast.north, item=tablets)
    kit = check("kit", id=tablets.pk, outcome="fail", data={"needed": 250, "aboard": 50, "in_stores": 300})
    for outcome in ("ready", "ready", "ready", "blocked"):
        unit = UnitFactory(home=cast.north, design=design)
        VerdictFactory(unit=unit, outcome=outcome, result={"checks": [kit]})
        AlertFactory(unit=unit, rule="kit_short")
    VerdictFactory(unit=UnitFactory(home=cast.south, design=design))
    client = signed_in(cast.vera)
    told = [
        (
            "North depot: 3 of 4 ready alone, 1 of them at the same time. They compete for lifting sling set (3 needed, "
            "2 there), DPD tablets (600 needed, 300 there)."
        ),
        "South depot: 1 of 1 ready, all of them at the same time.",
    ]
    assert client.get("/horizon/").context["together"] == told
    # It is said of the depot, not of what is filtered or fits on the page.
    assert client.get("/horizon/?verdict=blocked").context["together"] == told
    assert client.get("/horizon/?depot=SOUTH").context["together"] == told[1:]
    for _ in range(61):
        VerdictFactory(unit=UnitFactory(home=cast.south))
    assert "62 of 62 ready, all" in client.get("/horizon/").context["together"][1]
