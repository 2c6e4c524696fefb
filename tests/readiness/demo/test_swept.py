"""The sweep over the loaded scenario finds the troubles, and leaves a good part of the fleet ready."""

import datetime as dt

import pytest
from django.core.management import call_command

from fleet.models import Unit
from readiness.demo.passes import past_passes, people_at_work, todays_pass
from readiness.demo.write import Writer
from readiness.models import Alert, SetAside, Verdict

from .conftest import DAYS, the_rows

# What the sweep must have open about the unit of each trouble.
RULES = {
    "G-12": "charge_due",
    "A-02": "part_life",
    "G-03": "part_life",
    "A-07": "lots_aboard",
    "G-07": "certificate",
    "F-02": "charge_open",
    "A-04": "float_unproven",
    "L-08": "evidence_void",
    "G-08": "frost",
    "F-04": "frost",
    "G-04": "debt",
    "F-07": "wet_idle",
    "L-02": "fault_open",
    "F-06": "kit_short",
    "G-05": "reading_stale",
    "G-13": "survey",
    "F-05": "survey",
    "A-11": "certificate",
    "A-09": "part_missing",
}


@pytest.mark.django_db
@pytest.mark.parametrize("day", DAYS, ids=str)
def test_the_sweep_finds_the_troubles(day: dt.date) -> None:
    Writer(the_rows(day)).write()
    todays_pass(day)
    assert not SetAside.objects.exists()
    open_alerts = set(Alert.objects.filter(cleared_at=None).values_list("about_unit__tag", "rule"))
    missed = {(tag, rule) for tag, rule in RULES.items() if (tag, rule) not in open_alerts}
    assert not missed
    outcomes = dict(Verdict.objects.filter(current=True).values_list("unit__tag", "outcome"))
    assert len(outcomes) == Unit.objects.count()
    assert list(outcomes.values()).count("ready") >= 16
    assert {"blocked", "cannot_decide", "after_work"} <= set(outcomes.values())
    for tag in ("L-06", "L-07", "A-10", "G-07", "L-02", "L-08"):
        assert outcomes[tag] == "blocked", tag
    for tag in ("A-03", "L-05", "A-04"):
        assert outcomes[tag] == "cannot_decide", tag
    assert Alert.objects.filter(rule="lot_stores", place__code="LIS", cleared_at=None).count() >= 2


@pytest.mark.django_db
def test_past_passes_leave_a_history_and_people_their_marks() -> None:
    day = DAYS[0]
    Writer(the_rows(day)).write()
    past_passes(day, 3)
    todays_pass(day)
    people_at_work(day)
    assert Verdict.objects.filter(current=False).exists()
    assert Verdict.objects.filter(current=True, last_confirmed_day=day).count() == Unit.objects.count()
    assert Alert.objects.filter(cleared_at__isnull=False).exists()
    assert Alert.objects.filter(taken_by__isnull=False, cleared_at=None).count() >= 3
    assert Alert.objects.exclude(acknowledged_note="").count() >= 3


@pytest.mark.django_db
def test_the_ledger_check_passes(capsys: pytest.CaptureFixture[str]) -> None:
    Writer(the_rows(DAYS[0])).write()
    call_command("ledger_check")
    assert "agree" in capsys.readouterr().out.lower()
