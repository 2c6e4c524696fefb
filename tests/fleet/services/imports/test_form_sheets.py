"""Measures by sheet: packed forms, weighings, what was measured on one unit; what cannot be and what is asked about."""

import datetime as dt

import pytest
import time_machine

from fleet.models import AuditEntry, Design, PackedForm, UnitForm, Weighing
from fleet.services.transport import unit_form_save
from tests.factories.fleet import (
    NOW,
    TODAY,
    DepotFactory,
    DesignFactory,
    PackedFormFactory,
    UnitFactory,
    UserFactory,
    WeighingFactory,
    ago,
)
from tests.fleet.services.imports.steps import (
    applied,
    bring_in,
    counts,
    read,
    read_and_bring_in,
    take_back,
    workbook,
)

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def at_the_stated_moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def design():
    return DesignFactory(code="WX-40")


@pytest.fixture
def unit(design):
    unit = UnitFactory(tag="MW-1", design=design, home=DepotFactory(code="NORD"))
    PackedFormFactory(design=design, code="skid", mass_kg=3700.0, length_mm=5700.0)
    return unit


def forms(*rows, header=("Design", "Code", "Kind", "Length", "Mass", "Lifting points", "Measured twice")):
    return workbook(Packed_forms=[header, *rows])


def faults(run):
    return [(fault["row"], fault["column"], fault["key"]) for fault in run.faults]


# --- packed forms ---


def test_every_measure_of_a_form_comes_in_and_goes_again(design):
    header = (
        "Design", "Code", "Kind", "Length", "Width", "Height", "Mass", "Lifting points",
        "Front lifting points from the front", "Left lifting points from the left", "Lifting points apart along",
        "Lifting points apart across", "Lifting points above the base", "Load centre", "Axle spacing",
        "Gross mass on the trailer's plate (t)", "Gross mass on the container's plate (t)", "Trailer has brakes",
        "May stand turned by 90°",
    )  # fmt: skip
    row = (
        "WX-40", "trailer", "on its trailer", "6.2 m", 2280, "2.6 m", "9 000 lb", 4,
        "10 in", 100, "5.2 m", 2080, 2200, 1140, 900, 5, 10.16, "yes", "no",
    )  # fmt: skip
    run = read_and_bring_in(forms(row, header=header))
    form = PackedForm.objects.get()
    assert (form.point_front_mm, form.point_left_mm, form.point_length_mm) == (254.0, 100.0, 5200.0)
    assert (form.point_width_mm, form.point_height_mm, form.load_centre_mm) == (2080.0, 2200.0, 1140.0)
    assert (form.axle_spacing_mm, form.trailer_gvwr_kg, form.container_gross_kg) == (900.0, 5000.0, 10160.0)
    assert (form.braked, form.may_turn) == (True, False)
    assert form.mass_kg == pytest.approx(9000 * 0.45359237)
    assert counts(read(forms(row, header=header)))["packed_forms"] == (0, 0, 1, 0)
    take_back(run)
    assert not PackedForm.objects.exists()


def test_what_is_not_known_any_more_is_emptied(design):
    PackedFormFactory(design=design, code="skid", braked=True)
    read_and_bring_in(forms(("WX-40", "skid", "clear"), header=("Design", "Code", "Brakes")))
    assert PackedForm.objects.get().braked is None


def test_a_trailer_of_3_7_kg_is_asked_about_and_comes_in_when_measured_twice(design):
    row = ("WX-40", "trailer", "on its trailer", None, 3.7, None, None)
    run = read(forms(row))
    assert faults(run) == [(2, "Mass", "form.light")]
    (fault,) = run.faults
    assert fault["message"] == "3.7 kg is less than 50 kg. Was it typed in another unit of measure?"
    assert "write 'yes' under 'Measured twice'" in fault["mend"]
    assert bring_in(run).state == "applied"
    assert not PackedForm.objects.exists()
    run = read_and_bring_in(forms((*row[:-1], "yes")))
    assert PackedForm.objects.get().mass_kg == 3.7
    # What was confirmed is on file: the same file without the word, and with it, changes nothing.
    assert counts(read(forms(row)))["packed_forms"] == (0, 0, 1, 0)
    assert counts(read(forms((*row[:-1], "yes"))))["packed_forms"] == (0, 0, 1, 0)
    # And what does not touch the mass is not asked about again.
    read_and_bring_in(forms(("WX-40", "trailer", "1 h"), header=("Design", "Code", "Hours to pack")))
    assert PackedForm.objects.get().hours_to_pack_h == 1.0


