"""Entry of what decides how a unit may travel: the facts of a bank, the measures of one unit."""

import datetime as dt
import html
import re
import uuid

import pytest

from fleet.models import BankTransport, UnitForm
from fleet.services.transport import bank_transport_save
from fleet.services.unit_forms import form_latest, form_shown, unit_form_write
from tests.factories.fleet import NOW, TODAY, BankFactory, PackedFormFactory, UnitFactory

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


@pytest.fixture
def unit(cast):
    return UnitFactory(tag="MW-1", home=cast.north)


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.nora)


def post(client, url: str, **given):
    return client.post(url, {"token": uuid.uuid4(), **given})


def text(answer) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


LFP = {
    "config": "installed",
    "host": "equipment",
    "un383": "pass",
    "net_mass_kg": "96",
    "source": "Data sheet",
}


@pytest.mark.parametrize(
    ("chemistry", "there", "not_there"),
    [
        ("lfp", ("un383", "host", "spare_sets", "discharge_w"), ("vib_pressure_ok", "marked_nonspillable")),
        ("vrla_gel", ("vib_pressure_ok", "no_free_liquid_55c"), ("un383", "host", "discharge_allowed")),
        ("flooded_sb", ("config", "package_gross_kg"), ("vib_pressure_ok", "un383")),
        ("nimh", ("config", "ctu_gross_kg"), ("package_gross_kg", "un383")),
    ],
)
def test_only_what_matters_to_the_chemistry_is_asked(client, unit, chemistry, there, not_there) -> None:
    BankFactory(unit=unit, serial="B/1", chemistry=chemistry)
    body = client.get("/banks/B/1/transport/").content.decode()
    assert [name for name in there if f'name="{name}"' not in body] == []
    assert [name for name in not_there if f'name="{name}"' in body] == []


def test_a_chemistry_of_which_nothing_is_asked_says_so(client, unit) -> None:
    BankFactory(unit=unit, serial="B1", chemistry="nicd_sealed")
    answer = client.get("/banks/B1/transport/", follow=True)
    assert answer.redirect_chain[-1][0] == "/banks/B1/"
    assert "The rules ask nothing of a bank of this chemistry" in text(answer)


def test_what_is_known_is_saved_once_and_shown_on_the_page_of_the_bank(client, cast, unit) -> None:
    bank = BankFactory(unit=unit, serial="B1", chemistry="lfp")
    page = text(client.get("/banks/B1/"))
    assert "In transport" in page
    given = {
        **LFP,
        "declared_wh": "5,12 kWh",
        "spare_sets": "",
        "discharge_allowed": "yes",
        "token": uuid.uuid4(),
    }
    for _tap in range(2):
        answer = post(client, "/banks/B1/transport/", seen="", next="/units/MW-1/transport/", **given)
        assert (answer.status_code, answer["Location"]) == (302, "/units/MW-1/transport/")
    row = BankTransport.objects.get()
    assert (row.bank, row.declared_wh, row.net_mass_kg, row.un383, row.spare_sets) == (
        bank,
        5120,
        96,
        "pass",
        None,
    )
    assert (row.discharge_allowed, row.adr_1137_ruling, row.version) == (True, None, 1)
    page = text(client.get("/banks/B1/"))
    assert "passed: the summary is on file with the bank" in page
    assert "Bank transport added" in page
    assert cast.nora.get_full_name() in text(client.get("/banks/B1/transport/"))


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"net_mass_kg": "heavy"}, "heavy"),
        ({"net_mass_kg": "-3"}, "cannot be less than"),
        ({"net_mass_kg": "0"}, "must be more than 0"),
        ({"declared_wh": "5 kg"}, "5 kg"),
        ({"spare_sets": "-1"}, "greater than or equal to 0"),
        ({"un383": "maybe"}, "Select a valid choice"),
    ],
)
def test_what_cannot_be_comes_back_with_a_sentence_and_what_was_typed(client, unit, given, sentence) -> None:
    BankFactory(unit=unit, serial="B1", chemistry="lfp")
    answer = post(client, "/banks/B1/transport/", **(LFP | given))
    assert answer.status_code == 422
    assert sentence in text(answer)
    assert 'value="Data sheet"' in answer.content.decode()
    assert not BankTransport.objects.exists()


def test_two_who_save_at_once_see_both_and_choose(client, cast, unit) -> None:
    bank = BankFactory(unit=unit, serial="B1", chemistry="lfp")
    bank_transport_save(bank=bank, values={"config": "installed", "net_mass_kg": 90.0}, actor=None)
    bank_transport_save(bank=bank, values={"net_mass_kg": 100.0}, actor=cast.silas, seen_version=1)
    answer = post(client, "/banks/B1/transport/", seen="1", **LFP)
    assert answer.status_code == 409
    page = text(answer)
    assert "Silas Byrd saved this while you had it open" in page
    assert "100 kg" in page
    assert "96 kg" in page
    assert BankTransport.objects.get().net_mass_kg == 100.0
    again = post(client, "/banks/B1/transport/", **(LFP | {"seen": answer.context["form"]["seen"].value()}))
    assert again.status_code == 302
    assert BankTransport.objects.get().net_mass_kg == 96.0


