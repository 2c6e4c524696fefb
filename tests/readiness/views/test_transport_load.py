"""One load: what goes, what stays behind and why, the drawing, the law of the whole; on the page, by API and command."""

from __future__ import annotations

import html
import json
from dataclasses import replace
from io import StringIO
from itertools import pairwise
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.domain.placement import faults_of
from fleet.models import BankTransport, PackedForm, TransportTerms, Unit
from fleet.services.tokens import token_create
from inventory.models import GoodsCheck, GoodsLine, GoodsListCheck
from readiness.forms.transport_load import question_of
from readiness.web.transport_load import LoadPlan
from readiness.web.transport_load_pdf import load_data, load_pdf
from readiness.web.transport_load_plan import plan_load
from tests.factories.fleet import (
    FIRST_DAY,
    NOW,
    TODAY,
    BankFactory,
    CertificateFactory,
    PackedFormFactory,
    UnitFactory,
    WetStateFactory,
    ago,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
# Rules of the United States are a running text: they are held on every day.
DECK, BOX = "semi_flat_us48", "c20gp_typ"
HOSES = {"name": "hoses", "length": "1200", "width": "800", "height": "1500", "mass": "400", "holds": "none"}


def sound_unit(cast: Any, tag: str, **measures: Any) -> Unit:
    """A gel unit that is in order for the road."""
    unit: Unit = UnitFactory(tag=tag, home=cast.north)
    sizes = {"may_turn": True, "cog_x_mm": 1500.0, "cog_y_mm": 1000.0} | measures
    PackedFormFactory(design=unit.design, code="skid", **sizes)
    WetStateFactory(unit=unit)
    bank = BankFactory(unit=unit, chemistry="vrla_gel", serial=f"GEL/{tag}")
    facts = {"config": "installed", "host": "equipment", "vib_pressure_ok": True, "no_free_liquid_55c": True}
    BankTransport.objects.create(bank=bank, marked_nonspillable=True, **facts)
    CertificateFactory(unit=unit, kind="non_spillable", expires_on=None)
    for kind, answer in (("condition", "ok"), ("terminals", "yes")):
        GoodsCheck.objects.create(unit=unit, bank=bank, kind=kind, answer=answer, happened_at=ago(0))
    GoodsListCheck.objects.create(unit=unit, keys=[f"bank:GEL/{tag}"], happened_at=ago(0))
    return unit


def with_goods(unit: Unit, un: str, pg: str, qty: float) -> None:
    line = GoodsLine.objects.create(
        unit=unit,
        label=f"drum of {un}",
        kind="goods",
        attributes={"un": un, "pg": pg, "qty": qty},
        mass_kg=qty + 2,
        happened_at=ago(1),
    )
    keys = [f"bank:GEL/{unit.tag}", f"line:{line.pk}"]
    GoodsListCheck.objects.create(unit=unit, keys=keys, happened_at=ago(0))


@pytest.fixture
def unit(cast: Any) -> Unit:
    return sound_unit(cast, "N-1")


@pytest.fixture
def client(cast: Any, signed_in: Any) -> Any:
    return signed_in(cast.dina)


def asked(
    conveyance: str = DECK, *units: str, kits: tuple[dict[str, str], ...] = (), **more: str
) -> dict[str, str]:
    typed = {"ship_on": TODAY.isoformat(), "days": "10", "conveyance": conveyance, **more}
    typed |= {f"unit_{n}": unit for n, unit in enumerate(units, start=1)}
    for n, kit in enumerate(kits, start=1):
        typed |= {f"kit_{n}_{part}": value for part, value in kit.items()}
    return typed


def show(client: Any, *args: Any, status: int = 200, **more: Any) -> str:
    answer = client.get("/transport/load/", asked(*args, **more))
    assert answer.status_code == status
    return " ".join(answer.content.decode().split())


def planned(*args: Any, **more: Any) -> LoadPlan:
    """The plan of a question, held against the verifier that knows only geometry and limits."""
    question, form = question_of(asked(*args, **more), system="si", today=TODAY)
    assert question is not None, form.errors
    plan = plan_load(question, now=NOW)
    assert faults_of(plan.placement, plan.pieces, plan.hold.room) == []
    assert len(plan.stowed) + len(plan.behind) == len(question.units) + sum(
        kit.count for kit in question.kits
    )
    return plan


def test_a_load_is_drawn_counted_and_judged(client: Any, cast: Any, unit: Unit) -> None:
    sound_unit(cast, "N-2")
    page = show(client, DECK, "N-1:skid", "n-2", kits=(HOSES | {"count": "2"},))
    assert "Everything that was named goes: 4 of 4." in page
    assert page.count('class="plan__svg"') == 2
    assert page.count('class="plan__piece"') == 8
    assert "lashings are not placed" in page
    assert "the trained person and the carrier decide" in page
    assert "not restricted" in page
    assert "the axle loads" in page  # said to be not asked
    assert "GEL/N-1" not in page.partition("What decides")[2]  # nothing of it decides


def test_search_and_sheet_lead_here(client: Any, unit: Unit) -> None:
    assert "/transport/load/" in client.get("/transport/").content.decode()
    sheet = client.get(f"/units/n-1/transport/?ship_on={TODAY.isoformat()}&days=10").content.decode()
    address = sheet.partition('href="/transport/load/?')[2].partition('"')[0].replace("&amp;", "&")
    assert address == f"unit_1=N-1%3Askid&ship_on={TODAY.isoformat()}"
    assert 'value="N-1:skid"' in client.get(f"/transport/load/?{address}").content.decode()


def test_the_page_begins_empty_and_takes_a_unit_along(client: Any, unit: Unit) -> None:
    page = client.get("/transport/load/?unit_1=N-1:skid").content.decode()
    assert 'value="N-1:skid"' in page
    assert "field__error" not in page
    assert "plan__svg" not in page


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"unit_1": "X-9"}, "No unit in service bears the tag &#x27;X-9&#x27;."),
        ({"unit_2": "n-1"}, "N-1 is named twice."),
        ({"unit_1": "N-1:raft"}, "N-1 has no packed form &#x27;raft&#x27;. It has: skid."),
        ({"unit_1": ""}, "Name at least one unit or kit pallet."),
        ({"conveyance": "broomstick"}, "broomstick"),
        ({"conveyance": ""}, "required"),
        ({"ship_on": "soon"}, "date"),
        ({"ship_on": "1926-11-25"}, "Write the day with its year"),
        ({"by": "above"}, "has no opening above"),
        ({"gap": "-5 mm"}, "cannot be less"),
        ({"axle_front": "0"}, "all four numbers are needed"),
        (
            {"axle_front": "5000", "axle_rear": "1000", "bears_front": "1", "bears_rear": "1"},
            "must stand behind",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    client: Any, unit: Unit, change: dict[str, str], sentence: str
) -> None:
    page = " ".join(client.get("/transport/load/", asked(DECK, "N-1") | change).content.decode().split())
    assert sentence in page
    assert "plan__svg" not in page
    assert client.get("/transport/load/", asked(DECK, "N-1") | change).status_code == 422


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"mass": ""}, "Cannot decide without it"),
        ({"length": ""}, "Cannot decide without it"),
        ({"length": "-1200"}, "cannot be less"),
        ({"length": "1200 m"}, "Is the unit right?"),
        ({"mass": "400 mm"}, "mass"),
        ({"count": "0"}, "greater than or equal to 1"),
        ({"count": "30"}, "At most 30 pieces are placed at once; these are 31."),
    ],
)
def test_a_kit_pallet_that_cannot_be_is_refused(
    client: Any, unit: Unit, change: dict[str, str], sentence: str
) -> None:
    assert sentence in show(client, DECK, "N-1", kits=(HOSES | change,), status=422)