def test_the_other_forms_of_a_design_tell_whether_a_mass_can_be(design):
    PackedFormFactory(design=design, code="skid", mass_kg=3700.0)
    row = ("WX-40", "trailer", "on its trailer", None, 420, None, None)
    run = read(forms(row))
    assert faults(run) == [(2, "Mass", "form.mass_others")]
    assert "420 kg against 3700 kg of another form" in run.faults[0]["message"]
    # In one file the rows above tell, too; a design that the file itself adds is no other.
    new = workbook(
        Designs=[("Code", "Name"), ("QX-1", "Quarry unit"), ("QX-2", "Other unit")],
        Packed_forms=[
            ("Design", "Code", "Kind", "Mass"),
            ("QX-1", "skid", "bare skid", 3700), ("QX-1", "box", "skid in a container", 300),
            ("QX-2", "skid", "bare skid", 300),
        ],
    )  # fmt: skip
    assert faults(read(new)) == [(3, "Mass", "form.mass_others")]


@pytest.mark.parametrize(
    ("length", "mass", "points", "found"),
    [
        (-5700, 3700, 4, ("Length", "cell.out_of_bounds")),
        (0, 3700, 4, ("Length", "cell.out_of_bounds")),
        (5.7, 3700, 4, ("Length", "form.short")),
        ("57 m", 3700, 4, ("Length", "cell.out_of_bounds")),
        (5700, -1, 4, ("Mass", "cell.out_of_bounds")),
        (5700, 3700, 3, ("Lifting points", "form.few_points")),
        (5700, 3700, -4, ("Lifting points", "cell.out_of_bounds")),
        (5700, 3700, 2.5, ("Lifting points", "cell.not_whole")),
    ],
)
def test_impossible_measures_name_row_column_and_mend(design, length, mass, points, found):
    good = ("WX-40", "box", "skid in a container", 6058, 4200, 4, None)
    run = read(forms(good, ("WX-40", "skid", "bare skid", length, mass, points, None)))
    assert faults(run) == [(3, *found)]
    assert run.faults[0]["mend"]
    assert applied(bring_in(run))["packed_forms"]["refused"]
    assert not PackedForm.objects.exists()


def test_what_cannot_be_is_not_confirmed_away(design):
    header = ("Design", "Code", "Kind", "Length", "cog x", "Measured twice")
    run = read(forms(("WX-40", "skid", "bare skid", 5700, 5800, "yes"), header=header))
    assert faults(run) == [(2, "cog x", "form.outside")]
    assert "Measure again" in run.faults[0]["message"]
    # Against what is on file the changed one is named.
    PackedFormFactory(design=design, code="skid", length_mm=5700.0, cog_x_mm=2850.0)
    run = read(forms(("WX-40", "skid", 2500), header=("Design", "Code", "Length")))
    assert faults(run) == [(2, "Length", "form.outside")]


def test_water_left_inside_belongs_to_the_design(design):
    run = read_and_bring_in(workbook(Designs=[("Code", "Trapped water"), ("WX-40", "132 lb")]))
    assert Design.objects.get().trapped_water_kg == pytest.approx(59.874, abs=1e-3)
    take_back(run)
    assert Design.objects.get().trapped_water_kg is None
    run = read(workbook(Designs=[("Code", "Trapped water"), ("WX-40", -1)]))
    assert faults(run) == [(2, "Trapped water", "cell.out_of_bounds")]


# --- weighings ---


def weighings(
    *rows,
    header=("Unit", "Weighed at", "Form", "Mass", "With its kit", "Water inside", "Fuel", "Weighed twice"),
):
    return workbook(Weighings=[header, *rows])


