"""Quick forms: what a thumb types becomes one record; what a rule refuses comes back with a sentence."""

import datetime as dt
import uuid

import pytest
from django.contrib.messages import get_messages

from fleet.models import Unit
from readiness.models import Charge, Fault, Inspection, Reading
from tests.factories.fleet import NOW, BankFactory, UnitFactory
from tests.factories.readiness import FaultFactory, InspectionTypeFactory, OpenChargeFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit(cast) -> Unit:
    return UnitFactory(tag="MW-1", home=cast.north)


@pytest.fixture
def bank(unit):
    return BankFactory(unit=unit)


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


def days_back(count: int) -> str:
    """Ten in the morning of an earlier day, as the field sends it."""
    return (NOW - dt.timedelta(days=count)).strftime("%Y-%m-%dT10:00")


def post(client, path: str, htmx: bool = False, **given):
    headers = {"HX-Request": "true"} if htmx else {}
    return client.post(f"/units/MW-1/{path}", {"token": uuid.uuid4(), **given}, headers=headers)


@pytest.mark.parametrize(
    ("kind", "typed", "column", "stored"),
    [
        ("voltage", "25.4 V", "volts_v", 25.4),
        ("voltage", "25,4", "volts_v", 25.4),
        ("meter", "62 %", "meter_soc", 0.62),
        ("meter", "62", "meter_soc", 0.62),
    ],
)
def test_a_reading_as_people_type_it(client, bank, kind, typed, column, stored) -> None:
    answer = post(client, "reading/", bank=bank.pk, kind=kind, value=typed, temp_c="59 °F", rest_h="30")
    assert answer["Location"] == "/units/MW-1/"
    reading = Reading.objects.get()
    assert getattr(reading, column) == pytest.approx(stored)
    assert reading.temp_c == pytest.approx(15)
    assert reading.happened_at == NOW


def test_bare_numbers_are_in_the_units_a_person_sees(client, cast, bank) -> None:
    cast.nora.unit_system = "us"
    cast.nora.save()
    post(client, "reading/", bank=bank.pk, kind="voltage", value="25.4", temp_c="77", rest_h="30")
    assert Reading.objects.get().temp_c == pytest.approx(25)


def test_a_moment_is_the_depots_own_time(client, bank) -> None:
    local = (NOW - dt.timedelta(days=1)).strftime("%Y-%m-%d") + "T09:30"
    post(client, "reading/", bank=bank.pk, kind="voltage", value="25.4", happened_at=local)
    # North depot keeps the time of Oslo: one hour ahead in winter.
    assert Reading.objects.get().happened_at.strftime("%H:%M") == "08:30"


def test_a_double_tap_makes_one_record(client, bank) -> None:
    token = uuid.uuid4()
    for _tap in range(2):
        assert (
            post(client, "reading/", bank=bank.pk, kind="voltage", value="25.4", token=token).status_code
            == 302
        )
    assert Reading.objects.count() == 1


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"kind": "voltage", "value": "254"}, "cannot be the voltage of bank"),
        ({"kind": "voltage", "value": "a lot"}, "is not a number with a unit"),
        ({"kind": "voltage", "value": "25.4 kg"}, "here a voltage is needed"),
        ({"kind": "meter", "value": "0.6"}, "in percent"),
        ({"kind": "gravity", "value": "1.245"}, "Select a valid choice"),
        ({"kind": "voltage", "value": "25.4", "happened_at": "2099-01-01T00:00"}, "has not come yet"),
        ({"kind": "voltage", "value": ""}, "This field is required"),
    ],
)
def test_what_cannot_be_comes_back_with_a_sentence(client, bank, given, sentence) -> None:
    answer = post(client, "reading/", htmx=True, bank=bank.pk, **given)
    assert answer.status_code == 422
    body = answer.content.decode()
    assert sentence in body
    assert "<html" not in body
    assert Reading.objects.count() == 0


def test_a_reading_taken_too_early_is_kept_and_doubted(client, bank) -> None:
    answer = post(client, "reading/", bank=bank.pk, kind="voltage", value="25.4", temp_c="15", rest_h="2")
    said = [str(message) for message in get_messages(answer.wsgi_request)]
    assert any("will not be used" in sentence for sentence in said)
    assert Reading.objects.count() == 1