def test_a_unit_packed_in_several_ways_is_asked_about(client: Any, unit: Unit) -> None:
    trailer = PackedFormFactory(design=unit.design, code="trailer", kind=PackedForm.Kind.TRAILER)
    assert "Write N-1:skid or N-1:trailer." in show(client, DECK, "N-1", status=422)
    unit.packed_form = trailer
    unit.save()
    assert planned(DECK, "N-1").stowed[0].form.endswith("(trailer)")


def test_a_mass_that_is_not_known_stays_behind_and_is_named(cast: Any, unit: Unit) -> None:
    sound_unit(cast, "N-2", mass_kg=None)
    plan = planned(DECK, "N-1", "N-2")
    (behind,) = plan.behind
    assert behind.name == "N-2"
    assert behind.outcome == "cannot_decide"
    assert behind.why[0].startswith("The packed mass is not known: ")


@pytest.mark.parametrize("measure", ["length_mm", "width_mm", "height_mm"])
def test_a_measure_that_is_not_known_stays_behind_and_is_named(cast: Any, measure: str) -> None:
    sound_unit(cast, "N-2", **{measure: None})
    (behind,) = planned(DECK, "N-2").behind
    assert behind.outcome == "cannot_decide"
    assert f"The {measure[:-3]} is not known." in behind.why


