"""Seeding from published sources: by code, as often as one likes, never over an adaptation."""

from io import StringIO

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from fleet.lib.tables import read_table_file
from fleet.services.versions import save_versioned
from readiness.models import InspectionType

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
SHIPPED = settings.BASE_DIR / "fixtures" / "reference" / "readiness" / "inspection_types.csv"


def seed(**options):
    out = StringIO()
    call_command("seed_reference", stdout=out, **options)
    return out.getvalue()


@pytest.fixture
def folder(tmp_path):
    """A folder whose one table a test may rewrite."""
    target = tmp_path / "readiness" / "inspection_types.csv"
    target.parent.mkdir()
    target.write_text(SHIPPED.read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


def rewrite(folder, old, new):
    target = folder / "readiness" / "inspection_types.csv"
    text = target.read_text(encoding="utf-8")
    assert old in text
    target.write_text(text.replace(old, new), encoding="utf-8")


def test_every_shipped_row_names_its_source_and_comes_in_once():
    count = len(read_table_file(SHIPPED))
    assert f"{count} added" in seed()
    assert f"0 added, 0 updated, {count} unchanged" in seed()
    assert InspectionType.objects.count() == count
    assert not InspectionType.objects.filter(source="").exists()


def test_a_new_edition_updates_and_again_the_next(folder):
    seed(folder=folder)
    for interval in ("31", "28"):
        rewrite(
            folder,
            'seal and tag",30,' if interval == "31" else 'seal and tag",31,',
            f'seal and tag",{interval},',
        )
        assert "1 updated" in seed(folder=folder)
    assert InspectionType.objects.get(code="ext_month").interval_days == 28


def test_what_was_adapted_on_the_site_is_kept_unless_asked(folder):
    seed(folder=folder)
    row = InspectionType.objects.get(code="drill")
    save_versioned(instance=row, seen_version=1, changes={"interval_days": 180}, actor=None)
    assert "Kept as adapted on this site: drill" in seed(folder=folder)
    assert InspectionType.objects.get(code="drill").interval_days == 180
    assert "1 updated" in seed(folder=folder, overwrite=True)
    assert InspectionType.objects.get(code="drill").interval_days == 365


def test_a_bad_cell_is_named_and_nothing_comes_in(folder):
    rewrite(folder, "make safe water,365", "make safe water,yearly")
    with pytest.raises(CommandError, match="'interval_days': 'yearly' is not a whole number"):
        seed(folder=folder)
    assert InspectionType.objects.count() == 0


def test_a_missing_table_is_named(tmp_path):
    with pytest.raises(CommandError, match=r"inspection_types\.csv does not exist"):
        seed(folder=tmp_path)
