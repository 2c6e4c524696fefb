"""The transport sheet: its further questions, its diagram, its PDF, and what it says is missing or was not asked."""

from __future__ import annotations

import datetime as dt
import re
import zlib
from xml.sax.saxutils import escape

import pytest
from django.utils import timezone

from fleet.domain.dangerous_goods.words import Mode
from fleet.models import PackedForm, Unit
from inventory.models import GoodsLine
from readiness.web.transport_pdf import pdf_data, sheet_pdf
from tests.factories.fleet import (
    TODAY,
    BankFactory,
    CertificateFactory,
    CertificateRuleFactory,
    PackedFormFactory,
    UnitFactory,
    WetStateFactory,
    ago,
)
from tests.readiness.transport_sheets import GEOMETRY, sheet_for

pytestmark = pytest.mark.django_db
DAY = f"?ship_on={TODAY.isoformat()}&days=10"
ASKED = f"{DAY}&alt_m=1900&isa_dev_c=10&sling_mm=4000"


@pytest.fixture
def unit(cast) -> Unit:
    unit: Unit = UnitFactory(tag="N-1", home=cast.north)
    PackedFormFactory(design=unit.design, code="skid", mass_kg=2799.6, may_turn=True, **GEOMETRY)
    WetStateFactory(unit=unit)
    CertificateFactory(unit=unit)
    CertificateFactory(unit=unit, kind="proof_load")
    return unit


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.dina)


def text(answer) -> str:
    words = " ".join(answer.content.decode().split())
    return words.replace("\u00a0", " ").replace("\u202f", "")


def row(page: str, name: str) -> str:
    return page.partition(f'<th scope="row">{name}')[2].partition("</tr>")[0]


def group(page: str, title: str) -> str:
    return page.partition(f"<strong>{title}</strong>")[2].partition("</details>")[0]


def test_the_mass_is_never_printed_lighter_than_it_is(client, unit) -> None:
    page = text(client.get(f"/units/N-1/transport/{ASKED}"))
    assert "2800 kg" in page
    assert "2799 kg" not in page


def test_pounds_are_rounded_up_too(client, cast, unit) -> None:
    """2,799.6 kg are 6,172.06 lb."""
    cast.dina.unit_system = "us"
    cast.dina.save()
    page = text(client.get(f"/units/N-1/transport/{DAY}&sling_mm=4000mm"))
    assert "6173 lb" in page
    assert "6172 lb" not in page


def test_the_usual_values_are_the_same_in_any_units(client, cast, unit) -> None:
    """4000 mm are 157.5 in, and are not read as 4000 in by who sees inches; on the sheet, its paper and beside others."""
    addresses = ("/units/N-1/transport/", "/transport/compare/?unit=N-1", "/units/N-1/transport/sheet.pdf")
    for system in ("si", "us"):
        cast.dina.unit_system = system
        cast.dina.save()
        for address in addresses[:2]:
            answer = client.get(address)
            assert answer.context["form"].cleaned_data["sling_mm"] == 4000.0
            assert answer.context["form"].cleaned_data["alt_m"] == 0.0
            assert answer.context["form"].cleaned_data["isa_dev_c"] == 15.0
        assert client.get(addresses[2]).status_code == 200
    sheet = client.get(addresses[0]).context["sheet"]
    assert dict(sheet.asked)["Sling leg"] == "157.5 in".replace(" ", "\u00a0")


def test_what_was_not_asked_is_said_for_each_class(client, unit) -> None:
    page = text(client.get(f"/units/N-1/transport/{ASKED}"))
    left = "Not asked: the lashings, the axle loads of the vehicle (one load asks them)."
    assert left in group(page, "On a deck")
    assert "does not stand on wheels" in group(page, "Towed")
    assert "the radius under a helicopter, the rated load of the sling legs" in group(
        page, "Under a helicopter"
    )
    assert "beams or boards under the load" in group(page, "In a container, by sea")
    assert "say its rated load and load centre" in group(page, "By a fork truck")