def test_a_centre_of_gravity_is_asked_where_balance_rests_on_it(cast: Any) -> None:
    sound_unit(cast, "N-2", cog_x_mm=None)
    assert planned(DECK, "N-2").behind == ()
    (behind,) = planned(BOX, "N-2").behind
    assert "The centre of gravity is not known" in behind.why[0]
    axles = {"axle_front": "500", "axle_rear": "11000", "bears_front": "8000", "bears_rear": "14000"}
    assert len(planned(DECK, "N-2", **axles).behind) == 1


def test_a_unit_too_large_stays_behind_with_the_reason_of_its_sheet(cast: Any, unit: Unit) -> None:
    sound_unit(cast, "N-2", height_mm=2600.0)
    plan = planned(BOX, "N-1", "N-2")
    (behind,) = plan.behind
    assert behind.outcome == "fail"
    assert "The door is too low." in behind.why


def test_a_unit_the_law_forbids_is_not_loaded(cast: Any, unit: Unit) -> None:
    with_goods(unit, "2880", "II", 400.0)  # of PI 562, 25 kg a package by cargo aircraft
    plan = planned("c130h", "N-1", ship_on="2026-12-01")
    assert plan.stowed == ()
    assert [row.outcome for row in plan.behind] == ["fail"]
    assert plan.carried.word == "no"
    assert any("forbidden" in why for why in plan.behind[0].why), plan.behind


def test_an_unconfirmed_list_is_drawn_as_undecided_and_decides_the_load(
    client: Any, cast: Any, unit: Unit
) -> None:
    sound_unit(cast, "N-2")
    GoodsListCheck.objects.filter(unit=unit).update(keys=["bank:GEL/N-1", "line:77"])
    plan = planned(DECK, "N-1", "N-2")
    assert {row.name: row.outcome for row in plan.stowed} == {"N-1": "cannot_decide", "N-2": "pass"}
    assert plan.carried.word == "cannot_decide"
    assert "plan__piece--unsure" in show(client, DECK, "N-1", "N-2")


def test_a_pallet_of_which_nobody_said_what_is_on_it_cannot_be_decided(unit: Unit) -> None:
    assert planned(DECK, "N-1", kits=(HOSES,)).outcome == "pass"
    plan = planned(DECK, "N-1", kits=(HOSES | {"holds": "", "count": "3"},))
    assert plan.outcome == "cannot_decide"
    assert plan.law is not None
    assert [row.name for row in plan.law.units] == ["N-1", "hoses"]
    assert planned(DECK, kits=(HOSES,)).outcome == "pass"


def test_a_pallet_with_goods_of_a_list_goes_under_the_law_of_that_list_though_its_unit_stays_behind(
    unit: Unit,
) -> None:
    """Its unit is too high for the box; its hypochlorite is on the pallet, with another unit's acid in the same box."""
    listed = HOSES | {"holds": "listed"}
    assert planned(DECK, "N-1", kits=(listed,)).outcome == "pass"
    with_goods(unit, "2880", "II", 40.0)
    PackedForm.objects.filter(design=unit.design).update(height_mm=2600.0)
    plan = planned(BOX, "N-1", kits=(listed,))
    assert [row.name for row in plan.stowed] == ["hoses"]
    assert plan.law is not None
    assert "N-1" in [row.name for row in plan.law.units]
    without = planned(BOX, "N-1", kits=(HOSES,))
    assert without.law is not None
    assert "N-1" not in [row.name for row in without.law.units]
    assert plan.carried >= without.carried


def test_a_pallet_with_goods_of_a_list_where_no_unit_is_named_cannot_be_decided() -> None:
    plan = planned(DECK, kits=(HOSES | {"holds": "listed"},))
    assert plan.outcome == "cannot_decide"
    assert "Its goods stand on the list of a unit, and no unit is named." in plan.stowed[0].why


