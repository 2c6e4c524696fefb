"""Forms about what changes between missions: what is right is saved once, what cannot be is refused with a sentence."""

import datetime as dt
import uuid

import pytest
from django.contrib.messages import get_messages
from django.core.files.uploadedfile import SimpleUploadedFile

from fleet.models import (
    BankStay,
    BatteryBank,
    Certificate,
    Modification,
    SupplyState,
    Unit,
    Weighing,
    WetState,
)
from readiness.models import BankTest, Task
from tests.factories.fleet import NOW, TODAY, BankFactory, CertificateFactory, PackedFormFactory, UnitFactory
from tests.factories.readiness import AlertFactory, TaskFactory

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


@pytest.fixture
def unit(cast) -> Unit:
    return UnitFactory(tag="MW-1", home=cast.north)


@pytest.fixture
def bank(unit) -> BatteryBank:
    return BankFactory(unit=unit)


@pytest.fixture
def skid(unit):
    return PackedFormFactory(design=unit.design)


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


def post(client, path: str, htmx: bool = False, **given):
    headers = {"HX-Request": "true"} if htmx else {}
    return client.post(f"/units/MW-1/{path}", {"token": uuid.uuid4(), **given}, headers=headers)


def said(answer) -> str:
    return " ".join(str(message) for message in get_messages(answer.wsgi_request))


# A page, what is right for it, and what it makes.
RIGHT = [
    ("wet/", {"kind": "dry"}, WetState),
    ("connection/", {"kind": "isolated"}, SupplyState),
    ("certificate/", {"kind": "lifting_exam", "issued_on": TODAY - DAY, "no_end": "on"}, Certificate),
    ("bank/test/", {"kind": "ohmic", "worst_ratio": "1,18"}, BankTest),
    ("weighing/", {"mass_kg": "1815"}, Weighing),
    ("change/", {"kind": "drop", "description": "Slipped off the forks"}, Modification),
    ("tasks/", {"title": "Grease the hitch", "work_h": "1.5 h"}, Task),
]


@pytest.mark.parametrize(("path", "given", "model"), RIGHT, ids=[path for path, _given, _model in RIGHT])
def test_right_is_saved_once_and_only_by_its_own_depot(
    client, cast, signed_in, bank, skid, path, given, model
) -> None:
    before = model.objects.count()
    given = {"bank": bank.pk, "packed_form": skid.pk, **given}
    assert client.get(f"/units/MW-1/{path}").status_code == 200
    refused = post(signed_in(cast.silas), path, **given)
    assert (refused.status_code, model.objects.count()) == (403, before)
    token = uuid.uuid4()
    for _tap in range(2):
        answer = post(client, path, token=token, **given)
        assert (answer.status_code, answer["Location"]) == (302, "/units/MW-1/")
    assert model.objects.count() == before + 1


@pytest.mark.parametrize(
    ("path", "given", "sentence"),
    [
        ("wet/", {"kind": "preserved"}, "Say through which day it is good"),
        ("wet/", {"kind": "preserved", "good_until": TODAY - DAY}, "lies before it was done"),
        ("wet/", {"kind": "dry", "happened_at": "2099-01-01T00:00"}, "has not come yet"),
        ("connection/", {"kind": "float"}, "after how many days the float is looked at again"),
        ("connection/", {"kind": "standby", "standby_ma": "-3"}, "cannot be less than"),
        ("connection/", {"kind": "standby", "standby_ma": "3 kg"}, "is needed"),
        (
            "connection/",
            {"kind": "standby", "standby_ma": "30", "measured_on": TODAY + DAY},
            "cannot have been measured then",
        ),
        ("connection/", {"kind": "standby", "measured_on": TODAY}, "A day of measuring, but no draw"),
        ("certificate/", {"kind": "trailer", "issued_on": TODAY}, "tick that it has no end"),
        (
            "certificate/",
            {"kind": "trailer", "issued_on": TODAY, "expires_on": TODAY - DAY},
            "lies before the day it was issued",
        ),
        (
            "certificate/",
            {"kind": "trailer", "issued_on": TODAY + DAY, "no_end": "on"},
            "is issued on a day that has",
        ),
        ("bank/test/", {"kind": "capacity"}, "This test needs this result"),
        ("bank/test/", {"kind": "capacity", "capacity_ah": "9000"}, "more than twice the rated"),
        ("bank/test/", {"kind": "ohmic", "worst_ratio": "118"}, "A ratio lies near 1"),
        ("weighing/", {"mass_kg": "18150"}, "that is not this unit"),
        ("change/", {"kind": "repair", "description": ""}, "This field is required"),
        ("tasks/", {"title": "Grease", "work_h": "-1"}, "cannot be less than"),
        ("tasks/", {"title": "Grease", "due_on": "soon"}, "Enter a valid date"),
    ],
)
def test_what_cannot_be_comes_back_with_a_sentence(client, bank, skid, path, given, sentence) -> None:
    models = {each[0]: each[2] for each in RIGHT}
    before, version = models[path].objects.count(), bank.version
    answer = post(client, path, htmx=True, bank=bank.pk, packed_form=skid.pk, **given)
    body = answer.content.decode()
    assert (answer.status_code, "<html" in body) == (422, False)
    assert sentence in body
    assert models[path].objects.count() == before
    bank.refresh_from_db()
    assert bank.version == version


