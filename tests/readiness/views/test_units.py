"""The list of units: a verdict that may not be shown is never shown, the address keeps everything, few queries."""

import csv
import datetime as dt
import io

import pytest
from django.utils import timezone

from fleet.models import Absence, UnitStay
from readiness.models import BankState, JudgementDue, SetAside, Sweep
from readiness.selectors.pages_units import last_due_sweep_day, units_with_verdicts
from tests.factories.fleet import NOW, TODAY, BankFactory, DesignFactory, UnitFactory, ago
from tests.factories.readiness import VerdictFactory

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


def shown(cast, unit):
    return units_with_verdicts(now=timezone.now(), depots=[cast.north, cast.south]).get(pk=unit.pk)


@pytest.mark.parametrize(
    ("moment", "zone", "expected"),
    [
        # The sweep of a night is due at 02:00 and has two hours of grace.
        ("2026-11-25T03:59+00:00", "UTC", "2026-11-24"),
        ("2026-11-25T04:00+00:00", "UTC", "2026-11-25"),
        # 02:30 UTC is 03:30 in Oslo in winter and 04:30 in summer.
        ("2026-11-25T02:30+00:00", "Europe/Oslo", "2026-11-24"),
        ("2026-07-25T02:30+00:00", "Europe/Oslo", "2026-07-25"),
        ("2026-11-25T10:00+00:00", "America/Denver", "2026-11-24"),
        ("2028-02-29T11:00+00:00", "America/Denver", "2028-02-29"),
    ],
)
def test_the_sweep_that_must_have_run(moment, zone, expected) -> None:
    assert last_due_sweep_day(dt.datetime.fromisoformat(moment), zone) == dt.date.fromisoformat(expected)


@pytest.mark.parametrize(
    ("given", "outcome", "why"),
    [
        ({}, "ready", ""),
        ({"last_confirmed_day": TODAY - DAY, "from_day": TODAY - DAY}, "cannot_decide", "old"),
        ({"turns_on": TODAY}, "cannot_decide", "turned"),
        ({"turns_on": TODAY + DAY}, "ready", ""),
        ({"current": False}, "cannot_decide", "none"),
    ],
)
def test_a_verdict_that_may_not_be_shown(cast, given, outcome, why) -> None:
    unit = UnitFactory(home=cast.north)
    VerdictFactory(unit=unit, **given)
    row = shown(cast, unit)
    assert (row.shown_outcome, row.why_undecided) == (outcome, why)


def test_a_unit_set_aside_shows_no_verdict(cast) -> None:
    unit = UnitFactory(home=cast.north)
    VerdictFactory(unit=unit)
    aside = SetAside.objects.create(
        unit=unit, sweep=Sweep.objects.create(as_of=TODAY, cause="asked"), reason="bad row"
    )
    assert shown(cast, unit).why_undecided == "aside"
    aside.cleared_at = NOW
    aside.save()
    assert shown(cast, unit).shown_outcome == "ready"


def test_what_waits_to_be_judged_again_shows_no_verdict_anywhere(cast, signed_in) -> None:
    unit = UnitFactory(tag="AA-1", home=cast.north)
    VerdictFactory(unit=unit)
    JudgementDue.objects.create(unit=unit, since=NOW)
    assert (shown(cast, unit).shown_outcome, shown(cast, unit).why_undecided) == ("cannot_decide", "waiting")
    client = signed_in(cast.nora)
    for url in ("/units/", "/units/AA-1/", "/horizon/", "/units/?format=csv"):
        assert "it is being judged again" in client.get(url).content.decode(), url


def test_the_list_filters_sorts_and_keeps_its_address(cast, signed_in) -> None:
    design = DesignFactory(name="Spring twelve")
    first, second = (
        UnitFactory(tag="AA-1", home=cast.north, design=design),
        UnitFactory(tag="ZZ-9", home=cast.north),
    )
    other = UnitFactory(tag="SS-1", home=cast.south)
    VerdictFactory(unit=first), VerdictFactory(unit=second, outcome="blocked")
    absence = Absence.objects.create(unit=other, purpose="loan", custodian="Someone", started_at=ago(3))
    UnitStay.objects.filter(unit=other).update(ended_at=ago(3))
    UnitStay.objects.create(unit=other, absence=absence, started_at=ago(3))
    client = signed_in(cast.vera)

    def tags(query: str) -> list[str]:
        return [line.unit.tag for line in client.get(f"/units/?{query}").context["lines"]]

    assert tags("") == ["AA-1", "SS-1", "ZZ-9"]
    assert tags("sort=-tag") == ["ZZ-9", "SS-1", "AA-1"]
    assert tags("verdict=ready") == ["AA-1"]
    assert tags("verdict=cannot_decide") == ["SS-1"]
    assert tags("q=spring&sort=tag") == ["AA-1"]
    assert tags("where=loan") == ["SS-1"]
    assert tags("where=here") == ["AA-1", "ZZ-9"]
    assert tags("depot=SOUTH") == ["SS-1"]
    assert tags("verdict=nonsense&sort=password") == ["AA-1", "SS-1", "ZZ-9"]
    assert client.get("/units/?q=zz-9")["Location"] == "/units/zz-9/"