def test_too_many_leave_the_rest_behind_and_say_so(cast: Any) -> None:
    tags = [f"N-{n}" for n in range(1, 4)]
    for tag in tags:
        sound_unit(cast, tag)
    plan = planned(BOX, *tags)
    assert len(plan.stowed) == 1  # two of 3 m and a gap of 50 mm at three places are more than 5,898 mm
    assert plan.placement.proven
    assert all("Beside the others" in row.why[0] for row in plan.behind)


def test_the_limits_are_those_of_the_box_and_what_is_left_is_right(unit: Unit) -> None:
    plan = planned(BOX, "N-1")
    limits = {row.key: row for row in plan.limits}
    assert limits["payload_kg"].used == pytest.approx(plan.placement.mass_kg)
    assert limits["payload_kg"].spare == pytest.approx(28260 - plan.placement.mass_kg)
    assert limits["line_load_kg_m"].used == pytest.approx(plan.placement.mass_kg / 3.0)
    assert limits["cg_offset_mm"].limit == pytest.approx(0.05 * 5898)
    assert plan.cg_mm is not None
    assert abs(plan.cg_mm - 5898 / 2) == pytest.approx(limits["cg_offset_mm"].used)


def test_axles_are_kept_and_shown(client: Any, unit: Unit) -> None:
    axles = {"axle_front": "500", "axle_rear": "11000", "bears_front": "1200", "bears_rear": "14000"}
    plan = planned(DECK, "N-1", **axles)
    assert plan.axles_kg is not None
    front, rear = plan.axles_kg
    assert front + rear == pytest.approx(plan.placement.mass_kg)
    assert 0 <= front <= 1200 + 1e-6
    assert "plan__axle" in show(client, DECK, "N-1", **axles)
    assert len(planned(DECK, "N-1", **axles | {"bears_front": "400", "bears_rear": "400"}).behind) == 1


def test_the_gap_is_the_owners_or_the_one_asked(unit: Unit) -> None:
    TransportTerms.objects.create(valid_from=FIRST_DAY, gap_mm=120)
    assert planned(DECK, "N-1").gap_mm == 120
    assert planned(DECK, "N-1", gap="30 mm").gap_mm == 30


def test_an_open_top_is_loaded_by_door_or_from_above(cast: Any) -> None:
    """Its door is 2,280 mm high, its inside 2,315 mm: typical figures of the table."""
    sound_unit(cast, "N-1", height_mm=2240.0, length_mm=2900.0)
    by_door, above = (planned("c20ot_typ", "N-1", by=by) for by in ("door", "above"))
    assert above.hold.opening.value == "above"
    assert by_door.hold.opening.value == "end"
    assert len(above.stowed) >= len(by_door.stowed)


def test_more_gap_never_places_more(cast: Any) -> None:
    for n in range(4):
        sound_unit(cast, f"N-{n}", length_mm=2000.0 + 300 * n, width_mm=1100.0)
    tags = [f"N-{n}" for n in range(4)]
    plans = [planned(BOX, *tags, gap=f"{gap} mm") for gap in (0, 40, 120, 300)]
    for less, more in pairwise(plans):
        assert len(more.stowed) <= less.placement.most
        if less.placement.proven:
            assert len(more.stowed) <= len(less.stowed)


def test_the_law_of_the_whole_counts_all_units(client: Any, cast: Any, unit: Unit) -> None:
    """Hypochlorite on one unit and petrol on another: by US road kept so far apart that a leak cannot join them."""
    with_goods(unit, "2880", "II", 15.0)
    with_goods(sound_unit(cast, "N-2"), "1203", "II", 18.0)
    plan = planned(DECK, "N-1", "N-2")
    assert plan.law is not None
    assert plan.law.trade is not None
    assert "materials of trade" in plan.law.trade.sentence
    (pair,) = plan.law.pairs
    assert "177.848" in pair.source
    assert "drum of 2880" in pair.first + pair.second
    page = show(client, DECK, "N-1", "N-2")
    assert "Goods kept apart" in page
    assert "Materials of trade, 49 CFR 173.6" in page