def test_a_weighing_says_what_was_in_it(unit):
    row = ("MW-1", "2026-06-01 10:00", "skid", 3820, "yes", "no", "5 gal", None)
    run = read_and_bring_in(weighings(row))
    weighing = Weighing.objects.get()
    assert (weighing.kit_aboard, weighing.water_inside) == (True, False)
    assert weighing.fuel_l == pytest.approx(18.927, abs=1e-3)
    assert counts(read(weighings(row)))["weighings"] == (0, 0, 1, 0)
    fixed = read_and_bring_in(weighings((*row[:4], "no", *row[5:])))
    assert Weighing.objects.counting().get().kit_aboard is False
    take_back(fixed)
    assert Weighing.objects.counting().get().kit_aboard is True
    take_back(run)
    assert not Weighing.objects.exists()


@pytest.mark.parametrize(
    ("mass", "key"), [(3.7, "form.mass_listed"), ("3 700 lb", "form.mass_listed"), (-5, "cell.out_of_bounds")]
)
def test_a_weighing_in_another_unit_of_measure_is_asked_about(unit, mass, key):
    run = read(weighings(("MW-1", "2026-06-01", "skid", mass, None, None, None, None)))
    assert faults(run) == [(2, "Mass", key)]
    bring_in(run)
    assert not Weighing.objects.exists()


def test_a_weighing_without_a_catalogue_is_asked_about_by_itself(unit):
    PackedForm.objects.update(mass_kg=None)
    row = ("MW-1", "2026-06-01", "skid", 3.7, None, None, None)
    assert faults(read(weighings((*row, None)))) == [(2, "Mass", "form.light")]
    assert faults(read(weighings((*row, "no")))) == [(2, "Mass", "form.light")]
    read_and_bring_in(weighings((*row, "yes")))
    assert Weighing.objects.get().mass_kg == 3.7
    assert counts(read(weighings((*row, None))))["weighings"] == (0, 0, 1, 0)


def test_what_was_in_an_odd_weighing_is_told_without_asking_again(unit):
    there = WeighingFactory(
        unit=unit, packed_form=PackedForm.objects.get(), mass_kg=9000.0, happened_at=ago(3)
    )
    moment = there.happened_at.isoformat()
    read_and_bring_in(weighings(("MW-1", moment, "no"), header=("Unit", "Weighed at", "With its kit")))
    assert Weighing.objects.counting().get().kit_aboard is False
    run = read(weighings(("MW-1", moment, 9500), header=("Unit", "Weighed at", "Mass")))
    assert faults(run) == [(2, "Mass", "form.mass_listed")]


# --- what was measured on one unit ---


HEADER = ("Unit", "Form", "Measured on", "What differs", "Mass", "cog z", "Lifting points", "Measured twice")


def own(*rows, header=HEADER):
    return workbook(Own_measures=[header, *rows])


def test_what_differs_comes_in_by_the_service_and_goes_again(unit):
    skid, actor = PackedForm.objects.get(), UserFactory(is_superuser=True)
    first = unit_form_save(
        unit=unit, packed_form=skid, measures={"mass_kg": 3900.0}, reason="second tank",
        valid_from=TODAY - 30 * DAY, actor=None, now=NOW,
    )  # fmt: skip
    row = ("MW-1", "skid", (TODAY - DAY).isoformat(), "third tank", "4 100 kg", "0.94 m", None, None)
    run = read(own(row), actor=actor)
    assert counts(run)["unit_forms"] == (1, 0, 0, 0)
    run = bring_in(run, actor=actor)
    added = UnitForm.objects.get(valid_to=None)
    assert (added.mass_kg, added.cog_z_mm, added.length_mm, added.reason) == (
        4100.0,
        940.0,
        None,
        "third tank",
    )
    first.refresh_from_db()
    assert first.valid_to == TODAY - 2 * DAY
    assert AuditEntry.objects.get(action="unitform.add", subject_id=str(added.pk)).actor == actor
    assert counts(read(own(row)))["unit_forms"] == (0, 0, 1, 0)
    changed = read_and_bring_in(own((*row[:4], "4 150 kg", *row[5:])))
    added.refresh_from_db()
    assert (added.mass_kg, added.version) == (4150.0, 2)
    take_back(changed)
    take_back(run)
    back = UnitForm.objects.get()
    assert (back.pk, back.valid_to, back.mass_kg) == (first.pk, None, 3900.0)