def test_the_draw_is_saved_with_the_connection(client, bank) -> None:
    answer = post(client, "connection/", bank=bank.pk, kind="standby", standby_ma="0.045 A")
    assert answer.status_code == 302
    bank.refresh_from_db()
    assert bank.standby_ma == pytest.approx(45)
    assert bank.standby_measured_on == TODAY
    assert SupplyState.objects.latest("pk").kind == "standby"


def test_an_unknown_draw_is_asked_for(client, bank) -> None:
    BatteryBank.objects.filter(pk=bank.pk).update(standby_ma=None)
    assert "is not known" not in said(post(client, "connection/", bank=bank.pk, kind="isolated"))
    assert "is not known" in said(post(client, "connection/", bank=bank.pk, kind="standby"))


def test_a_draw_that_someone_else_typed_meanwhile_is_not_overwritten_unseen(client, bank) -> None:
    BatteryBank.objects.filter(pk=bank.pk).update(standby_ma=80, version=bank.version + 1)
    given = {"bank": bank.pk, "kind": "standby", "standby_ma": "45"}
    before = SupplyState.objects.count()
    answer = post(client, "connection/", versions=f"{bank.pk}:{bank.version}", **given)
    assert answer.status_code == 422
    assert "while you had it open" in answer.content.decode()
    assert SupplyState.objects.count() == before
    again = post(client, "connection/", versions=answer.context["form"]["versions"].value(), **given)
    assert again.status_code == 302
    bank.refresh_from_db()
    assert bank.standby_ma == 45


def test_a_certificate_comes_with_its_paper(client, unit, settings, tmp_path) -> None:
    given = {"kind": "trailer", "number": "T-7", "issued_on": TODAY, "expires_on": TODAY + 300 * DAY}
    paper = SimpleUploadedFile("trailer.pdf", b"%PDF-1.7\n%%EOF\n", "application/pdf")
    assert post(client, "certificate/", file=paper, **given).status_code == 302
    row = unit.certificates.get()
    assert (row.number, row.expires_on, row.file.name) == ("T-7", TODAY + 300 * DAY, "trailer.pdf")
    bad = SimpleUploadedFile("trailer.pdf", b"MZ this is no paper", "application/pdf")
    answer = post(client, "certificate/", file=bad, **given)
    assert answer.status_code == 422
    assert answer.context["form"].errors["file"]
    assert unit.certificates.count() == 1


def test_pounds_of_a_person_who_thinks_in_pounds(client, cast, unit, skid) -> None:
    cast.nora.unit_system = "us"
    cast.nora.save()
    assert post(client, "weighing/", packed_form=skid.pk, mass_kg="4000").status_code == 302
    assert unit.weighings.get().mass_kg == pytest.approx(4000 * 0.45359237)


def test_a_mass_out_of_the_ordinary_is_saved_with_the_tick(client, unit, skid) -> None:
    given = {"packed_form": skid.pk, "mass_kg": "18150"}
    assert "It was weighed twice" not in client.get("/units/MW-1/weighing/").content.decode()
    asked = post(client, "weighing/", confirmed="on", **given)
    assert asked.status_code == 422
    assert "It was weighed twice" in asked.content.decode()
    seen = asked.context["form"]["asked"].value()
    other = post(client, "weighing/", confirmed="on", asked=seen, **(given | {"mass_kg": "1.815"}))
    assert other.status_code == 422
    assert not other.context["form"]["confirmed"].value()
    assert not unit.weighings.exists()
    assert post(client, "weighing/", confirmed="on", asked=seen, **given).status_code == 302
    assert unit.weighings.get().mass_kg == 18150.0


