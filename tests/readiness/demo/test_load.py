"""Loading the scenario: what lands in the database, what is refused, what is kept."""

import datetime as dt
import io
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth import authenticate
from django.core.management import CommandError, call_command
from django.db.models import F, Sum

from fleet.models import Membership, Place, Unit, User
from inventory.models import Balance, FittedPart, Movement
from readiness.demo import logins
from readiness.demo.write import Writer
from readiness.management.commands import demo_load
from readiness.models import Charge, InspectionType, Reading

from .conftest import DAYS, the_rows


@pytest.fixture
def folder(tmp_path: Path, settings: Any) -> Iterator[Path]:
    settings.DATA_DIR = tmp_path
    settings.DATABASE_URL = ""
    settings.DEBUG = True
    return tmp_path


def run(**options: Any) -> str:
    out = io.StringIO()
    call_command("demo_load", stdout=out, **options)
    return out.getvalue()


@pytest.mark.django_db
@pytest.mark.db_both
@pytest.mark.parametrize("day", DAYS, ids=str)
def test_every_row_keeps_the_constraints_of_the_database(day: dt.date) -> None:
    rows = the_rows(day)
    assert Writer(rows).write() == rows.count()
    assert Unit.objects.count() == len(rows.of("fleet.Unit"))
    held: dict[tuple[int, int | None, int | None], Any] = {}
    for side, sign in (("from", -1), ("to", 1)):
        moved = Movement.objects.order_by().values("lot", place=F(f"{side}_place"), unit=F(f"{side}_unit"))
        for row in moved.annotate(total=Sum("qty")):
            if row["place"] or row["unit"]:
                key = row["lot"], row["place"], row["unit"]
                held[key] = held.get(key, 0) + sign * row["total"]
    balances = {(row.lot_id, row.place_id, row.unit_id): row.qty for row in Balance.objects.all()}
    assert balances == held
    assert FittedPart.objects.filter(removed_at=None).count() > 200


@pytest.mark.django_db
def test_rows_already_there_keep_their_keys() -> None:
    """An inspection type of the same code is used, and keys follow the highest one that is there."""
    kind = InspectionType.objects.create(
        id=900, code="pump_run", name="Ours", interval_days=28, active_from=dt.date(2020, 1, 1)
    )
    yard = Place.objects.create(id=500, code="YARD", name="Yard", kind="site")
    Writer(the_rows(DAYS[0])).write()
    kind.refresh_from_db()
    assert kind.name == "Ours"
    assert kind.inspections.count() > 100
    assert Place.objects.exclude(pk=yard.pk).order_by("pk").first().pk == 501  # type: ignore[union-attr]
    assert Unit.objects.get(tag="G-01").home.code == "LIS"


@pytest.mark.django_db
def test_loading_prints_a_login_for_each_role(folder: Path) -> None:
    said = run(today=DAYS[0], weeks=None)
    assert {"depot_manager", "dispatcher", "procurement", "viewer", "administrator"} == set(
        Membership.objects.values_list("role", flat=True)
    )
    path = folder / logins.FILE
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    for line in path.read_text().splitlines():
        username, password, *what = line.split()
        assert line in said
        assert what
        assert authenticate(request=None, username=username, password=password) is not None
    crew = User.objects.get(username="crew.lis")
    assert not crew.has_usable_password()
    assert not crew.is_active


@pytest.mark.django_db
def test_a_second_time_it_keeps_what_is_there_and_prints_the_same_logins(folder: Path) -> None:
    first = run(today=DAYS[0], units=6, weeks=None)
    counts = Reading.objects.count(), Charge.objects.count(), Movement.objects.count()
    second = run(today=DAYS[1], units=9, weeks=None)
    assert "it is kept" in second
    assert (Reading.objects.count(), Charge.objects.count(), Movement.objects.count()) == counts
    assert [line for line in first.splitlines() if line.startswith("  ")] == [
        line for line in second.splitlines() if line.startswith("  ")
    ]


@pytest.mark.django_db
def test_it_refuses_with_debug_off(folder: Path, settings: Any) -> None:
    settings.DEVELOPMENT = False
    with pytest.raises(CommandError, match="DEBUG is off"):
        run()
    assert not Unit.objects.exists()


@pytest.mark.django_db
def test_it_refuses_another_database(folder: Path, settings: Any) -> None:
    settings.DATABASE_URL = "postgres://somewhere/fleet"
    with pytest.raises(CommandError, match="DATABASE_URL is set"):
        run()
    assert not Unit.objects.exists()


class OtherDatabase:
    """Stands for the database file of an install, so that no test throws its own away."""

    def __init__(self, path: Path) -> None:
        self.settings_dict = {"NAME": path}
        self.closed = False

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def file_there(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = folder / "musterwell.sqlite3"
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).write_text("rows")
    monkeypatch.setattr(demo_load, "connection", OtherDatabase(path))
    return path


@pytest.mark.parametrize("fleet", [True, False])
def test_fresh_throws_the_demo_away(file_there: Path, monkeypatch: pytest.MonkeyPatch, fleet: bool) -> None:
    monkeypatch.setattr(demo_load.Command, "holds_a_fleet", lambda self: fleet)
    (file_there.parent / logins.FILE).write_text("lisbon ...")
    demo_load.Command().throw_away(file_there.parent)
    assert list(file_there.parent.iterdir()) == []


def test_fresh_keeps_a_fleet_that_the_demo_did_not_load(
    file_there: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo_load.Command, "holds_a_fleet", lambda self: True)
    with pytest.raises(CommandError, match="did not load"):
        demo_load.Command().throw_away(file_there.parent)
    assert file_there.read_text() == "rows"