def test_a_fork_truck_is_asked_when_it_is_said(client, unit) -> None:
    """Rated 3,000 kg at 500 mm is 2,500 kg at 600 mm: OSHA field method; the unit weighs 2,799.6 kg."""
    PackedForm.objects.update(load_centre_mm=600.0)
    said = "&fork_kg=3000&fork_centre_mm=500"
    page = text(client.get(f"/units/N-1/transport/{ASKED}{said}"))
    asked = row(page, "the fork truck asked for")
    assert "no</span>" in asked
    assert "short by 300 kg" in asked  # 299.6
    assert "truck plate" in asked
    assert "Not asked: the forks and the pockets." in group(page, "By a fork truck")
    strong = text(client.get(f"/units/N-1/transport/{ASKED}&fork_kg=3400&fork_centre_mm=500"))
    assert "yes</span>" in row(strong, "the fork truck asked for")
    assert "33 kg to spare" in row(strong, "the fork truck asked for")  # 2833.3 - 2799.6


def test_lashings_are_counted_for_every_deck(client, unit) -> None:
    """EN 12195-1: forward (0.8 - 0.3) x 2799.6 x 9.81 x 1.25 / (2 x 0.3 x 4000) = 7.2, so 8 straps."""
    few = "&straps=7&mu=0.3&lash_deg=90&stf_dan=400"
    page = text(client.get(f"/units/N-1/transport/{ASKED}{few}"))
    assert "There are too few lashings." in row(page, "18 t flatbed 4x2")
    assert "EN 12195-1:2010" in row(page, "18 t flatbed 4x2")
    enough = text(client.get(f"/units/N-1/transport/{ASKED}{few.replace('straps=7', 'straps=8')}"))
    assert "too few lashings" not in enough


def test_a_licence_is_asked_of_the_vehicles_of_its_region(client, unit) -> None:
    PackedForm.objects.update(
        kind="trailer",
        trailer_gvwr_kg=3000.0,
        braked=True,
        tongue_load_kg=130.0,
        axle_count=1,
        axle_load_kg=2700.0,
    )
    unasked = text(client.get(f"/units/N-1/transport/{ASKED}"))
    assert "Not asked: the driver&#x27;s licence." in group(unasked, "Towed")
    page = text(client.get(f"/units/N-1/transport/{ASKED}&licence=B"))
    assert "The driver&#x27;s licence does not cover this combination." in row(page, "4x4 double-cab pick-up")
    assert "driver&#x27;s licence for this region is not known" in row(
        page, "3/4-ton pick-up, class III receiver"
    )
    assert "licence does not cover" not in text(client.get(f"/units/N-1/transport/{ASKED}&licence=CE"))


def test_the_floor_of_a_container_is_asked_under_the_fork_truck(client, unit) -> None:
    """5,460 kg is what carrier guides give: heavier than that is too heavy for the floor."""
    page = text(client.get(f"/units/N-1/transport/{ASKED}&fork_axle_kg=9000"))
    assert "The fork truck is too heavy for the floor." in group(page, "In a container, by sea")


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ("&fork_kg=3000", "A rated load holds at its load centre"),
        ("&blade_width_mm=120", "Type all four sizes of the forks"),
        ("&straps=4&mu=0.3", "Type all four numbers of the lashing"),
        ("&straps=4&mu=0&lash_deg=90&stf_dan=400", "greater than or equal to 0.01"),
        ("&blocked=on", "Type the straps too"),
        ("&surface=unpaved", "Type the length of the runway too"),
        ("&licence=pilot", "Select a valid choice"),
        ("&fork_kg=heavy&fork_centre_mm=500", "is not a number with a unit"),
        ("&fork_kg=-3&fork_centre_mm=500", "cannot be less than"),
        (
            "&fork_kg=3000&fork_centre_mm=500&blade_width_mm=120&blade_length_mm=1200&spread_least_mm=900&spread_most_mm=300",
            "The most is less than the least.",
        ),
    ],
)
def test_half_a_question_is_refused_and_its_group_stands_open(client, unit, said: str, sentence: str) -> None:
    for page in ("", "sheet.pdf"):
        answer = client.get(f"/units/N-1/transport/{page}{ASKED}{said}")
        assert answer.status_code == 422
        assert sentence in text(answer)
        assert re.search(r'<details class="more" open>', text(answer)) or "runway" in sentence


