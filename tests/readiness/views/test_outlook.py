"""The outlook of the stores on screen and as a file."""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

import pytest
from openpyxl import load_workbook

from inventory.models import Lot
from tests.factories.fleet import TODAY, DepotFactory, DesignFactory, UnitFactory
from tests.factories.inventory import DesignItemFactory, ItemFactory, aboard, in_store

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)
URL = "/stores/outlook/"


def page(client: Any, query: str = "") -> str:
    answer = client.get(URL + query)
    assert answer.status_code == 200
    return str(answer.content.decode())


def names(client: Any, query: str = "") -> list[tuple[str, str]]:
    answer = client.get(URL + query)
    return [(line.shelf.item.code, line.shelf.place.code) for line in answer.context["lines"]]


@pytest.fixture
def stores(cast: Any) -> None:
    """North needs six filters in 31 days that expire unused in the south; hoses lie in both and are asked for by nobody."""
    filters = ItemFactory(code="F-1", name="Filter")
    design = DesignFactory()
    DesignItemFactory(design=design, item=filters, qty=6)
    unit = UnitFactory(tag="U-1", home=cast.north, design=design)
    aboard(unit, 6, item=filters, code="ABOARD", expires_on=TODAY + 60 * DAY)
    in_store(8, place=cast.south, item=filters, code="SOUTHERN", expires_on=TODAY + 100 * DAY)
    hoses = ItemFactory(code="H-1", name="Hose", dated=False)
    in_store(2, place=cast.north, item=hoses, code="HN")
    in_store(2, place=cast.south, item=hoses, code="HS")


def test_it_tells_what_is_short_what_is_lost_and_what_a_move_saves(cast, signed_in, stores) -> None:
    client = signed_in(cast.percy)
    answer = client.get(URL)
    lines = {(line.shelf.item.code, line.shelf.place.code): line for line in answer.context["lines"]}
    north, south = lines["F-1", "NORTH"], lines["F-1", "SOUTH"]
    assert (north.shelf.short, north.shelf.first_short) == (6, TODAY + 31 * DAY)
    assert (south.shelf.expires, south.shelf.first_expiry) == (8, TODAY + 100 * DAY)
    assert north.saves == south.saves == "6 less short, 6 less expires"
    assert north.moves[0].startswith("Bring 6 of lot SOUTHERN from South depot, leaving by ")
    assert south.moves[0].startswith("Send 6 of lot SOUTHERN to North depot by ")
    assert lines["H-1", "NORTH"].moves == []
    text = answer.content.decode()
    assert "1 line runs short, on 1 something expires unused." in text
    assert "6 less short, 6 less expires" in text
    assert names(client)[0] == ("F-1", "NORTH"), "what runs short first stands first"


def test_a_move_that_comes_too_late_is_not_offered(cast, signed_in, stores) -> None:
    client = signed_in(cast.percy)
    assert "Bring 6 of lot SOUTHERN" in page(client, "?road=31")
    assert "Bring " not in page(client, "?road=32")


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("?depot=NORTH", {("F-1", "NORTH"), ("H-1", "NORTH")}),
        ("?show=short", {("F-1", "NORTH")}),
        ("?show=waste", {("F-1", "SOUTH")}),
        ("?show=moves", {("F-1", "NORTH"), ("F-1", "SOUTH")}),
        ("?show=short&ahead=30", set()),
        ("?q=hos", {("H-1", "NORTH"), ("H-1", "SOUTH")}),
        ("?q=f-1&depot=SOUTH", {("F-1", "SOUTH")}),
    ],
)
def test_filters(cast, signed_in, stores, query, wanted) -> None:
    assert set(names(signed_in(cast.percy), query)) == wanted


def test_order_of_the_table(cast, signed_in, stores) -> None:
    client = signed_in(cast.percy)
    assert [code for code, _place in names(client, "?sort=-item")] == ["H-1", "H-1", "F-1", "F-1"]
    hand = [line.shelf.on_hand for line in client.get(URL + "?sort=hand").context["lines"]]
    assert hand == [0, 2, 2, 8]
    assert names(client, "?sort=-waste")[0] == ("F-1", "SOUTH"), "lines without a day stand last"


