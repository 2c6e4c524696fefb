"""The page of one unit: everything in one place, corrections, and an edit that never overwrites in silence."""

import datetime as dt
import re

import pytest
from django.apps import apps

from fleet.models import AuditEntry, Correctable, DayLog, Leg, Unit
from fleet.services.audit import audit_record
from fleet.services.deployments import deployment_start
from fleet.services.units import absence_end, absence_start
from inventory.selectors.goods import goods_keys
from inventory.services.goods import goods_check_record, goods_line_add, goods_list_confirm
from readiness.models import BankState, Inspection, Reading
from readiness.web.history import KINDS
from tests.factories.fleet import (
    TODAY,
    BankFactory,
    CertificateFactory,
    DeploymentFactory,
    ModificationFactory,
    PackedFormFactory,
    SupplyStateFactory,
    UnitFactory,
    WeighingFactory,
    WetStateFactory,
    ago,
)
from tests.factories.readiness import (
    AlertFactory,
    BankTestFactory,
    ChargeFactory,
    FaultFactory,
    InspectionFactory,
    InspectionTypeFactory,
    OpenChargeFactory,
    ReadingFactory,
    VerdictFactory,
)

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)


@pytest.fixture
def unit(cast) -> Unit:
    return UnitFactory(tag="MW-1", home=cast.north)


@pytest.fixture
def bank(unit):
    return BankFactory(unit=unit)


def text(answer) -> str:
    return answer.content.decode()


def test_the_page_of_a_bare_unit_says_what_is_missing(cast, signed_in, unit) -> None:
    page = text(signed_in(cast.nora).get("/units/mw-1/"))
    assert "Not judged yet" in page
    assert "No battery bank is on file" in page
    assert "No certificate is on file. That is not the same as certified." in page


def test_the_page_shows_bank_history_and_certificates(cast, signed_in, unit, bank) -> None:
    BankState.objects.create(
        bank=bank,
        as_of=TODAY,
        status="known",
        soc=0.7,
        low_soc=0.62,
        high_soc=0.78,
        floor_soc=0.5,
        due_day=TODAY + 9 * DAY,
        due_by="floor",
    )
    ReadingFactory(bank=bank, volts_v=25.44, note="left rack")
    ChargeFactory(bank=bank)
    FaultFactory(unit=unit, description="Pump seal drips")
    CertificateFactory(unit=unit, expires_on=TODAY - DAY)
    CertificateFactory(unit=unit, expires_on=TODAY, kind="trailer")
    VerdictFactory(unit=unit)
    page = text(signed_in(cast.nora).get("/units/MW-1/"))
    assert "62–78 %" in page
    assert "in 9 days its low end meets the floor" in page
    assert "left rack" in page
    assert "Pump seal drips" in page
    assert "yesterday" in page


@pytest.mark.parametrize(
    ("who", "edits", "records"),
    [("nora", True, True), ("silas", False, False), ("vera", False, False), ("ada", True, True)],
)
def test_only_those_who_may_write_see_forms(cast, signed_in, unit, bank, who, edits, records) -> None:
    ReadingFactory(bank=bank)
    page = text(signed_in(getattr(cast, who)).get("/units/MW-1/"))
    assert ("Save the reading" in page) is records
    assert ("Strike out" in page) is records
    assert ("Edit these facts" in page) is edits


@pytest.mark.parametrize(
    "path", ["reading/", "charge/start/", "charge/end/", "inspection/", "fault/", "fault/close/", "edit/"]
)
@pytest.mark.parametrize(("who", "refused"), [("silas", 403), ("vera", 403), ("dina", 403), ("stig", 403)])
def test_writing_is_for_the_depot_itself(cast, signed_in, unit, bank, path, who, refused) -> None:
    client = signed_in(getattr(cast, who))
    assert client.get(f"/units/MW-1/{path}").status_code == refused
    assert client.post(f"/units/MW-1/{path}", {}).status_code == refused


def test_an_unknown_unit_is_not_here(cast, signed_in) -> None:
    assert signed_in(cast.nora).get("/units/NONE/").status_code == 404


def test_a_record_is_struck_out_with_a_reason(cast, signed_in, unit, bank) -> None:
    reading = ReadingFactory(bank=bank)
    client = signed_in(cast.nora)
    url = f"/records/reading/{reading.pk}/strike/"
    assert "rest voltage" in text(client.get(url))
    assert client.post(url, {"reason": ""}).status_code == 422
    assert client.post(url, {"reason": "meter was broken"})["Location"] == "/units/MW-1/"
    reading.refresh_from_db()
    assert reading.struck_reason == "meter was broken"
    page = text(client.get("/units/MW-1/"))
    assert "Struck out: meter was broken" in page


