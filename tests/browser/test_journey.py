"""One matter to its end: a messy workbook brought in and mended, a low bank found by the sweep, mended from a phone."""

import datetime as dt
from pathlib import Path

import pytest
from openpyxl import load_workbook
from playwright.sync_api import Page, expect

from readiness.demo.workbook import Slip, fleet_workbook

from .conftest import PHONE, Enter, World
from .looks import faults_of

pytestmark = pytest.mark.browser
UNIT = "G-01"
JOB_MS = 60_000


def bring(page: Page, path: Path) -> None:
    """Has a file read, and waits for what it would do."""
    page.goto("/fleet/imports/")
    page.locator("input[type=file]").set_input_files(path)
    page.get_by_role("button", name="Read it and show what it would do").click()
    expect(page.get_by_role("heading", name="What it would do")).to_be_visible(timeout=JOB_MS)


def take(page: Page) -> None:
    page.get_by_role("button", name="Bring it in").click()
    expect(page.get_by_role("heading", name="What was done")).to_be_visible(timeout=JOB_MS)


def mend(path: Path, slips: list[Slip]) -> None:
    """Puts right, in the workbook of faulty rows, what a person typed wrong; what is the whole pool's is left out."""
    meant = {str(slip.typed): slip.meant for slip in slips}
    book = load_workbook(path)
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if str(cell.value) in meant:
                    cell.value = meant[str(cell.value)]
    del book["Packed forms"]
    book.save(path)


def test_from_a_messy_workbook_to_a_cleared_alert(enter: Enter, world: World, tmp_path: Path) -> None:
    page = enter("lisbon")
    book, slips = fleet_workbook(world.today)
    path = tmp_path / "northbank fleet.xlsx"
    book.save(path)

    bring(page, path)
    faults = page.get_by_role("row").filter(has_text="Lisboa")
    expect(faults).to_be_visible()
    assert faults_of(page) == []
    page.set_viewport_size({"width": 1280, "height": 900})
    for choice in page.locator("select[name^=mode-]").all():
        choice.select_option("good")
    with page.expect_download() as download:
        page.get_by_role("link", name="The faulty rows as a workbook").click()
    faulty = tmp_path / "faulty rows.xlsx"
    download.value.save_as(faulty)
    take(page)
    assert faults_of(page) == []

    mend(faulty, slips)
    bring(page, faulty)
    expect(page.get_by_role("heading", name="Faults")).to_have_count(0)
    take(page)
    page.goto("/units/?q=NB-0")
    for tag in ("NB-01", "NB-04", "NB-05"):
        expect(page.get_by_role("link", name=tag)).to_be_visible()

    page.goto("/sweeps/")
    page.get_by_role("button", name="Judge the units again now").click()
    expect(page.get_by_role("row").filter(has_text="asked for").first).to_contain_text("done", timeout=JOB_MS)

    page.goto("/")
    matter = page.locator(".matter").filter(has_text=UNIT).filter(has_text="charge due")
    expect(matter).to_have_count(1)

    charge_from_a_phone(enter("lisbon", size=PHONE, touch=True), world)

    page.goto("/")
    expect(page.get_by_role("heading", level=1, name="Today")).to_be_visible()
    expect(matter).to_have_count(0)
    page.goto(f"/units/{UNIT}/")
    expect(page.get_by_text("current steady for three hours").first).to_be_visible()


def charge_from_a_phone(phone: Page, world: World) -> None:
    """In the yard: the charge was begun yesterday evening and is done now."""
    begun = dt.datetime.combine(world.today - dt.timedelta(days=1), dt.time(18, 30))
    phone.goto("/")
    matter = phone.locator(".matter").filter(has_text=UNIT).filter(has_text="charge due")
    matter.get_by_role("link", name="Start a charge").tap()
    phone.get_by_label("Charger bay").fill("B2")
    phone.get_by_label("Begun at").fill(f"{begun:%Y-%m-%dT%H:%M}")
    button = phone.get_by_role("button", name="It is charging")
    box = button.bounding_box()
    assert box is not None
    assert box["height"] >= 36
    button.tap()
    expect(phone.get_by_text("The charge is running").first).to_be_visible()

    phone.goto(f"/units/{UNIT}/charge/end/")
    phone.get_by_label("What showed that it is full").select_option("current_steady")
    phone.get_by_label("Charge put in").fill("270 Ah")
    phone.get_by_label("Ended at").fill(f"{begun + dt.timedelta(hours=16):%Y-%m-%dT%H:%M}")
    phone.get_by_role("button", name="Save the end of the charge").tap()
    expect(phone.get_by_role("heading", level=1, name=UNIT)).to_be_visible()


def test_a_double_tap_makes_one_reading(enter: Enter) -> None:
    from readiness.models import Reading

    phone = enter("lisbon", size=PHONE, touch=True)
    phone.goto("/units/G-14/reading/")
    phone.get_by_label("Value").fill("25.5")
    phone.locator("[name=temp_c]").fill("64 F")
    phone.locator("[name=rest_h]").fill("30")
    before = Reading.objects.count()
    phone.evaluate(
        """() => { const form = document.querySelector('main form');
            const body = new URLSearchParams(new FormData(form));
            return Promise.all([1, 2].map(() => fetch(form.action || location.href, {method: 'POST', body}))); }"""
    )
    phone.goto("/units/G-14/")
    assert Reading.objects.count() == before + 1