def test_a_charge_is_begun_and_ended(client, bank) -> None:
    assert post(client, "charge/start/", bank=bank.pk, purpose="maintenance", bay="3").status_code == 302
    charge = Charge.objects.get()
    assert (charge.bay, charge.ended_at, charge.planned_end_at) == ("3", None, None)
    again = post(client, "charge/start/", bank=bank.pk, purpose="maintenance", happened_at="")
    assert "charge" in again.content.decode()
    assert Charge.objects.count() == 1
    charge.happened_at = NOW - dt.timedelta(hours=10)
    charge.save()
    assert (
        post(client, "charge/end/", charge=charge.pk, end_sign="current_steady", ah_in="40 Ah").status_code
        == 302
    )
    charge.refresh_from_db()
    assert (charge.ended_at, charge.end_sign, charge.ah_in) == (NOW, "current_steady", 40)


def test_of_two_banks_the_one_not_on_charge_can_be_begun(client, unit, bank) -> None:
    other = BankFactory(unit=unit, position="phone", serial="PHONE-1")
    OpenChargeFactory(bank=bank)
    quick = client.get("/units/MW-1/").context["quick"]
    titles = [str(each["title"]) for each in quick]
    assert {"Start a charge", "End the charge"} <= set(titles)
    offered = quick[titles.index("Start a charge")]["form"].fields["bank"].queryset
    assert list(offered) == [other]
    assert list(client.get("/units/MW-1/charge/start/").context["form"].fields["bank"].queryset) == [other]
    assert post(client, "charge/start/", bank=other.pk, purpose="maintenance").status_code == 302
    assert Charge.objects.filter(bank=other, ended_at=None).count() == 1
    # Both run: nothing is left to begin, and a second tap still finds its charge.
    assert client.get("/units/MW-1/charge/start/")["Location"] == "/units/MW-1/"
    assert post(client, "charge/start/", bank=other.pk, purpose="maintenance").status_code == 422


def test_nothing_to_end(client, bank) -> None:
    assert client.get("/units/MW-1/charge/end/").status_code == 302


def test_a_charge_of_another_unit_cannot_be_ended_here(client, cast, bank) -> None:
    mine, theirs = (
        OpenChargeFactory(bank=bank),
        OpenChargeFactory(bank=BankFactory(unit=UnitFactory(home=cast.south))),
    )
    assert post(client, "charge/end/", charge=theirs.pk, end_sign="").status_code == 422
    theirs.refresh_from_db()
    assert theirs.ended_at is None
    assert mine.ended_at is None


def test_an_inspection(client, unit) -> None:
    kind, foreign = InspectionTypeFactory(), InspectionTypeFactory()
    foreign.designs.add(UnitFactory().design)
    assert post(client, "inspection/", type=kind.pk, passed="no", note="cracked").status_code == 302
    assert Inspection.objects.get().passed is False
    assert post(client, "inspection/", type=foreign.pk, passed="yes").status_code == 422


def test_a_fault_is_opened_and_closed(client, unit) -> None:
    assert (
        post(client, "fault/", description="Seal drips", severity="degrades", mend_h="90 min").status_code
        == 302
    )
    fault = Fault.objects.get()
    assert (fault.mend_h, fault.mend_here) == (1.5, False)
    assert post(client, "fault/close/", fault=fault.pk, closing_note="new seal").status_code == 302
    fault.refresh_from_db()
    assert (fault.closed_at, fault.closing_note) == (NOW, "new seal")


def test_a_fault_of_another_unit_cannot_be_closed_here(client, cast, unit) -> None:
    FaultFactory(unit=unit)
    other = FaultFactory(unit=UnitFactory(home=cast.south))
    assert post(client, "fault/close/", fault=other.pk, closing_note="x").status_code == 422


def test_after_saving_one_returns_to_where_one_came_from(client, bank) -> None:
    given = {"bank": bank.pk, "kind": "voltage", "value": "25.4"}
    assert post(client, "reading/", next="/?for=everyone", **given)["Location"] == "/?for=everyone"
    later = {**given, "happened_at": days_back(5), "next": "https://elsewhere.example/"}
    assert post(client, "reading/", **later)["Location"] == "/units/MW-1/"
    answer = post(client, "reading/", htmx=True, **{**given, "happened_at": days_back(6)})
    assert answer["HX-Redirect"] == "/units/MW-1/"


def test_a_form_knows_what_the_line_was_about(client, unit, bank) -> None:
    second = BankFactory(unit=unit, position="phone")
    page = client.get(f"/units/MW-1/reading/?bank={second.pk}&next=/").content.decode()
    assert f'value="{second.pk}" selected' in page
    assert 'name="next" value="/"' in page
    assert client.get("/units/MW-1/reading/?bank=x").status_code == 200
