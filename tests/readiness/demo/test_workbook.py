"""The sample workbook, brought into the demo: every planted slip is found where it stands, the mended one comes in whole."""

import datetime as dt
import io

import pytest

from fleet.models import ImportRun, PackedForm, Unit
from readiness.demo.workbook import fleet_workbook
from readiness.demo.write import Writer
from readiness.models import Reading
from tests.data.messy_workbook import saved_at
from tests.fleet.services.imports.steps import FAR_AHEAD, bring_in, counts, read

from .conftest import DAYS, the_rows


@pytest.fixture
def demo(db: None) -> None:
    Writer(the_rows(DAYS[0])).write()


def content(*, mended: bool) -> bytes:
    out = io.BytesIO()
    fleet_workbook(DAYS[0], mended=mended)[0].save(out)
    # A file knows its age to the second; the demo is written within the same.
    return saved_at(out.getvalue(), FAR_AHEAD)


def test_every_planted_slip_is_found_where_it_stands(demo: None) -> None:
    slips = fleet_workbook(DAYS[0])[1]
    run = read(content(mended=False))
    assert run.state == ImportRun.State.PREVIEW, (run.error, run.questions)
    found = {(fault["sheet"], fault["row"]) for fault in run.faults}
    assert {(slip.sheet, slip.row) for slip in slips} <= found
    unasked = [
        fault
        for fault in run.faults
        if (fault["sheet"], fault["row"]) not in {(s.sheet, s.row) for s in slips}
    ]
    # What rests on a faulty row is told as well: nothing else may be.
    assert all("own row has a fault" in fault["message"] for fault in unasked), unasked


def test_the_mended_workbook_comes_in_whole(demo: None) -> None:
    run = read(content(mended=True))
    assert run.state == ImportRun.State.PREVIEW, (run.error, run.questions)
    assert run.faults == []
    assert counts(run)["units"] == (6, 1, 0, 0)
    run = bring_in(run)
    assert run.state == ImportRun.State.APPLIED, run.error
    assert PackedForm.objects.get(design__code="A48", code="long trailer").mass_kg == pytest.approx(
        3719.457, abs=0.001
    )
    assert Unit.objects.get(tag="NB-01").commissioned_on == dt.date(2021, 4, 23)
    assert Unit.objects.get(tag="NB-02").commissioned_on == dt.date(2021, 11, 5)
    low = Reading.objects.filter(bank__stays__unit__tag="G-01", volts_v=24.62).get()
    assert low.temp_c == pytest.approx(17.22, abs=0.01)
    again = read(content(mended=True))
    assert all(added == changed == 0 for added, changed, *_ in counts(again).values())