def test_a_record_is_moved_to_the_right_unit(cast, signed_in, unit, bank) -> None:
    right = UnitFactory(tag="MW-2", home=cast.north)
    theirs = BankFactory(unit=right)
    reading = ReadingFactory(bank=bank)
    fault = FaultFactory(unit=unit)
    client = signed_in(cast.nora)
    assert (
        client.post(f"/records/reading/{reading.pk}/move/", {"unit": "mw-2", "reason": "label"})["Location"]
        == "/units/MW-2/"
    )
    assert Reading.objects.counting().get().bank == theirs
    client.post(f"/records/fault/{fault.pk}/move/", {"unit": "MW-2", "reason": "label"})
    assert right.faults.counting().count() == 1
    answer = client.post(f"/records/reading/{reading.pk}/move/", {"unit": "MW-9", "reason": "label"})
    assert "No unit bears this tag" in text(answer)


def test_moving_into_another_depot_needs_that_depot(cast, signed_in, unit, bank) -> None:
    UnitFactory(tag="SS-1", home=cast.south)
    reading = ReadingFactory(bank=bank)
    answer = signed_in(cast.nora).post(
        f"/records/reading/{reading.pk}/move/", {"unit": "SS-1", "reason": "label"}
    )
    assert answer.status_code == 403


def test_a_bank_record_cannot_go_to_a_unit_without_a_bank(cast, signed_in, unit, bank) -> None:
    UnitFactory(tag="MW-3", home=cast.north)
    reading = ReadingFactory(bank=bank)
    answer = signed_in(cast.nora).post(
        f"/records/reading/{reading.pk}/move/", {"unit": "MW-3", "reason": "label"}
    )
    assert answer.status_code == 422
    assert "MW-3" in text(answer)


@pytest.mark.parametrize("path", ["/records/user/1/strike/", "/records/reading/999/strike/"])
def test_other_things_cannot_be_struck(cast, signed_in, path) -> None:
    assert signed_in(cast.nora).get(path).status_code == 404


def test_saving_over_someone_elses_change_shows_both_and_asks(cast, signed_in, unit) -> None:
    form = PackedFormFactory(design=unit.design)
    client = signed_in(cast.nora)
    mine = {"version": 1, "yard_place": "Row 3", "packed_form": form.pk, "serial": "", "note": ""}
    assert signed_in(cast.ada).post("/units/MW-1/edit/", {**mine, "yard_place": "Row 9"}).status_code == 302
    answer = client.post("/units/MW-1/edit/", mine)
    assert answer.status_code == 409
    assert "Ada Brook saved this while you had it open" in text(answer)
    assert "Row 9" in text(answer)
    assert "Row 3" in text(answer)
    unit.refresh_from_db()
    assert unit.yard_place == "Row 9"
    # Asked, she saves hers over theirs with the version the page now carries.
    assert 'name="version" value="2"' in text(answer)
    assert client.post("/units/MW-1/edit/", {**mine, "version": 2}).status_code == 302
    unit.refresh_from_db()
    assert (unit.yard_place, unit.version) == ("Row 3", 3)


def test_queries_do_not_grow_with_what_a_unit_has_been_through(
    cast, signed_in, queries_of, unit, bank
) -> None:
    client = signed_in(cast.nora)
    kind = InspectionTypeFactory()

    def live(first: int, count: int) -> None:
        for n in range(first, first + count):
            ReadingFactory(bank=bank, happened_at=ago(n + 1), recorded_by=cast.nora)
            ChargeFactory(bank=bank, happened_at=ago(100 + 2 * n), recorded_by=cast.nora)
            InspectionFactory(unit=unit, type=kind, happened_at=ago(n + 1), recorded_by=cast.ada)
            FaultFactory(unit=unit, happened_at=ago(n + 1), recorded_by=cast.nora)
            CertificateFactory(unit=unit)
            AlertFactory(unit=unit, rule=f"rule{n}")

    live(0, 2)
    few = queries_of(client, "/units/MW-1/?history=all")
    live(2, 12)
    assert queries_of(client, "/units/MW-1/?history=all") == few <= 76


def test_history_is_shortened_until_asked(cast, signed_in, unit, bank) -> None:
    for n in range(20):
        ReadingFactory(bank=bank, happened_at=ago(n + 1))
    OpenChargeFactory(bank=bank)
    client = signed_in(cast.nora)
    assert len(client.get("/units/MW-1/").context["history"]) == 15
    assert len(client.get("/units/MW-1/?history=all").context["history"]) == 21
    assert Inspection.objects.count() == 0