def test_a_box_left_as_it_was_keeps_the_exact_value_in_any_units(client, cast, unit) -> None:
    cast.nora.unit_system = "us"
    cast.nora.save()
    bank = BankFactory(unit=unit, serial="B1", chemistry="lfp")
    bank_transport_save(bank=bank, values={"net_mass_kg": 96.3, "package_gross_kg": 120.0}, actor=None)
    form = client.get("/banks/B1/transport/").context["form"]
    shown = {name: form[name].value() for name in ("net_mass_kg", "package_gross_kg")}
    assert shown["net_mass_kg"] == "212\N{NO-BREAK SPACE}lb"
    answer = post(client, "/banks/B1/transport/", seen="1", **(shown | {"package_gross_kg": "300"}))
    assert answer.status_code == 302
    row = BankTransport.objects.get()
    assert row.net_mass_kg == 96.3
    assert row.package_gross_kg == pytest.approx(300 * 0.45359237)


def test_a_link_lands_on_the_fact_it_is_about(client, unit) -> None:
    BankFactory(unit=unit, serial="B1", chemistry="lfp")
    body = client.get("/banks/B1/transport/?fact=net_mass_kg").content.decode()
    (field,) = re.findall(r"<input[^>]*autofocus[^>]*>", body)
    assert 'id="id_net_mass_kg"' in field


@pytest.mark.parametrize(("who", "status"), [("manager", 200), ("other_manager", 403), ("viewer", 403)])
def test_only_who_keeps_the_bank_says_what_it_is(cast, signed_in, unit, who, status) -> None:
    BankFactory(unit=unit, serial="B1", chemistry="lfp")
    reader = signed_in(cast.roles()[who])
    assert reader.get("/banks/B1/transport/").status_code == status
    assert ("/banks/B1/transport/" in reader.get("/banks/B1/").content.decode()) == (status == 200)


def test_the_form_takes_as_many_queries_with_a_long_history(client, cast, unit, queries_of) -> None:
    bank = BankFactory(unit=unit, serial="B1", chemistry="lfp")
    bank_transport_save(bank=bank, values={"net_mass_kg": 1.0}, actor=cast.nora)
    few = queries_of(client, "/banks/B1/transport/")
    for version in range(1, 8):
        bank_transport_save(
            bank=bank, values={"net_mass_kg": 1.0 + version}, actor=cast.nora, seen_version=version
        )
    assert queries_of(client, "/banks/B1/transport/") == few


MEASURES = "/units/MW-1/transport/measures/"


@pytest.fixture
def skid(unit):
    return PackedFormFactory(
        design=unit.design, code="skid", length_mm=5000.0, width_mm=2200.0, height_mm=2400.0
    )


def differs(unit, skid, kg=2000.0, since=TODAY, **given):
    return unit_form_write(
        unit=unit,
        packed_form=skid,
        measures={"mass_kg": kg} | given,
        reason="A second tank",
        valid_from=since,
        actor=None,
        shown=form_shown(form_latest(unit, skid)),
        now=NOW,
    )


def measured(client, code="skid", **given):
    values = {"valid_from": TODAY, "reason": "Weighed by Nora", "seen": "0:0"}
    return post(client, f"{MEASURES}{code}/", **(values | given))


def test_the_form_shows_the_design_beside_each_measure(client, unit, skid) -> None:
    page = text(client.get(f"{MEASURES}skid/"))
    assert "Design: 1800 kg" in page
    assert "Design: 5000 mm" in page
    assert "Design: not known" in page
    assert "Load on the coupling" not in page
    trailer = PackedFormFactory(design=unit.design, code="trailer/1", kind="trailer")
    assert "Load on the coupling" in text(client.get(f"{MEASURES}{trailer.code}/"))
    plate = "Maximum gross mass on its safety plate"
    assert plate not in text(client.get(f"{MEASURES}{trailer.code}/"))
    box = PackedFormFactory(design=unit.design, code="box", kind="container", container_gross_kg=10160.0)
    page = text(client.get(f"{MEASURES}{box.code}/"))
    assert plate in page
    assert "Load on the coupling" not in page
    assert client.get(f"{MEASURES}none/").status_code == 404


def test_what_was_measured_is_saved_once_and_the_rest_is_as_the_design(client, cast, unit, skid) -> None:
    given = {
        "mass_kg": "2,05 t",
        "cog_x_mm": "2.4 m",
        "may_turn": "no",
        "lifting_points": "4",
        "token": uuid.uuid4(),
    }
    for _tap in range(2):
        answer = measured(client, **given)
        assert (answer.status_code, answer["Location"]) == (302, MEASURES)
    row = UnitForm.objects.get()
    assert (row.mass_kg, row.cog_x_mm, row.may_turn, row.lifting_points) == (2050.0, 2400.0, False, 4)
    assert (row.length_mm, row.braked, row.valid_from, row.valid_to) == (None, None, TODAY, None)
    page = text(client.get(MEASURES))
    assert "Weighed by Nora" in page
    assert "Size and mass, mass, dry, without kit and fuel: 2050 kg" in page
    assert "Nora Lind" in page
    assert 'value="2050\N{NO-BREAK SPACE}kg"' in client.get(f"{MEASURES}skid/").content.decode()


