"""The import from the command line."""

import io

import pytest
from django.core.management import CommandError, call_command

from fleet.models import ImportRun, Job, Place, Unit
from tests.data import messy_workbook as messy
from tests.fleet.services.imports.steps import workbook

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def run(tmp_path):
    def call(content, *args, name="fleet.xlsx"):
        path = tmp_path / name
        path.write_bytes(content)
        out = io.StringIO()
        call_command("import_fleet", str(path), *args, stdout=out)
        return out.getvalue()

    return call


def test_without_apply_nothing_is_written_and_everything_is_said(run):
    said = run(messy.build(faulty=True))
    assert "Units (Fleet list): 2 added" in said
    assert "Fleet list, row 8, Depot: 'SUOTH' There is no place 'SUOTH'. Did you mean SOUTH?" in said
    assert "Nothing was written" in said
    assert not Place.objects.exists()


def test_with_apply_it_comes_in(run):
    said = run(messy.build(), "--apply")
    assert "units: added 3, changed 0" in said
    assert Unit.objects.count() == 3


def test_sheets_with_faults_are_left_out_whole_and_the_command_fails(run):
    with pytest.raises(CommandError, match="--good-rows"):
        run(messy.build(faulty=True), "--apply")
    assert not Place.objects.exists()
    run(messy.build(faulty=True, only=("Depots",)), "--apply", "--good-rows")
    assert Place.objects.count() == 3


def test_a_doubt_is_settled_by_an_option(run):
    with pytest.raises(CommandError, match="--decimal"):
        run(messy.build(mixed_decimals=True))
    run(messy.build(mixed_decimals=True), "--decimal", ".")
    assert ImportRun.objects.latest("pk").state == ImportRun.State.PREVIEW


def test_a_sheet_that_is_not_recognised_can_be_named(run):
    said = run(workbook(Tabelle1=[("Code", "Name"), ("A", "B")]), "--sheet", "designs")
    assert "Designs (Tabelle1): 1 added" in said


@pytest.mark.parametrize(
    ("moment", "said"),
    [
        ("yesterday", "is no moment"),
        ("2025-09-01", "offset is missing"),
        ("2025-09-01T10:00", "offset is missing"),
        ("2999-01-01T00:00+00:00", "has not come yet"),
    ],
)
def test_an_age_of_the_file_that_is_none_is_refused_before_anything_is_kept(run, moment, said):
    with pytest.raises(CommandError, match=said):
        run(messy.build(), "--as-of", moment)
    assert not ImportRun.objects.exists()
    assert not Job.objects.exists()


def test_the_age_of_the_file_is_kept_in_utc(run):
    run(messy.build(), "--as-of", "2025-09-01T10:00+02:00")
    assert ImportRun.objects.get().preview["as_of"] == "2025-09-01T08:00:00+00:00"


def test_what_cannot_be_used_says_so(run, tmp_path):
    with pytest.raises(CommandError, match="There is no file"):
        call_command("import_fleet", str(tmp_path / "nowhere.xlsx"))
    with pytest.raises(CommandError, match=r"\.xlsx"):
        run(b"\x89PNG\r\n\x1a\n\0\0", name="picture.png")
    with pytest.raises(CommandError, match="no user"):
        run(messy.build(), "--user", "nobody")