def test_several_days_in_any_order_follow_each_other(unit):
    run = read_and_bring_in(
        own(
            ("MW-1", "skid", "2026-06-10", "third tank", 4100, None, None, None),
            ("MW-1", "skid", "2026-04-10", "second tank", 3900, None, None, None),
            ("MW-1", "skid", "2026-08-10", "both tanks off", None, None, None, None),
        )
    )
    spans = list(UnitForm.objects.order_by("valid_from").values_list("mass_kg", "valid_from", "valid_to"))
    days = [dt.date(2026, month, 10) for month in (4, 6, 8)]
    assert spans == [
        (3900.0, days[0], days[1] - DAY),
        (4100.0, days[1], days[2] - DAY),
        (None, days[2], None),
    ]
    take_back(run)
    assert not UnitForm.objects.exists()


@pytest.mark.parametrize(
    ("cells", "found"),
    [
        ({"Mass": 3.7}, ("Mass", "form.mass_listed")),
        ({"Mass": "3 900 lb"}, ("Mass", "form.mass_listed")),
        ({"Mass": -1}, ("Mass", "cell.out_of_bounds")),
        ({"Mass": None, "Lifting points": 3}, ("Lifting points", "form.few_points")),
        ({"Mass": None, "cog z": 2300}, ("cog z", "form.outside")),
        ({"Mass": None}, ("Measured on", "unit_form.nothing_differs")),
        ({"Form": "box"}, ("Form", "reference.unknown")),
        ({"Measured on": (TODAY + DAY).isoformat()}, ("Measured on", "unit_form.in_future")),
        ({"Measured on": "1990-01-01"}, ("Measured on", "unit_form.before_birth")),
        ({"What differs": None}, ("What differs, and who measured it", "row.needed")),
    ],
)
def test_what_cannot_have_been_measured_is_refused(unit, cells, found):
    given = {
        "Unit": "MW-1",
        "Form": "skid",
        "Measured on": "2026-06-10",
        "What differs": "tank",
        "Mass": 3900,
    }
    run = read(own(tuple((given | cells).get(name) for name in HEADER)))
    assert faults(run) == [(2, *found)]
    assert run.faults[0]["mend"]
    assert applied(bring_in(run))["unit_forms"]["refused"]
    assert not UnitForm.objects.exists()


def test_what_is_odd_on_one_unit_comes_in_when_measured_twice(unit):
    row = ("MW-1", "skid", "2026-06-10", "two eyes cut off", None, None, 2)
    assert faults(read(own((*row, None)))) == [(2, "Lifting points", "form.few_points")]
    read_and_bring_in(own((*row, "yes")))
    assert UnitForm.objects.get().lifting_points == 2
    assert counts(read(own((*row, None))))["unit_forms"] == (0, 0, 1, 0)


def test_nothing_begins_before_what_is_on_file(unit):
    read_and_bring_in(own(("MW-1", "skid", "2026-06-10", "tank", 3900, None, None, None)))
    run = read(own(("MW-1", "skid", "2026-05-10", "tank", 3800, None, None, None)))
    assert faults(run) == [(2, "Measured on", "unit_form.later_on_file")]


def test_an_end_is_told_and_does_not_run_into_the_next(unit):
    header = ("Unit", "Form", "Measured on", "Until", "What differs", "Mass")
    row = ("MW-1", "skid", "2026-04-10", "2026-05-09", "tank lent", 3900)
    read_and_bring_in(own(row, header=header))
    assert UnitForm.objects.get().valid_to == dt.date(2026, 5, 9)
    read_and_bring_in(own(("MW-1", "skid", "2026-06-10", None, "tank", 3900), header=header))
    for until in ("2026-06-10", "clear"):
        run = read(own((*row[:3], until, *row[4:]), header=header))
        assert faults(run) == [(2, "Until", "unit_form.overlaps")], until
    run = read(own((*row[:3], "2026-04-09", *row[4:]), header=header))
    assert faults(run) == [(2, "Until", "span.order")]
    read_and_bring_in(own((*row[:3], "2026-06-09", *row[4:]), header=header))
    assert UnitForm.objects.order_by("valid_from").first().valid_to == dt.date(2026, 6, 9)


def test_the_units_measured_are_those_to_judge_again(unit):
    from fleet.services.imports.kinds import kind_named

    read_and_bring_in(own(("MW-1", "skid", "2026-06-10", "tank", 3900, None, None, None)))
    assert kind_named("unit_forms").unit_ids([UnitForm.objects.get().pk]) == {unit.pk}
