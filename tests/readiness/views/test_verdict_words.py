"""A stored verdict on the pages: the gravest first, each check in its group, margins as of the day shown."""

import datetime as dt

import pytest

from readiness.web.verdicts import check_groups, first_reason
from tests.factories.fleet import TODAY, UnitFactory
from tests.factories.readiness import VerdictFactory

DAY = dt.timedelta(days=1)


def check(key: str, outcome: str = "fail", mend_h: object = 1.0, gates: bool = True, **given) -> dict:
    subject = {"kind": "inspection_type", "id": 1, "label": given.pop("label", "")}
    return {
        "key": key,
        "outcome": outcome,
        "gates": gates,
        "subject": subject,
        "mend_h": mend_h,
        "crew": 1,
        "data": {},
        **given,
    }


RESULT = {
    "checks": [
        check("inspection", "pass", label="Monthly look-over", turns_on=(TODAY + 9 * DAY).isoformat()),
        check("inspection", "cannot_decide", mend_h=None, label="Pump run"),
        check("inspection", label="Long one", mend_h=6.0, due_on=(TODAY - 3 * DAY).isoformat()),
        check("fault", gates=False, label="Paint worn", data={"severity": 0}),
        check("bank_aboard", mend_h="not_here"),
    ]
}


def test_groups_and_order() -> None:
    groups = check_groups(RESULT, TODAY)
    assert [line.name for line in groups.standing] == [
        "Battery bank",
        "Inspection: Long one",
        "Inspection: Pump run",
    ]
    assert [line.sentence for line in groups.besides] == ["Paint worn (minor)."]
    assert [line.name for line in groups.passing] == ["Inspection: Monthly look-over"]
    assert (groups.passing[0].margin, groups.standing[1].margin) == (9, -3)
    assert groups.standing[0].mend == "No work here can mend this."


def test_the_first_reason_counts_the_rest() -> None:
    assert first_reason(RESULT) == "Its battery bank was taken out and none has been put in. And 2 more."
    assert first_reason({"checks": [check("inspection", "pass")]}) == ""
    assert first_reason(None) == ""


@pytest.mark.django_db
def test_an_old_verdict_is_shown_as_old(cast, signed_in) -> None:
    unit = UnitFactory(tag="MW-1", home=cast.north)
    VerdictFactory(unit=unit, result=RESULT, outcome="blocked")
    page = signed_in(cast.vera).get("/units/MW-1/").content.decode()
    assert "verdict--blocked" in page
    assert "does not count" not in page
    assert "short by 3" in page
    unit.verdicts.update(from_day=TODAY - 9 * DAY, last_confirmed_day=TODAY - 9 * DAY)
    page = signed_in(cast.vera).get("/units/MW-1/").content.decode()
    assert "verdict--blocked" not in page
    assert "does not count" in page
