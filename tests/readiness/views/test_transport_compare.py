"""Transport sheets side by side."""

from __future__ import annotations

import re

import pytest

from tests.factories.fleet import TODAY, PackedFormFactory, UnitFactory, WetStateFactory
from tests.readiness.transport_sheets import GEOMETRY

pytestmark = pytest.mark.django_db
ASKED = f"&ship_on={TODAY.isoformat()}&days=10&alt_m=1900&isa_dev_c=10&sling_mm=4000"


@pytest.fixture
def client(cast, signed_in):
    return signed_in(cast.dina)


@pytest.fixture
def pair(cast):
    first, second = (UnitFactory(tag=tag, home=cast.north) for tag in ("N-1", "N-2"))
    PackedFormFactory(design=first.design, code="skid", mass_kg=1800.0, **GEOMETRY)
    PackedFormFactory(design=first.design, code="trailer", kind="trailer", mass_kg=2500.0)
    PackedFormFactory(design=second.design, code="skid", mass_kg=1800.0, length_mm=6500.0)
    for unit in (first, second):
        WetStateFactory(unit=unit)
    return first, second


def text(answer) -> str:
    words = " ".join(answer.content.decode().split())
    return words.replace("\u00a0", " ").replace("\u202f", "")


def columns(page: str) -> list[str]:
    head = page.partition('<table class="compare">')[2].partition("</thead>")[0]
    return re.findall(r'<a class="tag"[^>]*>([^<]+)</a>(?:<br>[^(]*\(([^)]+)\))?', head)


def row(page: str, label: str) -> str:
    return page.partition(f'<th scope="row">{label}')[2].partition("</tr>")[0]


def test_all_forms_of_one_unit_stand_side_by_side(client, pair) -> None:
    page = text(client.get(f"/transport/compare/?unit=n-1{ASKED}"))
    assert columns(page) == [("N-1", "skid"), ("N-1", "trailer")]
    assert "1800 kg" in row(page, "Packed mass")
    assert "2500 kg" in row(page, "Packed mass")
    assert "differs" in row(page, "Packed mass")
    assert "differs" not in row(page, "Design")
    assert "what it fits" not in page
    assert "Decision support" in page


def test_one_form_of_each_of_several_units(client, pair) -> None:
    page = text(client.get(f"/transport/compare/?unit=N-2:skid&unit=N-1:trailer{ASKED}"))
    assert columns(page) == [("N-2", "skid"), ("N-1", "trailer")]
    assert "form=skid" in page


def test_only_what_differs_can_be_shown(client, pair) -> None:
    every = text(client.get(f"/transport/compare/?unit=N-1{ASKED}"))
    some = text(client.get(f"/transport/compare/?unit=N-1{ASKED}&differs=1"))
    assert '<th scope="row">Design' in every
    assert '<th scope="row">Design' not in some
    assert '<th scope="row">Packed mass' in some
    told = re.search(r"(\d+) rows differ", every)
    assert told is not None
    assert some.count("compare__differs") == int(told.group(1)) == every.count("compare__differs")


def test_what_binds_best_is_named_with_its_margin_and_source(client, pair) -> None:
    page = text(client.get(f"/transport/compare/?unit=N-1:skid&unit=N-2:skid{ASKED}"))
    deck = row(page, "On a deck")
    assert deck.count("<td>") == 2
    assert "to spare" in deck or "not known" in deck
    assert '<div class="small quiet">' in deck
    assert "Not known:" in row(page, "Hardest leg")


def test_more_than_six_forms_are_cut_and_it_is_said(client, pair) -> None:
    for n in range(6):
        PackedFormFactory(design=pair[0].design, code=f"x{n}")
    page = text(client.get(f"/transport/compare/?unit=N-1{ASKED}"))
    assert len(columns(page)) == 6
    assert "2 packed forms more were named" in page


def test_a_name_nobody_bears_is_said(client, pair) -> None:
    page = text(client.get(f"/transport/compare/?unit=N-1&unit=X-9{ASKED}"))
    assert "No unit in service is called X-9." in page
    assert len(columns(page)) == 2


def test_nothing_named_is_an_empty_page_with_a_way_on(client, pair) -> None:
    for address in (
        "/transport/compare/",
        f"/transport/compare/?unit={ASKED}",
        "/transport/compare/?unit=X-9:",
    ):
        answer = client.get(address)
        assert answer.status_code == 200
        assert "Nothing to compare yet" in text(answer)


@pytest.mark.parametrize("said", ["&sling_mm=-1", "&fork_kg=3000", "&ship_on=never"])
def test_a_question_that_cannot_be_is_refused(client, pair, said: str) -> None:
    answer = client.get(f"/transport/compare/?unit=N-1{ASKED}{said}")
    assert answer.status_code == 422
    assert "field__error" in text(answer)
    assert 'name="unit" value="N-1"' in text(answer)


def test_what_is_compared_is_exported(client, pair) -> None:
    answer = client.get(f"/transport/compare/?unit=N-1{ASKED}&format=csv")
    lines = answer.content.decode("utf-8-sig").splitlines()
    assert lines[0] == 'What,"N-1, bare skid (skid)","N-1, on its trailer (trailer)",Differs'
    assert any(line.startswith("Packed mass,") and line.endswith(",yes") for line in lines)
    assert client.get(f"/transport/compare/?unit=N-1{ASKED}&format=xlsx").content[:2] == b"PK"


def test_a_column_can_be_taken_out(client, pair) -> None:
    page = text(client.get(f"/transport/compare/?unit=N-1{ASKED}"))
    without = re.findall(r'href="(\?[^"]*)">Take out', page)
    assert len(without) == 2
    rest = text(client.get("/transport/compare/" + without[0].replace("&amp;", "&")))
    assert columns(rest) == [("N-1", "trailer")]


def test_units_found_can_be_ticked_for_comparison(client, pair) -> None:
    page = text(client.get(f"/transport/?x=1{ASKED}&hook_kg=2800"))
    assert 'form="compare" name="unit" value="N-1:skid"' in page
    assert f'name="ship_on" value="{TODAY.isoformat()}"' in page


def test_the_queries_of_the_comparison_do_not_grow(client, pair, queries_of, cast) -> None:
    few = queries_of(client, f"/transport/compare/?unit=N-1:skid{ASKED}")
    for n in range(3, 7):
        unit = UnitFactory(tag=f"N-{n}", home=cast.north)
        PackedFormFactory(design=unit.design, code="skid")
        WetStateFactory(unit=unit)
    many = "".join(f"&unit=N-{n}" for n in range(1, 7))
    assert queries_of(client, f"/transport/compare/?{many[1:]}{ASKED}") == few