def test_a_mass_that_looks_like_another_unit_is_asked_about_and_the_tick_is_about_that_mass(
    client, unit, skid
) -> None:
    asked = measured(client, mass_kg="3.7")
    assert asked.status_code == 422
    assert "confirm that it is right" in text(asked)
    assert "It was measured twice and is right" in text(asked)
    form = asked.context["form"]
    assert form["mass_kg"].value() == "3.7"
    assert not UnitForm.objects.exists()
    doubted = form["doubted"].value()
    other = measured(client, mass_kg="0.37", doubted=doubted, confirmed="on")
    assert other.status_code == 422
    assert not other.context["form"]["confirmed"].value()
    assert not UnitForm.objects.exists()
    assert measured(client, mass_kg="3.7", doubted=doubted, confirmed="on").status_code == 302
    assert UnitForm.objects.get().mass_kg == 3.7


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"mass_kg": "heavy"}, "heavy"),
        ({"length_mm": "-5"}, "cannot be less than"),
        ({"cog_x_mm": "9000"}, "9000 mm from the front"),
        ({"mass_kg": "2000", "reason": ""}, "This field is required"),
        ({"mass_kg": "2000", "valid_from": ""}, "This field is required"),
        ({"mass_kg": "2000", "valid_from": TODAY + DAY}, "has not come yet"),
        ({}, "Nothing differs from the design"),
    ],
)
def test_a_measure_that_cannot_be_comes_back_as_typed(client, unit, skid, given, sentence) -> None:
    answer = measured(client, **given)
    assert answer.status_code == 422
    assert sentence in text(answer)
    for name, value in given.items():
        assert str(answer.context["form"][name].value()) == str(value)
    assert not UnitForm.objects.exists()


def test_two_who_measure_at_once_see_both(client, unit, skid) -> None:
    row = differs(unit, skid, since=TODAY - 5 * DAY)
    answer = measured(client, mass_kg="1900")
    assert answer.status_code == 409
    page = text(answer)
    assert "2000 kg" in page
    assert "1900 kg" in page
    again = measured(client, mass_kg="1900", seen=answer.context["form"]["seen"].value())
    assert again.status_code == 302
    row.refresh_from_db()
    assert row.valid_to == TODAY - DAY
    assert UnitForm.objects.get(valid_to=None).mass_kg == 1900.0


def test_what_differs_is_ended_and_stays_in_the_history(client, unit, skid) -> None:
    row = differs(unit, skid, since=TODAY - 5 * DAY)
    assert f"{MEASURES}skid/end/" in client.get(MEASURES).content.decode()
    form = client.get(f"{MEASURES}skid/end/")
    assert "A second tank" in text(form)
    given = {"valid_to": TODAY - DAY, "reason": "Tank taken off", "seen": f"{row.pk}:1"}
    assert post(client, f"{MEASURES}skid/end/", **(given | {"reason": ""})).status_code == 422
    for _tap in range(2):
        assert post(client, f"{MEASURES}skid/end/", **given)["Location"] == MEASURES
    row.refresh_from_db()
    assert row.valid_to == TODAY - DAY
    page = text(client.get(MEASURES))
    assert "In this form it is as its design." in page
    assert "What differed before" in page
    assert "Tank taken off" in page
    assert client.get(f"{MEASURES}skid/end/")["Location"] == MEASURES


@pytest.mark.parametrize(
    ("who", "writes"), [("manager", True), ("other_manager", False), ("dispatcher", False)]
)
def test_only_who_keeps_the_unit_says_what_differs(cast, signed_in, unit, skid, who, writes) -> None:
    differs(unit, skid)
    reader = signed_in(cast.roles()[who])
    assert (f"{MEASURES}skid/" in reader.get(MEASURES).content.decode()) == writes
    for path in ("skid/", "skid/end/"):
        assert reader.get(MEASURES + path).status_code == (200 if writes else 403)


def test_pounds_and_inches_and_a_box_left_alone(client, cast, unit, skid) -> None:
    cast.nora.unit_system = "us"
    cast.nora.save()
    row = differs(unit, skid, kg=2000.3, length_mm=5003.0)
    form = client.get(f"{MEASURES}skid/").context["form"]
    left = form["mass_kg"].value()
    assert left == "4410\N{NO-BREAK SPACE}lb"
    answer = measured(client, mass_kg=left, length_mm="200", seen=f"{row.pk}:1")
    assert answer.status_code == 302
    row.refresh_from_db()
    assert (row.mass_kg, row.length_mm) == (2000.3, 200 * 25.4)


def test_the_page_of_measures_takes_as_many_queries_with_many(client, unit, skid, queries_of) -> None:
    differs(unit, skid, since=TODAY - 9 * DAY)
    few = queries_of(client, MEASURES)
    for n in range(1, 6):
        differs(unit, skid, kg=2000.0 + n, since=TODAY - (9 - n) * DAY)
        PackedFormFactory(design=unit.design, code=f"form-{n}")
    assert queries_of(client, MEASURES) == few