def test_a_manager_begins_with_the_own_depot(cast, signed_in, stores) -> None:
    assert {place for _code, place in names(signed_in(cast.nora))} == {"NORTH"}
    assert {place for _code, place in names(signed_in(cast.silas))} == {"SOUTH"}


def test_who_may_look(cast, signed_in, client) -> None:
    assert signed_in(cast.stig).get(URL).status_code == 403
    assert client.get(URL).status_code == 302
    assert signed_in(cast.vera).get(URL).status_code == 200


def test_a_box_with_nonsense_is_told_and_the_usual_counts(cast, signed_in, stores) -> None:
    text = page(signed_in(cast.percy), "?ahead=5&road=x")
    assert "Ensure this value is greater than or equal to 30." in text
    assert "taken to be on the road for 14 days" in text


def test_what_is_not_known_is_listed(cast, signed_in, stores) -> None:
    Lot.objects.filter(code="SOUTHERN").update(expires_on=None)
    text = page(signed_in(cast.percy))
    assert (
        "South depot: lot SOUTHERN of Filter (8) has no expiry date on file and counts as not usable." in text
    )
    assert "8 not usable" in text
    assert "SOUTHERN" not in page(signed_in(cast.percy), "?depot=NORTH")


def test_empty_states(cast, signed_in, stores) -> None:
    client = signed_in(cast.percy)
    assert "No line matches" in page(client, "?q=nothing")
    assert "Nothing lies here, and nothing is asked for" not in page(client)
    DepotFactory(code="EMPTY")
    assert "Nothing lies here, and nothing is asked for" in page(client, "?depot=EMPTY")


def test_nothing_at_all(cast, signed_in) -> None:
    assert "Nothing lies here, and nothing is asked for" in page(signed_in(cast.percy))


def test_the_region_alone_for_htmx(cast, signed_in, stores) -> None:
    answer = signed_in(cast.percy).get(URL, headers={"HX-Request": "true"})
    assert "<h1>" not in answer.content.decode()
    assert "Filter" in answer.content.decode()


def test_files_hold_what_is_on_screen(cast, signed_in, stores) -> None:
    client = signed_in(cast.percy)
    sheet = load_workbook(io.BytesIO(client.get(URL + "?format=xlsx&show=short").content)).active
    head, *rows = list(sheet.iter_rows(values_only=True))
    (row,) = [dict(zip(head, each, strict=True)) for each in rows]
    assert (row["Code"], row["Depot"], row["Short"], row["Needed"]) == ("F-1", "North depot", 6, 6)
    assert row["First day short"].date() == TODAY + 31 * DAY
    assert row["Moves"].startswith("Bring 6 of lot SOUTHERN")
    text = client.get(URL + "?format=csv").content.decode("utf-8-sig")
    assert len(text.strip().splitlines()) == 5


def test_a_long_file_says_which_moves_were_not_worked_out(cast, signed_in, stores, monkeypatch) -> None:
    monkeypatch.setattr("readiness.web.outlook.MOST_SOLVED", 1)
    client = signed_in(cast.percy)
    assert "not worked out" not in client.get(URL + "?format=csv").content.decode()
    in_store(5, place=cast.south, item=ItemFactory(), expires_on=TODAY + 100 * DAY)
    text = client.get(URL + "?format=csv").content.decode()
    assert text.count("not worked out: narrow the list") == 1
    assert text.count("lot SOUTHERN") == 2


def test_the_stores_lead_there(cast, signed_in) -> None:
    assert f'href="{URL}"' in signed_in(cast.percy).get("/stores/").content.decode()


def test_the_number_of_queries_does_not_grow(cast, signed_in, stores, queries_of) -> None:
    client = signed_in(cast.percy)
    before = queries_of(client, URL)
    for _number in range(30):
        item = ItemFactory()
        in_store(5, place=cast.south, item=item, expires_on=TODAY + 100 * DAY)
        in_store(5, place=cast.north, item=item, expires_on=TODAY - DAY)
    assert queries_of(client, URL) == before
    assert len(names(client)) == 50, "a page of many"
    assert len(names(client, "?page=2")) == 14