def test_from_the_list_of_units_to_a_defended_answer_in_two_clicks(client, unit) -> None:
    listed = re.search(r'href="(/units/N-1/)"', text(client.get("/units/")))
    assert listed is not None
    sheet = re.search(r'href="([^"]+)">How it may travel', text(client.get(listed.group(1))))
    assert sheet is not None
    page = text(client.get(sheet.group(1)))
    assert '<div class="small quiet">' in group(page, "Under a helicopter")
    assert re.search(r'href="(/units/N-1/transport/sheet\.pdf)', page)


def test_every_answer_that_is_no_yes_has_its_source_beside_it(client, unit) -> None:
    CertificateRuleFactory(design=unit.design, kind="electrical", gate="any", source="")
    BankFactory(unit=unit, chemistry="lfp")
    said = "&fork_kg=1000&fork_centre_mm=500&licence=B&straps=2&mu=0.2&lash_deg=60&stf_dan=300"
    page = text(client.get(f"/units/N-1/transport/{ASKED}{said}"))
    rows = re.findall(
        r"<tr><th scope=\"row\">((?:(?!</tr>).)*?outcome--(?:fail|cannot_decide).*?)</tr>", page
    )
    assert len(rows) > 60
    for found in rows:
        if 'data-label="Room"' in found:
            assert re.search(r'<div class="small quiet">[^<]+</div>', found), found


def test_the_diagram_is_drawn_with_its_table_beneath(client, unit) -> None:
    page = text(client.get(f"/units/N-1/transport/{ASKED}&leg_wll_kg=1500"))
    assert page.count('role="img"') >= 2
    assert "From the left side" in page
    legs = row(page, "1 front left")
    assert 'data-label="Angle"' in legs
    assert 'data-label="Left of the leg"' in legs
    assert "style=" not in page.partition("<main")[2]


def test_a_missing_measure_is_named_and_not_guessed(client, unit) -> None:
    PackedForm.objects.update(point_left_mm=None)
    page = text(client.get(f"/units/N-1/transport/{ASKED}"))
    assert "trailer is braked" not in page
    assert "Not drawn, for it is not known: left lifting points from the left." in page
    assert "1 front left" not in page
    assert "For the lifting diagram: left lifting points from the left." in page


def test_a_design_without_packed_forms_says_so_on_page_and_paper(client, cast) -> None:
    UnitFactory(tag="N-2", home=cast.north)
    assert "No packed form on file" in text(client.get(f"/units/N-2/transport/{ASKED}"))
    assert client.get(f"/units/N-2/transport/sheet.pdf{ASKED}").content.startswith(b"%PDF-")


def test_the_queries_of_the_sheet_do_not_grow_with_what_is_aboard(client, unit, queries_of) -> None:
    BankFactory(unit=unit)
    few = queries_of(client, f"/units/N-1/transport/{ASKED}")
    for n in range(4):
        BankFactory(unit=unit, position=f"bay {n}")
    PackedFormFactory(design=unit.design)
    assert queries_of(client, f"/units/N-1/transport/{ASKED}") == few
    assert queries_of(client, f"/units/N-1/transport/sheet.pdf{ASKED}") <= few


def test_the_pdf_answers_the_question_of_the_page(client, unit) -> None:
    answer = client.get(f"/units/N-1/transport/sheet.pdf{ASKED}&leg_wll_kg=1500&form=skid")
    assert answer.status_code == 200
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Content-Disposition"] == 'inline; filename="transport-N-1-skid.pdf"'
    assert answer.content.startswith(b"%PDF-")
    assert answer.content.rstrip().endswith(b"%%EOF")


def everything(pdf: bytes) -> bytes:
    """The bytes of a PDF with its packed streams opened."""
    opened = [pdf]
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.DOTALL):
        try:
            opened.append(zlib.decompress(stream))
        except zlib.error:
            continue
    return b"\n".join(opened)


def test_the_pdf_is_tagged_and_has_title_and_language(unit) -> None:
    held = everything(sheet_pdf(sheet_for(unit), now=timezone.now()))
    assert b"/Marked true" in held
    assert b"/StructTreeRoot" in held
    assert re.search(rb"/Lang ?\(en\)", held)
    assert b"Transport sheet N-1" in held
    assert b"pdfuaid" in held
    assert b"/Alt" in held