def test_a_mass_that_cannot_be_is_asked_about_first_and_refused_for_good(client, unit, skid) -> None:
    skid.tongue_load_kg = 340.0
    skid.save()
    given = {"packed_form": skid.pk, "mass_kg": "3.7"}
    asked = post(client, "weighing/", **given)
    assert asked.status_code == 422
    assert "tonnes typed as kilograms" in asked.content.decode()
    assert "It was weighed twice" in asked.content.decode()
    seen = asked.context["form"]["asked"].value()
    refused = post(client, "weighing/", confirmed="on", asked=seen, **given)
    assert refused.status_code == 422
    assert "The tongue bears 340 kg" in refused.content.decode()
    assert "confirm that it is right" not in refused.content.decode()
    assert not unit.weighings.exists()


def test_a_weighing_says_what_was_aboard_and_brings_its_slip_once(
    client, unit, skid, settings, tmp_path
) -> None:
    settings.MEDIA_ROOT = tmp_path
    given = {
        "packed_form": skid.pk,
        "mass_kg": "1,9 t",
        "kit_aboard": "yes",
        "water_inside": "no",
        "fuel_l": "20",
    }
    given |= {"method": "Crane scale", "token": uuid.uuid4()}
    for _tap in range(2):
        slip = SimpleUploadedFile("slip.pdf", b"%PDF-1.7\n%%EOF\n", "application/pdf")
        assert post(client, "weighing/", file=slip, **given).status_code == 302
    row = unit.weighings.get()
    assert (row.mass_kg, row.kit_aboard, row.water_inside, row.fuel_l) == (1900.0, True, False, 20.0)
    file = unit.attachments.get()
    assert (file.name, "1900 kg" in file.title) == ("slip.pdf", True)
    page = client.get("/units/MW-1/").content.decode()
    assert "with its kit, without water inside" in page
    assert f"On file: {skid.code} 1900" in client.get("/units/MW-1/weighing/").content.decode()


def test_a_slip_that_is_no_paper_leaves_no_weighing(client, unit, skid) -> None:
    bad = SimpleUploadedFile("slip.pdf", b"MZ this is no paper", "application/pdf")
    answer = post(client, "weighing/", packed_form=skid.pk, mass_kg="1815", file=bad)
    assert answer.status_code == 422
    assert answer.context["form"].errors["file"]
    assert answer.context["form"]["mass_kg"].value() == "1815"
    assert not unit.weighings.exists()
    assert post(client, "weighing/", packed_form=skid.pk, mass_kg="1815", fuel_l="-1").status_code == 422
    assert post(client, "weighing/", packed_form=skid.pk, mass_kg="1815").status_code == 302
    row = unit.weighings.get()
    assert (row.kit_aboard, row.water_inside, row.fuel_l) == (None, None, None)


def test_a_change_shows_what_it_voids_before_it_is_saved(client, unit) -> None:
    CertificateFactory(unit=unit, kind="lifting_exam", number="L-9")
    CertificateFactory(unit=unit, kind="radio_permit", number="R-1")
    given = {"kind": "repair", "description": "Lifting eye welded"}
    asked = post(client, "change/", htmx=True, **given)
    body = asked.content.decode()
    assert asked.status_code == 200
    assert "L-9" in body
    assert "R-1" not in body
    assert unit.modifications.count() == 0
    done = post(client, "change/", seen=asked.context["form"]["seen"].value(), **given)
    assert done.status_code == 302
    assert unit.modifications.get().touches == Modification.default_touches("repair")


def test_a_narrowed_change_voids_nothing_else(client, unit) -> None:
    CertificateFactory(unit=unit, kind="lifting_exam")
    given = {"kind": "repair", "description": "Cable relaid", "touches": ["wiring"]}
    assert post(client, "change/", **given).status_code == 302
    assert unit.modifications.get().touches == ["wiring"]


