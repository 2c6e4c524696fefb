"""As dispatcher: from the list of units to an answer with its source in three clicks; what prints; a wrong address."""

import pytest
from playwright.sync_api import expect

from .conftest import PHONE, Enter
from .looks import faults_of

pytestmark = pytest.mark.browser


def test_from_the_units_to_a_defended_answer_in_three_clicks(enter: Enter) -> None:
    page = enter("dispatcher")
    page.goto("/units/")
    page.get_by_role("link", name="G-01", exact=True).click()
    page.get_by_role("link", name="How it may travel").click()
    group = page.locator("details.law").filter(has_text="Under a helicopter")
    expect(group.locator("table")).to_be_hidden()
    group.locator("summary").click()
    rows = group.locator("tbody tr")
    expect(rows.first).to_be_visible()
    for row in rows.all():
        cells = row.locator("th, td")
        assert cells.count() == 5
        assert cells.nth(4).locator(".small").inner_text().strip(), "no source beside the answer"
        answer = cells.nth(1).inner_text().strip()
        margin = cells.nth(2).inner_text() + cells.nth(3).inner_text()
        assert "cannot decide" in answer or "kg" in margin or "mm" in margin or "lb" in margin
    assert faults_of(page) == []


def test_the_printed_sheet_shows_what_is_folded_on_the_screen(enter: Enter) -> None:
    page = enter("dispatcher")
    page.goto("/units/G-01/transport/")
    page.emulate_media(media="print")
    for group in page.locator("details.law").filter(has=page.locator("table")).all():
        assert group.locator("table").first.bounding_box()["height"] > 0
    width = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert width <= 0
    assert page.locator("form.filters").first.is_hidden()


@pytest.mark.parametrize("address", ["/nothing-here/", "/units/NO-SUCH/transport/", "/units/NO-SUCH/"])
def test_an_address_without_a_page_says_so_on_a_phone(enter: Enter, address: str) -> None:
    page = enter("dispatcher", size=PHONE, touch=True)
    answer = page.goto(address)
    assert answer is not None
    assert answer.status == 404
    expect(page.get_by_role("heading", level=1, name="There is nothing at this address")).to_be_visible()
    expect(page.get_by_role("link", name="Back to Today")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert faults_of(page) == []


def test_procurement_reads_how_a_unit_may_travel_and_changes_nothing_of_it(enter: Enter) -> None:
    page = enter("procurement")
    page.goto("/units/G-01/transport/")
    expect(page.get_by_role("heading", name="What takes it")).to_be_visible()
    expect(page.get_by_role("link", name="This sheet as PDF")).to_be_visible()
    expect(page.get_by_role("link", name="Write down a weighing")).to_have_count(0)
    expect(page.get_by_role("link", name="What differs on this unit")).to_have_count(0)
