"""What is not written every day, from a phone in the yard: each form filled once wrongly, mended and saved.

Every page is looked at as it stands with its error: nothing typed is lost, everything is big enough for a thumb.
"""

import datetime as dt

import pytest
from playwright.sync_api import Locator, Page, expect

from .conftest import PHONE, Enter, World
from .looks import faults_of

pytestmark = pytest.mark.browser
THUMB_PX = 44


@pytest.fixture
def phone(enter: Enter) -> Page:
    return enter("lisbon", size=PHONE, touch=True)


def when(world: World, days_ago: int, hour: int) -> str:
    return f"{dt.datetime.combine(world.today - dt.timedelta(days=days_ago), dt.time(hour)):%Y-%m-%dT%H:%M}"


def press(page: Page, name: str) -> None:
    page.get_by_role("main").get_by_role("button", name=name, exact=True).tap()


def look(page: Page) -> None:
    """The page as it stands is clean in four looks, and its controls are big enough for a thumb."""
    assert faults_of(page) == []
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(PHONE)  # type: ignore[arg-type]
    small = []
    for each in page.locator(CONTROLS).all():
        box = each.bounding_box() if each.is_visible() else None
        if box and box["height"] < THUMB_PX:
            small.append((round(box["height"]), each.evaluate("each => each.outerHTML.slice(0, 120)")))
    assert small == []


# What a thumb aims at in a form: fields, buttons, the words of ticks and choices, and the way out.
CONTROLS = (
    "main form :is(input:not([type=hidden], [type=checkbox], [type=radio]), select, textarea, button, .row > a),"
    "main form :is(.field__tick, .field--set fieldset > div label)"
)


def wrong(page: Page, sentence: str) -> None:
    """The form came back with this sentence beside a field or above all."""
    expect(page.get_by_role("main").get_by_text(sentence).first).to_be_visible()
    look(page)


def on_the_page_of(page: Page, name: str) -> None:
    expect(page.get_by_role("heading", level=1, name=name, exact=True)).to_be_visible()


def kept(field: Locator, value: str) -> None:
    expect(field).to_have_value(value)


def test_out_a_day_on_site_and_back(phone: Page, world: World) -> None:
    phone.goto("/units/A-11/deployment/")
    phone.get_by_label("Code of the deployment").fill("PHONE-1")
    phone.get_by_label("Left at").fill(when(world, 3, 9))
    press(phone, "It has left")
    wrong(phone, "This field is required.")
    kept(phone.get_by_label("Code of the deployment"), "PHONE-1")
    kept(phone.get_by_label("Left at"), when(world, 3, 9))
    phone.get_by_label("Who has it").fill("Team 2, on the radio")
    press(phone, "It has left")
    on_the_page_of(phone, "A-11")
    expect(phone.get_by_text("with Team 2, on the radio").first).to_be_visible()

    phone.goto("/units/A-11/leg/")
    phone.get_by_label("Carried by").fill("truck")
    phone.get_by_label("To", exact=True).select_option(label="Lisbon depot")
    phone.get_by_label("Left at").fill(when(world, 3, 9))
    press(phone, "Save the leg")
    wrong(phone, "A leg leads from one place to another.")
    kept(phone.get_by_label("Carried by"), "truck")
    phone.get_by_label("To", exact=True).select_option(index=0)
    phone.get_by_label("Arrived at").fill(when(world, 3, 15))
    press(phone, "Save the leg")
    on_the_page_of(phone, "A-11")

    phone.goto("/units/A-11/day/")
    phone.get_by_label("Train A ran").fill("26")
    phone.get_by_label("Train A made").fill("9000 l")
    press(phone, "Save the day")
    wrong(phone, "A train runs between 0 and 24 hours a day")
    kept(phone.get_by_label("Train A made"), "9000 l")
    phone.get_by_label("Train A ran").fill("7.5 h")
    press(phone, "Save the day")
    on_the_page_of(phone, "A-11")

    phone.goto("/units/A-11/back/")
    phone.get_by_label("Back at").fill(when(world, 5, 9))
    phone.get_by_label("Note").fill("two hoses missing")
    press(phone, "It is back")
    wrong(phone, "Check the day of return, or strike the log.")
    kept(phone.get_by_label("Note"), "two hoses missing")
    phone.get_by_label("Back at").fill(when(world, 0, 8))
    press(phone, "It is back")
    on_the_page_of(phone, "A-11")
    expect(phone.get_by_text("Lisbon depot").first).to_be_visible()

    # The day on site stands in the history and can be struck out there.
    day = phone.locator(".timeline li").filter(has_text="Day on site").first
    day.get_by_role("link", name="Strike out").tap()
    expect(phone.get_by_text("PHONE-1").first).to_be_visible()
    press(phone, "Strike it out")
    wrong(phone, "This field is required.")
    phone.get_by_label("Why does it not count?").fill("hours of the other train")
    press(phone, "Strike it out")
    on_the_page_of(phone, "A-11")
    expect(phone.get_by_text("Struck out: hours of the other train")).to_be_visible()