def test_every_record_that_can_be_struck_is_in_the_history_and_has_its_page() -> None:
    """A new kind of record needs a line in `readiness.web.history.KINDS`."""
    correctable = {model for model in apps.get_models() if issubclass(model, Correctable)}
    kept = {kind.model for kind in KINDS.values() if kind.model and issubclass(kind.model, Correctable)}
    assert kept == correctable


def test_what_people_wrote_down_about_a_unit_stands_in_its_history_and_can_be_put_right(
    cast, signed_in, unit, bank
) -> None:
    ReadingFactory(bank=bank)
    ChargeFactory(bank=bank)
    BankTestFactory(bank=bank)
    SupplyStateFactory(bank=bank)
    InspectionFactory(unit=unit)
    FaultFactory(unit=unit)
    ModificationFactory(unit=unit)
    WeighingFactory(unit=unit)
    WetStateFactory(unit=unit)
    CertificateFactory(unit=unit)
    goods_check_record(unit=unit, bank=bank, answers={"condition": "ok"}, happened_at=ago(3), actor=cast.nora)
    goods_line_add(
        unit=unit,
        label="Sat phone",
        kind="battery",
        pieces=2,
        mass_kg=0.8,
        happened_at=ago(3),
        actor=cast.nora,
    )
    goods_list_confirm(unit=unit, keys_shown=goods_keys(unit, now=ago(0)), actor=cast.nora)
    log = day_of(unit)
    Leg.objects.create(
        deployment=log.deployment,
        sequence=1,
        conveyance="truck",
        origin=unit.home,
        destination=cast.south,
        departed_at=ago(8),
    )
    absence_start(
        unit=unit, purpose="loan", custodian="Coast county", started_at=ago(1), actor=cast.nora, now=ago(0)
    )
    client = signed_in(cast.nora)
    page = text(client.get("/units/MW-1/?history=all"))
    assert "Coast county" in page
    assert "Sat phone, battery, 2 pieces, " in page
    assert "condition of the battery, sound" in page
    assert "said to be complete: 2 lines" in page
    for kind, each in KINDS.items():
        assert f"<strong>{each.title}</strong>" in page, kind
        if each.model:
            pk = each.model.objects.get().pk
            for act in ("strike", "move") if each.movable else ("strike",):
                url = f"/records/{kind}/{pk}/{act}/"
                assert url in page, kind
                assert client.get(url).status_code == 200, kind
            assert client.post(f"/records/{kind}/{pk}/strike/", {"reason": "wrong form"}).status_code == 302
            assert each.model.objects.filter(struck_at=None).count() == 0
    page = text(client.get("/units/MW-1/?history=all"))
    assert page.count("Struck out: wrong form") == len([each for each in KINDS.values() if each.model])


def day_of(unit: Unit, day_back: int = 5) -> DayLog:
    deployment = DeploymentFactory(unit=unit)
    day = TODAY - day_back * DAY
    return DayLog.objects.create(
        deployment=deployment, day=day, hours_a_h=6.0, volume_a_m3=22.0, happened_at=ago(day_back - 1)
    )


def test_a_day_on_site_is_struck_or_moved_to_the_unit_that_was_there(cast, signed_in, unit) -> None:
    log = day_of(unit)
    right = UnitFactory(tag="MW-2", home=cast.north)
    there = DeploymentFactory(unit=right, code="RIGHT")
    client = signed_in(cast.nora)
    page = text(client.get(f"/records/day-log/{log.pk}/move/"))
    assert log.deployment.code in page
    assert re.search(r"train A 6\.0\sh / 22\.0\sm", page)
    UnitFactory(tag="MW-3", home=cast.north)
    nowhere = client.post(f"/records/day-log/{log.pk}/move/", {"unit": "MW-3", "reason": "label"})
    assert "has no single deployment on" in text(nowhere)
    answer = client.post(f"/records/day-log/{log.pk}/move/", {"unit": "MW-2", "reason": "label"})
    assert answer["Location"] == "/units/MW-2/"
    moved = DayLog.objects.counting().get()
    assert (moved.deployment, moved.day, moved.hours_a_h) == (there, log.day, 6.0)
    assert client.post(f"/records/day-log/{moved.pk}/strike/", {"reason": "guessed"}).status_code == 302
    assert "Struck out: guessed" in text(client.get("/units/MW-2/"))