NASTY = 'N#1 $x$ [a](b) *c* _d_ `e` @f <g> \\h #image("x") {{ }} no'


def test_names_are_printed_as_they_are_and_never_read_as_markup(cast, unit) -> None:
    unit.tag = NASTY
    unit.save()
    sheet = sheet_for(unit)
    data = pdf_data(sheet, timezone.now())
    assert NASTY in data["title"]
    held = everything(sheet_pdf(sheet, now=timezone.now()))
    title = f"Transport sheet {sheet.title}"
    written = escape(title, {'"': "&quot;"}).encode()  # as the description of the file has it
    assert written in held


def test_equal_sheets_of_one_moment_are_equal_files(unit) -> None:
    sheet, now = sheet_for(unit), timezone.now()
    assert sheet_pdf(sheet, now=now) == sheet_pdf(sheet, now=now)


def test_page_and_paper_say_the_same(client, unit) -> None:
    page = text(client.get(f"/units/N-1/transport/{ASKED}"))
    data = pdf_data(sheet_for(unit), timezone.now())
    assert data["decides"] in page
    for line in data["missing"]:
        assert line["words"].replace("'", "&#x27;").replace("\u00a0", " ") in page
    named = [
        name
        for column in data["columns"]
        for found in column
        for line in (*found["rows"], *found["open"], *found["no"])
        for name in line["name"].split(", ")
    ]
    assert len(named) > 60
    for name in named:
        assert name.replace('"', "&quot;") in page
    assert {law["verdict"] for law in data["laws"]} <= set(re.findall(r"</svg>([^<]+)</span>", page))


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type ?/Page\b", everything(pdf)))


def with_goods(unit: Unit, count: int) -> None:
    """The unit with a bank and drums, of each of which something else is known."""
    BankFactory(unit=unit, serial="GEL-1", chemistry="vrla_gel")
    for n in range(count):
        GoodsLine.objects.create(
            unit=unit,
            label=f"drum {n} of cleaner and what else a store gives along",
            kind="goods",
            attributes={"un": ("1203", "2880", "1791", "1044")[n % 4], "qty": 5.0 + n},
            mass_kg=10.0 + n,
            happened_at=ago(1),
        )


def test_a_usual_unit_has_its_sheet_on_one_page(unit) -> None:
    with_goods(unit, 6)
    # Once the editions held have ended, every good says so in every mode: that is more than a page.
    held = dt.date(2026, 12, 31) >= TODAY
    assert pages(sheet_pdf(sheet_for(unit), now=timezone.now())) == (1 if held else 2)


def test_one_with_far_more_to_say_has_more_pages_in_readable_letters(unit) -> None:
    with_goods(unit, 40)
    assert pages(sheet_pdf(sheet_for(unit), now=timezone.now())) > 1
    data = pdf_data(sheet_for(unit), timezone.now())
    assert min(data["sizes"]) >= 6.3
    assert len(data["goods"]) == 42  # the bank, the drums and the list itself


def test_every_reason_on_paper_is_a_note_with_its_source(unit) -> None:
    with_goods(unit, 2)
    sheet = sheet_for(unit)
    data = pdf_data(sheet, timezone.now())
    notes = {
        one["number"]: (one["words"], run["source"])
        for column in data["notes"]
        for run in column
        for one in run["notes"]
    }
    assert list(notes) == [str(n + 1) for n in range(len(notes))]
    of_paper = {}
    for found in (group for column in data["columns"] for group in column):
        for line in (*found["rows"], *found["open"], *found["no"]):
            numbers = ",".join(part for part in (found["notes"], line["notes"]) if part)
            for name in line["name"].split(", ") if not line["short"] else [line["name"]]:
                of_paper[name] = {notes[number] for number in numbers.split(",")}
    rows = [row for group in sheet.groups for row in group.rows]
    assert rows
    for row in rows:
        if row.name in of_paper:
            assert of_paper[row.name] == set(row.reasons)
    assert len(of_paper) > 55
    cells = [cell for row in data["goods"] for cell in row["cells"]]
    assert all(cell["notes"] in notes for cell in cells if cell["bad"])
    short = {row.name: (row.mass_signed, row.room_signed) for row in rows if row.outcome == "fail"}
    said = [line for column in data["columns"] for found in column for line in found["no"] if line["short"]]
    assert said
    assert all(part in short[line["name"]] for line in said for part in line["short"].split(", "))