def test_a_bank_out_onto_the_shelf_and_in_again(phone: Page, world: World) -> None:
    phone.goto("/units/A-02/")
    serial = phone.locator(".entry header a.tag").first.inner_text()
    phone.goto("/units/A-02/bank/out/")
    phone.get_by_label("Bank", exact=True).select_option(
        label=phone.locator("option").filter(has_text=serial).inner_text()
    )
    phone.get_by_label("Taken out at").fill("2099-01-01T08:00")
    phone.get_by_label("Note").fill("to be load tested")
    press(phone, "It is out")
    wrong(phone, "has not come yet")
    kept(phone.get_by_label("Note"), "to be load tested")
    phone.get_by_label("Taken out at").fill(when(world, 1, 9))
    press(phone, "It is out")
    on_the_page_of(phone, "A-02")

    phone.goto("/banks/")
    look(phone)
    phone.get_by_role("link", name=serial).tap()
    on_the_page_of(phone, serial)
    expect(phone.get_by_text("On the shelf, Lisbon depot")).to_be_visible()
    look(phone)
    exchange_a_block(phone, world, serial)

    phone.goto("/units/A-02/bank/in/")
    phone.get_by_label("Position").fill("")
    phone.get_by_label("Note").fill("tested, 96 %")
    press(phone, "It is in")
    wrong(phone, "This field is required.")
    kept(phone.get_by_label("Note"), "tested, 96 %")
    phone.get_by_label("Position").fill("main")
    press(phone, "It is in")
    on_the_page_of(phone, "A-02")
    expect(phone.get_by_role("link", name=serial).first).to_be_visible()


def exchange_a_block(phone: Page, world: World, serial: str) -> None:
    """A block comes out of the bank and goes back into its place."""
    row = phone.locator("#h-blocks").locator("xpath=ancestor::section").locator("tbody tr").first
    place, block = row.locator("th").inner_text(), row.locator(".tag").inner_text()
    row.get_by_role("link", name="Take out").tap()
    phone.get_by_label("Taken out at").fill("2099-01-01T08:00")
    press(phone, "It is out")
    wrong(phone, "has not come yet")
    phone.get_by_label("Taken out at").fill(when(world, 1, 10))
    press(phone, "It is out")
    on_the_page_of(phone, serial)
    expect(phone.get_by_text("Were in it once")).to_be_visible()
    phone.get_by_role("link", name="Put a block in").tap()
    phone.get_by_label("Serial number of the block").fill("no such block")
    phone.get_by_label("Place in the bank").fill(place)
    press(phone, "It is in")
    wrong(phone, "No battery block bears this serial number.")
    kept(phone.get_by_label("Place in the bank"), place)
    phone.get_by_label("Serial number of the block").fill(block)
    press(phone, "It is in")
    on_the_page_of(phone, serial)
    expect(phone.get_by_text("In it now")).to_be_visible()


