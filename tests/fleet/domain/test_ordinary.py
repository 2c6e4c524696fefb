"""What a packed form cannot measure, and what is asked about. Bounds: common practice, no source; steel: 7,850 kg/m3."""

import pytest

from fleet.domain.transport.ordinary import measure_doubts, measure_faults, measure_problems

SKID = {
    "length_mm": 5700.0, "width_mm": 2280.0, "height_mm": 2260.0, "mass_kg": 3700.0,
    "cog_x_mm": 2800.0, "cog_y_mm": 1140.0, "cog_z_mm": 900.0,
    "lifting_points": 4, "point_front_mm": 200.0, "point_left_mm": 100.0,
    "point_length_mm": 5300.0, "point_width_mm": 2080.0, "point_height_mm": 2200.0,
    "fork_pocket_spacing_mm": 900.0, "load_centre_mm": 1140.0, "axle_spacing_mm": 900.0,
    "tongue_load_kg": 150.0, "braked": True, "may_turn": None,
}  # fmt: skip

CUBE = {"length_mm": 305.0, "width_mm": 305.0, "height_mm": 305.0, "cog_x_mm": None}


def keys(found):
    return [(name, error.key) for name, error in found]


def test_an_ordinary_skid_has_neither() -> None:
    assert keys(measure_faults(SKID)) == []
    assert keys(measure_doubts(SKID, listed_kg=3600.0, other_forms_kg=[4400.0])) == []
    assert keys(measure_doubts({})) == keys(measure_faults({})) == []


@pytest.mark.parametrize(
    ("given", "name", "key"),
    [
        ({"length_mm": -1.0}, "length_mm", "form.negative"),
        ({"mass_kg": 0.0, "tongue_load_kg": None}, "mass_kg", "form.negative"),
        ({"cog_y_mm": -0.1}, "cog_y_mm", "form.negative"),
        ({"cog_x_mm": 5701.0}, "cog_x_mm", "form.outside"),
        ({"cog_z_mm": 2261.0}, "cog_z_mm", "form.outside"),
        ({"point_length_mm": 5501.0}, "point_length_mm", "form.outside"),
        ({"point_left_mm": 201.0}, "point_left_mm", "form.outside"),
        ({"fork_pocket_spacing_mm": 5701.0}, "fork_pocket_spacing_mm", "form.outside"),
        ({"load_centre_mm": 5701.0}, "load_centre_mm", "form.outside"),
        ({"axle_spacing_mm": 5701.0}, "axle_spacing_mm", "form.outside"),
        ({"tongue_load_kg": 3701.0}, "tongue_load_kg", "form.outside"),
    ],
)
def test_what_cannot_be(given, name, key) -> None:
    (changed,) = [each for each in given if given[each] is not None]
    assert (name, key) in keys(measure_faults(SKID | given, {changed}))
    assert keys(measure_faults(SKID | given, {"hours_to_pack_h"})) == []


@pytest.mark.parametrize(
    "given",
    [
        {"cog_x_mm": 5700.0}, {"cog_z_mm": 2260.0}, {"point_length_mm": 5500.0}, {"point_left_mm": 200.0},
        {"tongue_load_kg": 3700.0}, {"axle_spacing_mm": 5700.0}, {"cog_x_mm": 0.0},
    ],
)  # fmt: skip
def test_the_edge_of_what_can_be(given) -> None:
    assert keys(measure_faults(SKID | given)) == []