def test_htmx_gets_the_region_only(cast, signed_in) -> None:
    UnitFactory(tag="AA-1", home=cast.north)
    client = signed_in(cast.vera)
    part = client.get("/units/", headers={"HX-Request": "true"}).content.decode()
    assert "AA-1" in part
    assert "<html" not in part
    assert "HX-Request" in client.get("/units/")["Vary"]


def test_the_export_is_what_is_on_screen(cast, signed_in) -> None:
    unit = UnitFactory(tag="=EVIL", home=cast.north)
    bank = BankFactory(unit=unit)
    BankState.objects.create(bank=bank, as_of=TODAY, status="known", low_soc=0.62, due_day=TODAY + 9 * DAY)
    VerdictFactory(unit=unit, outcome="cannot_decide")
    UnitFactory(tag="SS-1", home=cast.south)
    answer = signed_in(cast.vera).get("/units/?depot=NORTH&format=csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert [row["Unit"] for row in rows] == ["'=EVIL"]
    assert rows[0]["Charge low end, %"] == "62.0"
    assert rows[0]["Charge as of"] == TODAY.isoformat()
    assert rows[0]["Verdict"] == "cannot decide"


def bank_with_state(unit, low_soc: float | None = 0.62, as_of: dt.date = TODAY, position: str = "main"):
    bank = BankFactory(unit=unit, position=position)
    BankState.objects.create(
        bank=bank,
        as_of=as_of,
        status="known",
        soc=0.7,
        low_soc=low_soc,
        high_soc=0.78,
        due_day=TODAY + 9 * DAY,
    )
    return bank


@pytest.mark.parametrize("days_ago", [0, 1])
def test_the_charge_is_shown_as_long_as_the_verdict_is(cast, signed_in, days_ago) -> None:
    """List, export and page: no number of a day whose verdict is too old, and always the day it is as of."""
    day = TODAY - days_ago * DAY
    unit = UnitFactory(tag="AA-1", home=cast.north)
    bank_with_state(unit, as_of=day)
    VerdictFactory(unit=unit, from_day=day)
    client = signed_in(cast.nora)
    row = next(csv.DictReader(io.StringIO(client.get("/units/?format=csv").content.decode("utf-8-sig"))))
    told = (row["Charge low end, %"], row["Charge due"], row["Charge as of"])
    listed, page = (client.get(url).content.decode() for url in ("/units/", "/units/AA-1/"))
    assert f"as of {day.day} {day:%b}" in listed
    assert f"as of {day.day} {day:%b %Y}" in page
    if days_ago:
        assert told == ("", "", day.isoformat())
        assert "older than the last sweep" in row["Why"]
        assert "62 %" not in listed
        assert "62–78 %" not in page
        assert "not shown until it is worked out again" in page
    else:
        assert told == ("62.0", (TODAY + 9 * DAY).isoformat(), day.isoformat())
        assert "62 %" in listed
        assert "62–78 %" in page


def test_of_several_banks_the_weakest_is_shown_and_none_when_one_is_not_known(cast) -> None:
    unit = UnitFactory(home=cast.north)
    VerdictFactory(unit=unit)
    bank_with_state(unit, 0.8)
    bank_with_state(unit, 0.62, position="second")
    assert (shown(cast, unit).charge_low, shown(cast, unit).charge_due) == (0.62, TODAY + 9 * DAY)
    bank_with_state(unit, None, position="third")
    assert shown(cast, unit).charge_low is None
    # A bank that came from elsewhere and was last looked at long ago: nothing is known of the whole.
    BankState.objects.filter(low_soc=0.62).update(as_of=TODAY - 9 * DAY)
    assert (shown(cast, unit).charge_due, shown(cast, unit).charge_day) == (None, TODAY - 9 * DAY)


def test_queries_do_not_grow_with_the_list(cast, signed_in, queries_of) -> None:
    def grow(count: int) -> None:
        for _ in range(count):
            VerdictFactory(unit=UnitFactory(home=cast.north))

    client = signed_in(cast.vera)
    grow(2)
    few = queries_of(client, "/units/")
    grow(20)
    # Session, user, rights, depots, designs of the filter, count, rows.
    assert queries_of(client, "/units/") == few <= 9


def test_people_without_a_role_see_nothing(cast, signed_in, client) -> None:
    assert client.get("/units/").status_code == 302
    assert signed_in(cast.stig).get("/units/").status_code == 403