def test_a_relief_that_is_not_shown_is_said_and_leaves_the_load_decided(client: Any, unit: Unit) -> None:
    with_goods(unit, "1203", "II", 18.0)
    GoodsLine.objects.update(attributes={"un": "1203", "pg": "II"})
    plan = planned(DECK, "N-1")
    assert plan.law is not None
    assert plan.law.trade is not None
    assert (plan.law.trade.outcome, plan.law.trade.source) == ("cannot_decide", "49 CFR 173.6")
    assert (plan.law.outcome, plan.outcome) == ("pass", "pass")
    assert "the relief is not granted: full US rules" in show(client, DECK, "N-1")


def test_load_points_are_shown_line_by_line(client: Any, cast: Any, unit: Unit) -> None:
    """ADR holds an edition on the stated ship date only: the day of the case files."""
    with_goods(unit, "2880", "II", 15.0)
    plan = planned("semi_flat_eu", "N-1", ship_on="2026-06-30")
    assert plan.law is not None
    # What is on file of the bank is younger than that day, so that its category is not known then.
    assert [(line.category, line.points) for line in plan.law.counted] == [(None, None), (2, 45.0)]
    page = show(client, "semi_flat_eu", "N-1", ship_on="2026-06-30")
    assert "Together, of 1000" in page
    assert "drum of 2880" in page.partition("Load points, ADR")[2]


def test_what_is_planned_is_exported(client: Any, cast: Any, unit: Unit) -> None:
    sound_unit(cast, "N-2", mass_kg=None)
    answer = client.get("/transport/load/", asked(DECK, "N-1", "N-2") | {"format": "csv"})
    lines = answer.content.decode("utf-8-sig").splitlines()
    assert lines[0].startswith("No.,What,Packed as")
    assert lines[1].startswith("1,N-1,")
    assert "stays behind: cannot decide" in lines[2]
    assert client.get("/transport/load/", asked(DECK, "N-1") | {"format": "xlsx"}).status_code == 200


def test_the_same_in_feet_and_pounds(client: Any, cast: Any, unit: Unit) -> None:
    cast.dina.unit_system = "us"
    cast.dina.save()
    page = show(
        client,
        DECK,
        "N-1",
        kits=(HOSES | {"length": "48 in", "width": "40 in", "height": "5 ft", "mass": "900 lb"},),
    )
    assert "900 lb" in page
    assert "0 ft" in page


def test_the_queries_do_not_grow_with_the_units(client: Any, cast: Any) -> None:
    tags = [f"N-{n}" for n in range(1, 9)]
    for tag in tags:
        sound_unit(cast, tag)

    def count(*chosen: str) -> int:
        with CaptureQueriesContext(connection) as queries:
            show(client, DECK, *chosen)
        return len(queries)

    count(*tags)  # tables are read once
    assert count(tags[0]) == count(*tags)


def command(*arguments: str) -> str:
    out = StringIO()
    call_command("load_plan", *arguments, stdout=out)
    return out.getvalue()


def test_api_and_command_give_the_answer_of_the_page(client: Any, cast: Any, unit: Unit) -> None:
    sound_unit(cast, "N-2", mass_kg=None)
    key = token_create(user=cast.dina, name="a board", scopes=("read",), actor=cast.dina)[1]
    body = {
        "ship_date": TODAY.isoformat(),
        "days": 10,
        "conveyance": DECK,
        "units": ["N-1:skid", "n-2"],
        "kits": [
            {
                "name": "hoses",
                "length_mm": 1200,
                "width_mm": 800,
                "height_mm": 1500,
                "mass_kg": 400,
                "holds": "none",
            }
        ],
    }

    def send(changed: dict[str, Any]) -> Any:
        return client.post(
            "/api/transport/load",
            json.dumps(body | changed),
            content_type="application/json",
            headers={"authorization": f"Bearer {key}"},
        )

    answer = send({})
    assert answer.status_code == 200, answer.content
    told = answer.json()
    assert {row["name"] for row in told["placed"]} == {"N-1", "hoses"}
    assert [row["name"] for row in told["left_behind"]] == ["N-2"]
    arguments = ["N-1:skid", "n-2", "--conveyance", DECK, "--ship-date", TODAY.isoformat(), "--days", "10"]
    kit = ["--kit", "hoses,1200,800,1500,400,1,none"]
    assert json.loads(command(*arguments, *kit, "--json")) == told
    assert "stays behind: N-2. The packed mass is not known" in command(*arguments, *kit)
    refused = send({"units": ["X-9"]})
    assert refused.status_code == 422
    assert "X-9" in refused.json()["message"]
    assert send({"conveyance": "broomstick"}).status_code == 422
    with pytest.raises(CommandError, match="X-9"):
        command("X-9", *arguments[2:])
    with pytest.raises(CommandError, match="write name, length"):
        command(*arguments, "--kit", "hoses,1200")


