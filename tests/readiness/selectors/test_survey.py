"""What a depot's first weeks must find out, judged by the checks of the sweep."""

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import DepotTerms
from readiness.selectors.survey import SharedFact, UnitSurvey, survey_of
from readiness.services.upkeep import charge_record, reading_record, supply_state_record
from tests.factories.fleet import (
    NOW,
    TODAY,
    BankFactory,
    CertificateFactory,
    CertificateRuleFactory,
    DepotFactory,
    DesignFactory,
    UnitFactory,
    WetStateFactory,
    ago,
)
from tests.factories.readiness import (
    ChargeFactory,
    FaultFactory,
    InspectionFactory,
    InspectionTypeFactory,
    ReadingFactory,
    VerdictFactory,
)

pytestmark = pytest.mark.django_db


def keys(one):
    return sorted(fact.key for fact in one.facts)


def surveyed(unit):
    """Everything recorded that a verdict on this unit asks for."""
    bank = BankFactory(unit=unit)
    ChargeFactory(bank=bank, happened_at=ago(40))
    ReadingFactory(bank=bank, happened_at=ago(5))
    WetStateFactory(unit=unit)
    return unit


def test_a_unit_of_which_all_is_known_is_no_stop():
    depot = DepotFactory()
    surveyed(UnitFactory(home=depot))
    survey = survey_of(depot, as_of=TODAY)
    assert (survey.units, survey.decided, survey.steps, survey.later) == (1, 1, [], [])


def test_a_unit_never_surveyed_lists_what_is_missing():
    depot = DepotFactory()
    design = DesignFactory(survey_min=4)
    CertificateRuleFactory(design=design, kind="lifting_exam")
    CertificateRuleFactory(design=design, kind="electrical")
    InspectionTypeFactory(name="Pump run")
    unit = UnitFactory(home=depot, design=design)
    BankFactory(unit=unit, standby_ma=None, serial="B-1")
    FaultFactory(unit=unit, severity="blocks", mend_h=None)
    (stop,) = survey_of(depot, as_of=TODAY).steps
    assert isinstance(stop, UnitSurvey)
    assert keys(stop) == [
        "certificate",
        "certificate",
        "charge",
        "hours",
        "inspection",
        "reading",
        "supply",
        "wet",
    ]
    assert {fact.label for fact in stop.facts if fact.bank} == {"B-1"}
    assert stop.minutes == 8 * 4


def test_each_fact_found_out_leaves_the_list():
    depot = DepotFactory()
    design = DesignFactory()
    CertificateRuleFactory(design=design, kind="lifting_exam")
    type_ = InspectionTypeFactory()
    unit = UnitFactory(home=depot, design=design)
    bank = BankFactory(unit=unit, standby_ma=None)

    def missing():
        survey = survey_of(depot, as_of=TODAY)
        return keys(survey.stops[0]) if survey.stops else []

    assert missing() == ["certificate", "charge", "inspection", "reading", "supply", "wet"]
    CertificateFactory(unit=unit, kind="lifting_exam")
    InspectionFactory(unit=unit, type=type_)
    assert missing() == ["charge", "reading", "supply", "wet"]
    supply_state_record(bank=bank, kind="isolated", happened_at=ago(30), actor=None, now=NOW)
    charge_record(
        bank=bank,
        happened_at=ago(20),
        ended_at=ago(19),
        end_sign="current_steady",
        actor=None,
        now=NOW,
    )
    reading_record(bank=bank, happened_at=ago(1), volts_v=25.5, temp_c=10, rest_h=48, actor=None, now=NOW)
    assert missing() == []


def test_shared_facts_come_once_and_first_when_they_free_many():
    depot = DepotFactory()
    DepotTerms.objects.all().delete()
    for _ in range(3):
        surveyed(UnitFactory(home=depot))
    slow = UnitFactory(home=depot)
    BankFactory(unit=slow)
    survey = survey_of(depot, as_of=TODAY)
    first = survey.steps[0]
    assert isinstance(first, SharedFact)
    assert (first.key, len(survey.stops), survey.stops[-1].unit) == ("terms", 4, slow)
    assert [stop.decided_so_far for stop in survey.stops] == [1, 2, 3, 4]
    assert survey.decided == 0


def test_a_unit_away_waits_and_one_that_lacks_a_side_fact_is_decided():
    depot = DepotFactory()
    from fleet.services.units import absence_start

    gone = UnitFactory(home=depot)
    absence_start(unit=gone, purpose="loan", custodian="Coast", started_at=ago(3), actor=None, now=NOW)
    dryness_unknown = UnitFactory(home=depot)
    ReadingFactory(bank=BankFactory(unit=dryness_unknown), happened_at=ago(2))
    survey = survey_of(depot, as_of=TODAY)
    assert [one.unit for one in survey.away] == [gone]
    assert [one.unit for one in survey.later] == [dryness_unknown]
    assert survey.steps == []


def test_only_this_depot_and_only_the_tags_asked_for():
    depot = DepotFactory()
    UnitFactory(home=depot, tag="A-1")
    UnitFactory(home=depot, tag="A-2")
    UnitFactory(tag="ELSEWHERE")
    assert {stop.unit.tag for stop in survey_of(depot, as_of=TODAY).stops} == {"A-1", "A-2"}
    assert [stop.unit.tag for stop in survey_of(depot, as_of=TODAY, tags=["A-2"]).stops] == ["A-2"]
    assert survey_of(DepotFactory(), as_of=TODAY + dt.timedelta(days=1)).steps == []


def test_the_survey_costs_the_same_at_two_sizes():
    depot = DepotFactory()
    design = DesignFactory()
    CertificateRuleFactory(design=design)
    InspectionTypeFactory()

    def cost():
        with CaptureQueriesContext(connection) as context:
            survey_of(depot, as_of=TODAY)
        return len(context)

    counts = []
    for size in (2, 10):
        for _ in range(size):
            unit = UnitFactory(home=depot, design=design)
            BankFactory(unit=unit)
            FaultFactory(unit=unit, severity="blocks", mend_h=None)
        counts.append(cost())
    assert counts[0] == counts[1]


def test_a_large_depot_is_looked_at_in_parts_the_undecided_first(monkeypatch):
    """Who was judged and is decided waits; units nobody judged come first, and those left out count as undecided."""
    depot = DepotFactory()
    decided = UnitFactory(home=depot, tag="A-1")
    VerdictFactory(unit=decided, outcome="ready")
    UnitFactory.create_batch(3, home=depot)
    monkeypatch.setattr("readiness.selectors.survey.SURVEY_UNITS", 2)
    survey = survey_of(depot, as_of=TODAY)
    assert len(survey.stops) == 2
    assert decided not in [stop.unit for stop in survey.stops]
    assert (survey.units, survey.cut, survey.decided) == (4, 2, 1)