def test_the_sheet_opens_with_the_answers_and_folds_the_rest(client, unit) -> None:
    page = client.get(f"/units/N-1/transport/{ASKED}").content.decode()
    assert page.count('<details class="law"') > 4
    assert '<details class="law" open' not in page
    sheet = client.get(f"/units/N-1/transport/{ASKED}").context["sheet"]
    for group in sheet.groups:
        if group.rows:
            assert group.best_words.startswith(f"{group.best.name}: ")
            assert (group.best.mass in group.best_words) == (group.best.outcome == "pass")


def test_what_is_missing_is_said_in_words_and_conditions_begin_as_sentences(client, unit) -> None:
    BankFactory(unit=unit, serial="SG-1", chemistry="vrla_gel")
    answer = client.get(f"/units/N-1/transport/{ASKED}")
    (us,) = (law for law in answer.context["sheet"].laws if law.mode is Mode.ROAD_US)  # held on every day
    asked = next(line for line in us.lines if line.label.startswith("SG-1"))
    assert "(gel" not in asked.label.replace("gel (valve", "")
    assert "condition of the battery" in asked.missing
    assert "_" not in asked.missing
    assert asked.why.startswith(f"Missing for {asked.label}: ")
    assert all(
        not words[:1].islower()
        for law in answer.context["sheet"].laws
        for line in law.lines
        for words in line.conditions
    )


def test_the_floor_of_an_aircraft_is_asked_and_taken_from_its_operator(client, unit) -> None:
    page = text(client.get(f"/units/N-1/transport/{ASKED}"))
    ask = "What the floor of the aircraft bears is not known: ask the operator."
    assert ask in row(page, "An-124-100")
    assert ask not in row(page, "C-17A")  # 740 lb/ft2 in the table
    said = text(client.get(f"/units/N-1/transport/{ASKED}&floor_of=an124&floor=2000"))
    assert ask not in row(said, "An-124-100")
    assert ask in row(said, "A400M")
    weak = text(client.get(f"/units/N-1/transport/{ASKED}&floor_of=an124&floor=50"))
    assert "It presses too hard on the floor." in row(weak, "An-124-100")
    half = client.get(f"/units/N-1/transport/{ASKED}&floor=2000")
    assert half.status_code == 422
    assert "Choose the aircraft and type what its floor bears, or neither." in text(half)


def test_a_form_that_is_a_container_is_asked_for_its_plate(client, unit) -> None:
    """10 ft box of ISO size; its plate bears 10,160 kg, so that 10,160 - 2,799.6 kg are left."""
    title = "On a ship, as the container it is"
    page = text(client.get(f"/units/N-1/transport/{ASKED}"))
    assert "no: in this form it is no container itself" in page
    assert "safety plate is in date" not in page
    box = {"kind": "container", "length_mm": 2991, "width_mm": 2438, "height_mm": 2591}
    PackedForm.objects.update(**box, cog_x_mm=1480.0, cog_y_mm=1219.0)
    asked = group(text(client.get(f"/units/N-1/transport/{ASKED}")), title)
    assert "It is not known whether the container&#x27;s safety plate is in date." in asked
    CertificateFactory(unit=unit, kind="container_plate")
    asked = group(text(client.get(f"/units/N-1/transport/{ASKED}")), title)
    assert "The maximum gross mass on its safety plate is not known." in asked
    PackedForm.objects.update(container_gross_kg=10160.0)
    page = text(client.get(f"/units/N-1/transport/{ASKED}"))
    asked = group(page, title)
    assert "safety plate is in date" not in asked
    assert "7360 kg to spare" in asked
    assert "Maximum gross mass on its safety plate" in page
    PackedForm.objects.update(length_mm=3100)
    asked = group(text(client.get(f"/units/N-1/transport/{ASKED}")), title)
    assert "It has not the outside size of a 10 or 20 ft container." in asked