def test_work_is_written_down_taken_and_done(phone: Page) -> None:
    phone.goto("/units/G-03/tasks/")
    phone.get_by_label("Hours of work").fill("90 min")
    press(phone, "Write it down")
    wrong(phone, "This field is required.")
    kept(phone.get_by_label("Hours of work"), "90 min")
    phone.get_by_label("What is to be done").fill("Paint the frame")
    press(phone, "Write it down")
    on_the_page_of(phone, "G-03")
    look(phone)
    work = phone.get_by_role("row").filter(has_text="Paint the frame")
    work.get_by_role("link", name="Take it").tap()
    look(phone)
    press(phone, "I take it")
    on_the_page_of(phone, "G-03")
    expect(work).not_to_contain_text("Take it")
    work.get_by_role("link", name="It is done").tap()
    look(phone)
    press(phone, "It is done")
    on_the_page_of(phone, "G-03")
    expect(work).to_have_count(0)


def test_a_reading_is_moved_to_the_unit_it_was_about_and_struck_there(phone: Page) -> None:
    phone.goto("/units/G-03/reading/")
    phone.get_by_label("Value").fill("254 V")
    phone.get_by_label("Note").fill("by lamplight")
    press(phone, "Save the reading")
    wrong(phone, "254 V cannot be the voltage")
    kept(phone.get_by_label("Note"), "by lamplight")
    phone.get_by_label("Value").fill("25.4 V")
    press(phone, "Save the reading")
    on_the_page_of(phone, "G-03")
    line = phone.locator(".timeline li").filter(has_text="by lamplight").first
    line.get_by_role("link", name="Wrong unit").tap()
    phone.get_by_label("Tag of the unit the right bank was in").fill("Z-99")
    phone.get_by_label("How do you know?").fill("the label on the lid")
    press(phone, "Move it there")
    wrong(phone, "No unit bears this tag.")
    kept(phone.get_by_label("How do you know?"), "the label on the lid")
    phone.get_by_label("Tag of the unit the right bank was in").fill("a-01")
    press(phone, "Move it there")
    wrong(phone, "A-01 held several banks then. Choose one.")
    phone.get_by_label("Tag of the unit the right bank was in").fill("G-04")
    press(phone, "Move it there")
    on_the_page_of(phone, "G-04")
    line.get_by_role("link", name="Strike out").tap()
    phone.get_by_label("Why does it not count?").fill("meter on the wrong range")
    press(phone, "Strike it out")
    on_the_page_of(phone, "G-04")
    expect(phone.get_by_text("Struck out: meter on the wrong range")).to_be_visible()
    look(phone)


def test_a_unit_leaves_on_loan_and_comes_back(phone: Page, world: World) -> None:
    phone.goto("/units/G-04/leave/")
    phone.get_by_label("What for").select_option("loan")
    phone.get_by_label("Who has it").fill("Coast county, duty desk")
    phone.get_by_label("Left at").fill(when(world, 2, 9))
    phone.get_by_label("Due back on").fill(f"{world.today - dt.timedelta(days=9):%Y-%m-%d}")
    press(phone, "It is away")
    wrong(phone, "lies before it leaves")
    kept(phone.get_by_label("Who has it"), "Coast county, duty desk")
    phone.get_by_label("Due back on").fill(f"{world.today + dt.timedelta(days=9):%Y-%m-%d}")
    press(phone, "It is away")
    on_the_page_of(phone, "G-04")
    phone.goto("/units/G-04/back/")
    expect(phone.get_by_text("Away: loan, with Coast county, duty desk.").first).to_be_visible()
    phone.get_by_label("Back at").fill(when(world, 0, 8))
    press(phone, "It is back")
    on_the_page_of(phone, "G-04")