@pytest.mark.parametrize(
    ("given", "listed_kg", "others", "expected"),
    [
        ({"mass_kg": 3.7}, None, [], ("mass_kg", "form.light")),
        ({"mass_kg": 3.7}, 3700.0, [], ("mass_kg", "form.mass_listed")),
        ({"mass_kg": 49.9}, None, [], ("mass_kg", "form.light")),
        ({"mass_kg": 50.0, "length_mm": None}, None, [], None),
        # 1,850..7,400 kg are within a factor of two; in pounds or of pounds the catalogue mass lies outside.
        ({"mass_kg": 1850.0}, 3700.0, [], None),
        ({"mass_kg": 1849.0}, 3700.0, [], ("mass_kg", "form.mass_listed")),
        ({"mass_kg": 3700.0 / 0.45359237}, 3700.0, [], ("mass_kg", "form.mass_listed")),
        ({"mass_kg": 3700.0 * 0.45359237}, 3700.0, [], ("mass_kg", "form.mass_listed")),
        ({"mass_kg": 700.0}, None, [4200.0], None),
        ({"mass_kg": 699.0}, None, [4200.0], ("mass_kg", "form.mass_others")),
        # 29.37 m3: 293.7 kg are 10 kg/m3.
        ({"mass_kg": 294.0}, None, [], None),
        ({"mass_kg": 293.0}, None, [], ("mass_kg", "form.density")),
        (CUBE | {"mass_kg": 223.0}, None, [], ("mass_kg", "form.density")),
        (CUBE | {"mass_kg": 222.0}, None, [], None),
        ({"lifting_points": 3}, None, [], ("lifting_points", "form.few_points")),
        ({"lifting_points": 0}, None, [], ("lifting_points", "form.few_points")),
        ({"height_mm": 299.0}, None, [], ("height_mm", "form.short")),
        ({"height_mm": 300.0}, None, [], None),
    ],
)  # fmt: skip
def test_what_is_asked_about(given, listed_kg, others, expected) -> None:
    found = keys(measure_doubts(SKID | given, listed_kg=listed_kg, other_forms_kg=others))
    assert found == ([expected] if expected else [])


def test_only_what_changed_is_asked_about() -> None:
    odd = SKID | {"mass_kg": 3.7, "lifting_points": 2}
    assert keys(measure_doubts(odd, {"cog_x_mm"})) == []
    assert keys(measure_doubts(odd, {"lifting_points"})) == [("lifting_points", "form.few_points")]
    # The mass is asked about again when the room it stands in is another.
    assert keys(measure_doubts(odd, {"width_mm"})) == [("mass_kg", "form.light")]


def test_the_sentences_name_both_numbers() -> None:
    ((_name, error),) = measure_doubts(SKID | {"mass_kg": 3.7}, listed_kg=3700.0)
    assert (
        error.sentence == "3.7 kg for a form whose catalogue mass is 3700 kg: is the unit right? "
        "It looks like tonnes typed as kilograms."
    )
    ((_name, error),) = measure_doubts(SKID | {"mass_kg": 1000.0}, listed_kg=3700.0)
    assert (
        error.sentence == "1000 kg against 3700 kg in the catalogue. Was it typed in another unit of measure?"
    )
    ((_name, error),) = measure_faults(SKID | {"cog_z_mm": 9000.0})
    assert error.sentence.startswith(
        "The centre of gravity lies 9000 mm above the base of a form of 2260 mm."
    )


@pytest.mark.parametrize(
    ("mass_kg", "confirmed", "expected"),
    [
        # The tongue bears 150 kg: of 3.7 kg that cannot be, but the mass is asked about first.
        (3.7, False, [("mass_kg", "form.mass_listed")]),
        (3.7, True, [("mass_kg", "form.outside")]),
        (1000.0, False, [("mass_kg", "form.mass_listed")]),
        (1000.0, True, []),
        (3600.0, False, []),
        (-3.7, False, [("mass_kg", "form.negative")]),
    ],
)
def test_a_mass_out_of_proportion_is_asked_about_before_the_tongue_speaks(
    mass_kg, confirmed, expected
) -> None:
    found = measure_problems(SKID | {"mass_kg": mass_kg}, {"mass_kg"}, confirmed=confirmed, listed_kg=3700.0)
    assert keys(found) == expected


def test_a_tongue_that_bears_too_much_is_refused_without_a_question() -> None:
    found = measure_problems(SKID | {"tongue_load_kg": 9000.0}, {"tongue_load_kg"}, confirmed=False)
    assert keys(found) == [("tongue_load_kg", "form.outside")]