def test_a_bank_goes_in_and_another_onto_the_shelf(client, cast, unit, bank) -> None:
    spare = BankFactory(unit=None, place=cast.north)
    far = BankFactory(unit=None, place=cast.south)
    given = {"position": "main", "old_to": cast.north.pk}
    assert post(client, "bank/in/", bank=far.pk, **given).status_code == 422
    moment = NOW.strftime("%Y-%m-%dT%H:%M")
    for _tap in range(2):
        assert post(client, "bank/in/", bank=spare.pk, happened_at=moment, **given).status_code == 302
    now = {stay.bank_id: (stay.unit_id, stay.place_id) for stay in BankStay.objects.current()}
    assert now[spare.pk] == (unit.pk, None)
    assert now[bank.pk] == (None, cast.north.pk)
    assert unit.modifications.count() == 1


def test_a_bank_is_taken_out(client, cast, signed_in, unit, bank) -> None:
    given = {"bank": bank.pk, "place": cast.north.pk}
    assert post(signed_in(cast.silas), "bank/out/", **given).status_code == 403
    assert post(client, "bank/out/", **{**given, "place": cast.south.pk}).status_code == 422
    assert post(client, "bank/out/", **given).status_code == 302
    assert BankStay.objects.current().get(bank=bank).place == cast.north
    assert client.get("/units/MW-1/bank/out/").status_code == 302


def test_work_is_taken_and_done_once(client, cast, unit) -> None:
    task, theirs = TaskFactory(unit=unit), TaskFactory(unit=UnitFactory(home=cast.north))
    assert post(client, "tasks/take/", task=theirs.pk).status_code == 422
    for path in ("tasks/take/", "tasks/done/", "tasks/done/"):
        assert post(client, path, task=task.pk).status_code == 302
    task.refresh_from_db()
    assert (task.taken_by, task.state) == (cast.nora, Task.State.DONE)
    assert client.get("/units/MW-1/tasks/done/").status_code == 302


@pytest.mark.parametrize(
    ("rule", "item", "leads_to", "chosen"),
    [
        ("frost", {"key": "water_frost"}, "wet/", "dry"),
        ("frost", {"key": "acid_frost"}, "charge/start/", None),
        ("wet_idle", {"key": "wet_idle"}, "wet/", "dry"),
        ("float_unproven", {"key": "float_proof"}, "connection/", "float"),
        ("reading_stale", {"key": "charge_known", "reasons": 8}, "connection/", None),
        ("reading_stale", {"key": "charge_known", "reasons": 9}, "reading/", None),
        ("floor_broken", {"key": "capacity_test"}, "bank/test/", "capacity"),
        ("certificate", {"key": "certificate", "id": 4, "label": "trailer"}, "certificate/", "trailer"),
        ("evidence_void", {"key": "evidence", "id": 1, "label": "mass"}, "weighing/", None),
        ("evidence_void", {"key": "evidence", "id": 4, "label": "wiring"}, "certificate/", "electrical"),
    ],
)
def test_the_button_of_today_leads_to_the_record_that_settles_it(
    client, unit, bank, skid, rule, item, leads_to, chosen
) -> None:
    AlertFactory(unit=unit, rule=rule, data={"items": [{"outcome": "fail", "stage": "fails", **item}]})
    matter = client.get("/").context["matters"][0]
    assert matter.action_url.partition("?")[0] == f"/units/MW-1/{leads_to}"
    form = client.get(matter.action_url).context["form"]
    if chosen:
        assert form["kind"].value() == chosen


def test_a_bank_that_is_missing_comes_from_the_shelf(client, cast, unit) -> None:
    spare = BankFactory(unit=None, place=cast.north)
    AlertFactory(unit=unit, rule="bank_missing", data={"items": [{"key": "bank_aboard", "outcome": "fail"}]})
    page = client.get(client.get("/").context["matters"][0].action_url)
    assert spare.serial in page.content.decode()


def test_the_unit_page_links_what_a_person_may_write_down(cast, signed_in, unit, bank) -> None:
    TaskFactory(unit=unit, title="Grease the hitch")

    def links(who) -> set[str]:
        groups = signed_in(who).get("/units/MW-1/").context["more"]
        return {link.url.removeprefix("/units/MW-1/") for group in groups for link in group.links}

    sending = {"leave/", "deployment/"}
    keeping = {
        "wet/",
        "connection/",
        "certificate/",
        "weighing/",
        "change/",
        "bank/in/",
        "tasks/done/",
        "move/",
    }
    assert sending | keeping <= links(cast.nora)
    assert links(cast.dina) == sending
    assert links(cast.silas) == links(cast.vera) == set()
    assert "Grease the hitch" in signed_in(cast.vera).get("/units/MW-1/").content.decode()
