"""Paging, order and export of a list: addresses keep their filters, files hold no formula."""

import csv
import datetime as dt
import io

import pytest
from django.test import RequestFactory
from openpyxl import load_workbook

from fleet.models import User
from fleet.web.export import export_format, export_links, file_response
from fleet.web.page import safe_next, with_query
from fleet.web.paging import page_of
from fleet.web.sorting import Column, sorting_of

COLUMNS = [
    Column("tag", "Tag", ("username",)),
    Column("name", "Name", ("last_name", "first_name")),
    Column("act", "Act"),
]


@pytest.fixture
def get(rf: RequestFactory):
    return lambda query="": rf.get(f"/units/{query}")


def test_with_query_keeps_the_rest(get) -> None:
    request = get("?q=hv&page=3")
    assert with_query(request, page=4) == "?q=hv&page=4"
    assert with_query(request, page=None) == "?q=hv"
    assert with_query(get("?page=3"), page=None) == "/units/"


def test_paging_keeps_filters_and_survives_nonsense(get) -> None:
    paging = page_of(get("?q=hv&page=2"), list(range(120)), per_page=50)
    assert (paging.first, paging.last, paging.total) == (51, 100, 120)
    assert paging.next_url == "?q=hv&page=3"
    assert [link.words for link in paging.links if link.current] == ["2"]
    assert page_of(get("?page=nonsense"), list(range(10))).first == 1
    assert page_of(get("?page=99"), list(range(120)), per_page=50).first == 101
    assert page_of(get(), []).total == 0


@pytest.mark.parametrize(
    ("query", "key", "descending"),
    [
        ("", "name", True),
        ("?sort=tag", "tag", False),
        ("?sort=-tag", "tag", True),
        ("?sort=password", "name", True),
        ("?sort=act", "name", True),
    ],
)
def test_order_only_by_known_columns(get, query: str, key: str, descending: bool) -> None:
    sorting = sorting_of(get(query), COLUMNS, default="-name")
    assert (sorting.key, sorting.descending) == (key, descending)


def test_a_second_press_turns_the_order(get) -> None:
    heads = {head.label: head for head in sorting_of(get("?q=hv&sort=tag"), COLUMNS, default="tag").heads}
    assert heads["Tag"].url == "?q=hv&sort=-tag"
    assert heads["Tag"].aria_sort == "ascending"
    assert heads["Name"].url == "?q=hv&sort=name"
    assert heads["Act"].url == ""


@pytest.mark.django_db
def test_order_is_total(get) -> None:
    for name in ("b", "a", "c"):
        User.objects.create(username=name, last_name="Same")
    names = [
        user.username
        for user in sorting_of(get("?sort=-name"), COLUMNS, default="tag").apply(User.objects.all())
    ]
    assert names == ["b", "a", "c"]


@pytest.mark.django_db
def test_a_page_reads_its_own_rows_only_and_keeps_their_order(get, django_assert_num_queries) -> None:
    for number in range(7):
        User.objects.create(username=f"u{number}", last_name="Same")
    rows = sorting_of(get("?sort=-tag"), COLUMNS, default="tag").apply(User.objects.all())
    with django_assert_num_queries(3):  # how many there are, the keys of the page, its rows
        paging = page_of(get("?page=2"), rows, per_page=3)
    assert [user.username for user in paging.rows] == ["u3", "u2", "u1"]
    assert (paging.first, paging.last, paging.total) == (4, 6, 7)
    assert page_of(get(), User.objects.none()).rows == []


def test_only_columns_that_may_be_empty_say_where_empty_ones_go(get) -> None:
    """With 'nulls last' in it an order is not read off an index."""
    filled = str(sorting_of(get("?sort=-tag"), COLUMNS, default="tag").apply(User.objects.all()).query)
    assert "NULLS LAST" not in filled
    may_be_empty = [Column("login", "Last seen", ("last_login",))]
    assert "NULLS LAST" in str(
        sorting_of(get(), may_be_empty, default="login").apply(User.objects.all()).query
    )


def test_files(get) -> None:
    assert export_format(get("?format=csv")) == "csv"
    assert export_format(get("?format=exe")) is None
    assert export_links(get("?q=hv&page=2")).xlsx_url == "?q=hv&format=xlsx"
    rows = [["HV-01", 3.5, dt.datetime(2026, 11, 25, 9, tzinfo=dt.UTC)], ["=x", None, None]]
    sheet = file_response(name="units", kind="csv", columns=["Tag", "Hours", "At"], rows=rows)
    assert sheet["Content-Disposition"] == 'attachment; filename="units.csv"'
    read = list(csv.reader(io.StringIO(sheet.content.decode("utf-8-sig"))))
    assert [line[0] for line in read] == ["Tag", "HV-01", "'=x"]
    book = load_workbook(
        io.BytesIO(
            file_response(name="units", kind="xlsx", columns=["Tag", "Hours", "At"], rows=rows).content
        )
    )
    assert book.active["B2"].value == 3.5
    assert (book.active["A3"].value, book.active["A3"].data_type) == ("=x", "s")


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [("/units/", "/units/"), ("https://elsewhere.example/", "/"), ("//x", "/"), ("", "/")],
)
def test_next_stays_on_this_site(rf: RequestFactory, wanted: str, expected: str) -> None:
    assert safe_next(rf.post("/", {"next": wanted}), "/") == expected
