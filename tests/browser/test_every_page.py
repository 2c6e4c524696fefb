"""Every page of the site with its own data: no axe violation in four looks, no policy message, no script error.

The addresses come from the table of the architecture test, so a new page is looked at without being listed here.
"""

import pytest
from django.urls import reverse

from .addresses import address, pages
from .conftest import Enter
from .looks import faults_of

pytestmark = pytest.mark.browser

STATES = {
    "a unit back from the field": "/units/A-09/",
    "a unit nobody surveyed": "/units/G-13/",
    "a unit away": "/units/L-07/",
    "a unit that is ready": "/units/G-14/",
    "a charge to begin": "/units/G-14/charge/start/",
    "units filtered": "/units/?outcome=blocked",
    "no unit found": "/units/?q=no-such-unit",
    "no alert found": "/alerts/?q=no-such-alert",
    "nothing in store found": "/stores/?q=no-such-lot",
    "no movement found": "/movements/?q=no-such-movement",
    "no item found": "/items/?q=no-such-item",
    "nothing found anywhere": "/fleet/find/?q=no-such-thing",
    "no unit on the horizon": "/horizon/?q=no-such-unit",
    "a year ahead": "/horizon/?days=365",
    "a search": "/fleet/find/?q=SG600",
    "an address there is not": "/no-such-page/",
}


def who_opens(name: str) -> str | None:
    page = pages()[name]
    if "manager" in page.who:
        return None if name == "login" else "lisbon"
    return "admin"


@pytest.mark.parametrize("name", sorted(pages()))
def test_a_page_is_clean(enter: Enter, name: str) -> None:
    page = enter(who_opens(name))
    answer = page.goto(address(name, pages()[name]))
    assert answer is not None
    assert answer.status == 200
    assert faults_of(page) == []


@pytest.mark.parametrize("state", sorted(STATES))
def test_a_page_in_another_state_is_clean(enter: Enter, state: str) -> None:
    page = enter("lisbon")
    page.goto(STATES[state])
    assert faults_of(page) == []


@pytest.mark.parametrize("who", ["dispatcher", "procurement", "viewer", "admin"])
def test_what_other_roles_see_is_clean(enter: Enter, who: str) -> None:
    page = enter(who)
    found = []
    for name in (
        "readiness:today-show",
        "readiness:unit-list",
        "inventory:store-list",
        "readiness:alert-list",
    ):
        page.goto(reverse(name))
        found += faults_of(page)
    page.goto("/units/F-02/")
    assert found + faults_of(page) == []


def test_opened_sections_are_clean(enter: Enter) -> None:
    """Folded parts hold forms of their own: all of them opened at once."""
    page = enter("lisbon")
    found = []
    for path in ("/", "/units/F-02/", "/horizon/", "/fleet/imports/"):
        page.goto(path)
        page.evaluate("document.querySelectorAll('main details').forEach(each => { each.open = true })")
        found += faults_of(page)
    assert found == []
