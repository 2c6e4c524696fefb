"""The lifting diagram: to scale, from its data only, safe in a page and in a document of its own."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from fleet.domain.transport.measures import Measures
from fleet.web.lifting_drawing import MEASURE_LABELS, LiftingDrawing, View, lifting_drawing
from tests.fleet.domain.test_slinging import WORKED

OFF = replace(
    WORKED, cog_x_mm=1400.0, cog_y_mm=900.0, fork_pocket_spacing_mm=900.0, fork_pocket_width_mm=200.9
)
SVG = "{http://www.w3.org/2000/svg}"


def drawn(
    measures: Measures = OFF, mass: float | None = 3000.2, leg: float | None = 4000.0
) -> LiftingDrawing:
    return lifting_drawing(measures, mass, leg, name="N-1")


def shapes(view: View, kind: str) -> list[dict[str, float]]:
    """The numbers of all shapes of one class."""
    found = [each for each in ET.fromstring(view.standalone).iter() if each.get("class") == f"lift__{kind}"]
    return [
        {name: float(value) for name, value in each.attrib.items() if re.fullmatch(r"-?[0-9.]+", value)}
        for each in found
    ]


def plain(words: object) -> str:
    return str(words).replace("\u00a0", " ").replace("\u202f", "")


def test_side_and_plan_have_one_scale_and_the_proportions_of_the_form() -> None:
    side, plan, pockets = drawn().views
    (from_the_side,), (from_above,) = shapes(side, "body"), shapes(plan, "body")
    scale = from_the_side["width"] / 3200.0
    assert from_the_side["height"] == pytest.approx(2000.0 * scale, abs=0.1)
    assert from_above["width"] == pytest.approx(3200.0 * scale, abs=0.1)
    assert from_above["height"] == pytest.approx(2000.0 * scale, abs=0.1)
    assert [shape["width"] for shape in shapes(pockets, "pocket")] == pytest.approx(
        [200.9 * scale] * 2, abs=0.1
    )


def test_the_hook_hangs_over_the_centre_of_gravity_where_the_longest_leg_reaches() -> None:
    side = drawn().views[0]
    (body,), (hook,), (cog,) = shapes(side, "body"), shapes(side, "hook"), shapes(side, "cog")
    scale = body["width"] / 3200.0
    assert hook["cx"] == cog["cx"] == pytest.approx(body["x"] + 1400.0 * scale, abs=0.1)
    above = (4000.0**2 - 1700.0**2 - 1000.0**2) ** 0.5  # points at 100 and 1,900 mm, 3,100 mm: plane geometry
    base = body["y"] + body["height"]
    assert hook["cy"] + 5 == pytest.approx(base - (1900.0 + above) * scale, abs=0.2)


def test_the_left_side_is_at_the_bottom_when_the_front_is_to_the_left() -> None:
    plan = drawn().views[1]
    (body,), (cog,) = shapes(plan, "body"), shapes(plan, "cog")
    scale = body["width"] / 3200.0
    assert cog["cy"] == pytest.approx(body["y"] + body["height"] - 900.0 * scale, abs=0.1)
    assert len(shapes(plan, "point")) == len(shapes(plan, "leg")) == 4


def test_pulls_are_rounded_up_and_ratings_and_angles_down() -> None:
    found = lifting_drawing(replace(OFF, lifting_points_kg=2000.9), 3000.2, 4000.0, leg_wll_kg=1900.9)
    assert [row.name for row in found.rows] == [
        "1 front left",
        "2 front right",
        "3 rear left",
        "4 rear right",
    ]
    cells = [plain(cell) for cell in found.rows[0].cells]
    pull = (
        3000.2
        * min(1800 / 3000, 1000 / 1800)
        * (4000.0**2 - 1700.0**2 - 1000.0**2 + 1300.0**2 + 800.0**2) ** 0.5
    )
    pull /= (4000.0**2 - 1700.0**2 - 1000.0**2) ** 0.5
    assert 1820.0 < pull < 1820.5
    assert cells[3:] == ["1821 kg", "2000 kg", "180 kg to spare", "80 kg to spare"]
    assert cells[2] == "66.3°"
    assert not found.rows[0].failing
    weak = lifting_drawing(replace(OFF, lifting_points_kg=1820.0), 3000.2, 4000.0)
    assert weak.rows[0].failing
    assert plain(weak.rows[0].cells[5]) == "short by 1 kg"
    assert weak.hardest is weak.rows[0]


def test_pounds_and_inches() -> None:
    found = lifting_drawing(OFF, 3000.2, 4000.0, system="us")
    assert "4013 lb" in [plain(cell) for cell in found.rows[0].cells]  # 1820.07 kg are 4012.6 lb
    assert "5 ft" in found.views[0].standalone
    assert " kg" not in plain(found.views[0].standalone)


@pytest.mark.parametrize("name", [name for name in MEASURE_LABELS if name not in ("mass", "sling")])
def test_a_measure_that_is_missing_is_named_and_nothing_that_rests_on_it_is_drawn(name: str) -> None:
    found = drawn(replace(OFF, **{name: None}))
    assert str(MEASURE_LABELS[name]) in found.missing
    if name in ("length_mm", "width_mm", "height_mm"):
        assert not found.views
        return
    if name == "lifting_points_kg":  # the pull is known, what it is held against is not
        assert plain(found.rows[0].cells[4]) == plain(found.rows[0].cells[5]) == "not known"
        return
    assert not found.rows
    for view in found.views[:2]:
        assert not shapes(view, "leg")
        assert not shapes(view, "hook")
        if name.startswith("cog_"):
            assert not shapes(view, "cog")
        if name.startswith("point_"):
            assert not shapes(view, "point")


def test_without_mass_or_sling_it_says_so() -> None:
    assert plain(drawn(mass=None).rows[0].cells[3]) == "not known"
    assert "packed mass" in drawn(mass=None).missing
    assert "length of the sling legs" in drawn(leg=None).missing
    assert not drawn(leg=None).rows


@pytest.mark.parametrize(
    ("measures", "leg", "sentence"),
    [
        (replace(OFF, cog_x_mm=50.0), 4000.0, "outside the lifting points"),
        (replace(OFF, cog_z_mm=2600.0), 4000.0, "too high above the lifting points"),
        (OFF, 1500.0, "do not reach over its centre of gravity"),
        (OFF, 2200.0, "less than 45°"),
        (replace(OFF, lifting_points=2.0), 4000.0, "It has 2 lifting points"),
    ],
)
def test_what_stands_in_the_way_of_a_lift_is_said(measures: Measures, leg: float, sentence: str) -> None:
    assert any(sentence in plain(note) for note in drawn(measures, leg=leg).notes)


def test_a_page_gets_title_description_and_no_style_and_a_document_stands_alone() -> None:
    for view in drawn().views:
        assert "style" not in view.svg
        page = ET.fromstring(view.svg)
        assert page.get("role") == "img"
        told = (page.get("aria-labelledby") or "").split()
        ids = {each.get("id") for each in page.iter() if each.get("id")}
        assert set(told) == ids
        assert page.find(f"{SVG}title") is not None
        assert view.description
        assert ET.fromstring(view.standalone).find(f"{SVG}style") is not None


def test_two_diagrams_on_one_page_do_not_share_their_names() -> None:
    names = re.findall(r'id="([^"]+)"', "".join(view.svg for view in (*drawn().views, *drawn().views)))
    assert len(names) == len(set(names))


def test_names_are_escaped() -> None:
    found = lifting_drawing(OFF, 3000.0, 4000.0, name="<b>&")
    assert found.title == "Lifting diagram of <b>&"
    for view in found.views:
        assert "<b>" not in view.svg
        ET.fromstring(view.standalone)
