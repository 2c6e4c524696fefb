"""Each role signs in, lands on its own Today, and is offered what it may do."""

import pytest
from playwright.sync_api import expect

from .conftest import Enter, World, sign_in

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(
    ("who", "imports"),
    [
        ("lisbon", True),
        ("winnipeg", True),
        ("dispatcher", False),
        ("procurement", False),
        ("viewer", False),
        ("admin", True),
    ],
)
def test_each_role_lands_on_today(enter: Enter, world: World, who: str, imports: bool) -> None:
    page = enter(None)
    sign_in(page, who, world.passwords[who])
    expect(page.get_by_role("heading", level=1, name="Today")).to_be_visible()
    pages = page.get_by_role("navigation", name="Pages", exact=True)
    assert (pages.get_by_role("link", name="Import").count() > 0) == imports
    page.get_by_role("button", name="Sign out").first.click()
    page.goto("/")
    expect(page.get_by_label("Password")).to_be_visible()


def test_a_wrong_password_is_said_and_keeps_out(enter: Enter, world: World) -> None:
    page = enter(None)
    page.goto("/units/")
    page.get_by_label("Username").fill("lisbon")
    page.get_by_label("Password").fill("not-the-password")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert").first).to_be_visible()
    assert "/accounts/login/" in page.url


def test_a_manager_of_another_depot_is_not_offered_to_write(enter: Enter) -> None:
    page = enter("winnipeg")
    page.goto("/units/G-03/")
    expect(page.get_by_role("heading", level=1, name="G-03")).to_be_visible()
    assert page.get_by_text("Start a charge").count() == 0
    answer = page.goto("/units/G-03/charge/start/")
    assert answer is not None
    assert answer.status == 403