def test_the_verifier_would_have_seen_it(unit: Unit) -> None:
    """The check above is one that can fail."""
    plan = planned(BOX, "N-1")
    moved = replace(plan.placement, placed=(replace(plan.placement.placed[0], x_mm=-500.0),))
    assert faults_of(moved, plan.pieces, plan.hold.room) != []


def test_nothing_stands_in_an_aircraft_of_which_nobody_knows_the_floor(client: Any, unit: Unit) -> None:
    page = show(client, "an124", "N-1")
    assert "What the floor of the aircraft bears is not known" in page
    assert "Where it stands" not in page
    assert planned("an124", "N-1").outcome == "cannot_decide"
    assert planned("an124", "N-1", floor="50").outcome == "fail"
    plan = planned("an124", "N-1", floor="2000")
    assert [row.tag for row in plan.stowed] == ["N-1"]
    assert "floor_kg_m2" in [row.key for row in plan.limits]
    refused = show(client, DECK, "N-1", floor="2000", status=422)
    assert "Only an aircraft that is loaded loose is asked for its floor." in refused


PDF = "/transport/load/sheet.pdf"


def test_a_load_is_put_on_paper_with_its_drawings_limits_and_cautions(
    client: Any, cast: Any, unit: Unit
) -> None:
    with_goods(unit, "2880", "II", 15.0)
    with_goods(sound_unit(cast, "N-2"), "1203", "II", 18.0)
    question = asked(DECK, "N-1", "N-2", kits=(HOSES,))
    answer = client.get(PDF, question)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Content-Disposition"].startswith(f'inline; filename="load-{DECK}-')
    assert answer.content.startswith(b"%PDF-")
    page = show(client, DECK, "N-1", "N-2", kits=(HOSES,))
    assert f'href="{PDF}?' in page
    plan = planned(DECK, "N-1", "N-2", kits=(HOSES,))
    data = load_data(plan, NOW, "si")
    assert [row["cells"][1] for row in data["rows"]] == [row.name for row in plan.stowed]
    assert [view["title"] for view in data["views"]] == ["From above", "From the side"]
    assert all(view["svg"].startswith('<svg xmlns="http://www.w3.org/2000/svg"') for view in data["views"])
    for words in (data["said"], data["decides"], *(row[0] for row in data["limits"])):
        assert words in page
    for line in data["law"]["lines"]:
        assert line["words"].partition(" (")[0].partition(" Conditions:")[0] in html.unescape(page)


def test_what_stays_behind_is_on_paper_with_its_reason_and_nothing_is_drawn_without_a_piece(
    client: Any, cast: Any
) -> None:
    sound_unit(cast, "N-1", mass_kg=None)
    assert client.get(PDF, asked(DECK, "N-1")).content.startswith(b"%PDF-")
    data = load_data(planned(DECK, "N-1"), NOW, "us")
    assert data["views"] == data["limits"] == []
    (behind,) = data["behind"]
    assert "The packed mass is not known" in behind["why"]


def test_a_load_that_cannot_be_asked_goes_back_to_the_page(client: Any, unit: Unit) -> None:
    answer = client.get(PDF, asked(DECK, "N-1", gap="-5 mm"))
    assert answer.status_code == 422
    assert "cannot be less" in answer.content.decode()


def test_equal_loads_of_one_moment_are_equal_files(unit: Unit) -> None:
    assert load_pdf(planned(DECK, "N-1"), now=NOW) == load_pdf(planned(DECK, "N-1"), now=NOW)


def test_markup_in_a_name_is_printed_as_it_is(unit: Unit) -> None:
    nasty = HOSES | {"name": 'a #b[c] $d$ "e" <f>'}
    plan = planned(DECK, "N-1", kits=(nasty,))
    assert load_data(plan, NOW, "si")["rows"][-1]["cells"][1] == nasty["name"]
    assert load_pdf(plan, now=NOW).startswith(b"%PDF-")