def test_who_sends_units_out_puts_a_day_on_site_right_but_no_reading(cast, signed_in, unit, bank) -> None:
    log, reading = day_of(unit), ReadingFactory(bank=bank)
    client = signed_in(cast.dina)
    page = text(client.get("/units/MW-1/"))
    assert f"/records/day-log/{log.pk}/strike/" in page
    assert f"/records/reading/{reading.pk}/strike/" not in page
    assert client.get(f"/records/reading/{reading.pk}/strike/").status_code == 403
    assert client.post(f"/records/day-log/{log.pk}/strike/", {"reason": "twice"}).status_code == 302
    assert signed_in(cast.vera).get(f"/records/day-log/{log.pk}/strike/").status_code == 403


def test_lines_that_an_import_wrote_stand_among_who_changed_what(cast, signed_in, unit, bank) -> None:
    """An import names its rows by number only, so that it can be taken back."""
    reading = ReadingFactory(bank=bank)
    elsewhere = ReadingFactory()
    for row in (unit, bank, reading, elsewhere):
        audit_record(actor=cast.ada, action=f"{row._meta.model_name}.import", subject=row)
    entries = AuditEntry.objects.filter(unit=None)
    assert entries.count() == 3
    client = signed_in(cast.vera)
    page = client.get("/units/MW-1/")
    told = [(line.what, line.subject, line.who) for line in page.context["changes"]]
    assert ("Reading brought in from a file", str(reading), "Ada Brook") in told
    assert ("Battery bank brought in from a file", bank.serial, "Ada Brook") in told
    assert all(subject != str(elsewhere) for _what, subject, _who in told)
    assert "Who changed what" in text(page)
    assert bank.serial in text(client.get(f"/banks/{bank.serial}/"))
    of_bank = [line.subject for line in client.get(f"/banks/{bank.serial}/").context["changes"]]
    assert of_bank == [str(reading), bank.serial]


def test_a_change_says_from_what_to_what(cast, signed_in, unit) -> None:
    client = signed_in(cast.nora)
    mine = {"version": 1, "yard_place": "Row 3", "packed_form": "", "serial": "", "note": ""}
    client.post("/units/MW-1/edit/", mine)
    client.post("/units/MW-1/edit/", {**mine, "version": 2, "yard_place": "Row 9"})
    line = client.get("/units/MW-1/").context["changes"][0]
    assert (line.who, line.what, line.fields) == (
        "Nora Lind",
        "Unit edited",
        ("place in the yard: Row 3 → Row 9",),
    )


@pytest.mark.parametrize("over", [False, True])
def test_an_absence_that_never_was_is_struck_out_and_the_unit_stood_where_it_had_stood(
    cast, signed_in, unit, over
) -> None:
    away = absence_start(
        unit=unit, purpose="loan", custodian="Coast county", started_at=ago(9), actor=cast.dina, now=ago(9)
    )
    if over:
        absence_end(absence=away, ended_at=ago(2), actor=cast.dina, now=ago(2))
    client = signed_in(cast.dina)
    url = f"/records/absence/{away.pk}/strike/"
    assert url in text(client.get("/units/MW-1/"))
    assert "Coast county" in text(client.get(url))
    assert client.post(url, {"reason": " "}).status_code == 422
    for _tap in range(2):
        assert client.post(url, {"reason": "it was MW-2"})["Location"] == "/units/MW-1/"
    away.refresh_from_db()
    assert (away.struck_by, away.struck_reason) == (cast.dina, "it was MW-2")
    assert {stay.place for stay in unit.stays.all()} == {cast.north}
    assert unit.stays.current().count() == 1
    page = text(client.get("/units/MW-1/"))
    assert "Struck out: it was MW-2" in page
    assert "Away: loan" not in page
    assert client.get("/units/MW-1/back/")["Location"] == "/units/MW-1/"
    # Another may begin in its place.
    again = absence_start(
        unit=unit, purpose="workshop", custodian="Kurt", started_at=ago(1), actor=cast.dina, now=ago(0)
    )
    assert again.pk != away.pk
    assert client.get(f"/records/absence/{again.pk}/move/").status_code == 404
    assert signed_in(cast.silas).get(url).status_code == 403


def test_the_absence_of_a_deployment_goes_with_it(cast, signed_in, unit) -> None:
    sent = deployment_start(
        unit=unit, code="D-1", started_at=ago(3), custodian="Team 2", actor=cast.nora, now=ago(3)
    )
    answer = signed_in(cast.nora).post(
        f"/records/absence/{sent.absence_id}/strike/", {"reason": "wrong unit"}
    )
    assert answer.status_code == 422
    assert "belongs to deployment D-1" in text(answer)
