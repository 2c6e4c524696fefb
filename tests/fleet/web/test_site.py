"""The frame of the pages: sign-in, choices that stay, error pages, no inline code."""

import re

import pytest
from django.template.loader import render_to_string
from django.test import Client, RequestFactory

from fleet.models import Membership, Place, User
from fleet.models.office import Role

pytestmark = pytest.mark.django_db


@pytest.fixture
def depots() -> list[Place]:
    return [Place.objects.create(code=code, name=code, kind=Place.Kind.DEPOT) for code in ("AA", "BB")]


@pytest.fixture
def manager(depots: list[Place]) -> User:
    user = User.objects.create_user("dana", password="x" * 12)
    Membership.objects.create(user=user, role=Role.DEPOT_MANAGER, depot=depots[0])
    return user


def page(user: User, path: str = "/", session: dict[str, str] | None = None) -> str:
    request = RequestFactory().get(path)
    request.user = user
    request.session = session or {}  # type: ignore[assignment]
    return render_to_string("404.html", request=request)


def chosen(html: str) -> str | None:
    box = html[html.index('name="depot"') : html.index('name="unit_system"')]
    found = re.search(r'value="(\w*)" selected', box)
    return found.group(1) if found else None


def test_a_manager_of_one_depot_begins_there(manager: User) -> None:
    assert chosen(page(manager)) == "AA"


def test_the_address_wins_over_the_last_choice(manager: User) -> None:
    assert chosen(page(manager, session={"depot": "BB"})) == "BB"
    assert chosen(page(manager, "/?depot=AA", session={"depot": "BB"})) == "AA"
    assert chosen(page(manager, session={"depot": ""})) is None


def test_choices_are_kept_and_nonsense_left_out(client: Client, manager: User) -> None:
    client.force_login(manager)
    answer = client.post(
        "/fleet/preferences/",
        {"depot": "BB", "unit_system": "us", "theme": "purple", "next": "https://elsewhere.example/"},
    )
    assert answer["Location"] == "/"
    manager.refresh_from_db()
    assert (manager.unit_system, manager.theme) == ("us", "auto")
    assert client.session["depot"] == "BB"
    client.post("/fleet/preferences/", {"depot": "ZZ", "theme": "dark"})
    assert client.session["depot"] == "BB"
    manager.refresh_from_db()
    assert 'data-theme="dark"' in page(manager)


def test_choices_need_a_sign_in_and_a_post(client: Client, manager: User) -> None:
    assert client.post("/fleet/preferences/", {"theme": "dark"}).status_code == 302
    client.force_login(manager)
    assert client.get("/fleet/preferences/").status_code == 405


def test_the_sign_in_page_has_labels_and_no_inline_code(client: Client) -> None:
    html = client.get("/accounts/login/").content.decode()
    assert 'for="id_username"' in html
    assert "style=" not in html
    assert not re.search(r"<script(?![^>]*src=)", html)
    assert "<nav" not in html


def test_error_pages_stand_without_context() -> None:
    assert "not saved" in render_to_string("500.html")
