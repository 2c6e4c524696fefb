"""Pages of a long list, with addresses that keep filters and order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest

from .page import with_query

PER_PAGE = 50


@dataclass(frozen=True)
class PageLink:
    words: str
    url: str
    current: bool = False
    gap: bool = False


@dataclass(frozen=True)
class Paging:
    """One page of rows and the links to the others; ``components/pagination.html`` draws it."""

    rows: Sequence[Any]
    total: int
    first: int
    last: int
    links: tuple[PageLink, ...]
    previous_url: str
    next_url: str


class KeysFirst(Paginator):
    """Pages of a queryset of any length: finds the keys of the page, then reads those rows with all that they show.

    A database works out every column of the rows it skips; keys alone are skipped quickly, and often from an index.
    """

    def page(self, number: Any) -> Any:
        number = self.validate_number(number)
        bottom = (number - 1) * self.per_page
        rows: Any = self.object_list
        keys = list(rows.values_list("pk", flat=True)[bottom : bottom + self.per_page])
        found = {row.pk: row for row in rows.filter(pk__in=keys).order_by()} if keys else {}
        return Page([found[pk] for pk in keys if pk in found], number, self)


def page_of(request: HttpRequest, rows: Any, *, per_page: int = PER_PAGE, key: str = "page") -> Paging:
    """The page that ``?page=`` names (the first or the last when it names nonsense).

    Of a queryset: one count, one query for the keys of the page, one for its rows.
    """
    paginator = (KeysFirst if isinstance(rows, QuerySet) else Paginator)(rows, per_page)
    page = paginator.get_page(request.GET.get(key))
    links = []
    for number in paginator.get_elided_page_range(page.number, on_each_side=2, on_ends=1):
        if isinstance(number, int):
            links.append(PageLink(str(number), with_query(request, **{key: number}), number == page.number))
        else:
            links.append(PageLink("…", "", gap=True))
    return Paging(
        rows=list(page.object_list),
        total=paginator.count,
        first=page.start_index(),
        last=page.end_index(),
        links=tuple(links) if paginator.num_pages > 1 else (),
        previous_url=with_query(request, **{key: page.previous_page_number()}) if page.has_previous() else "",
        next_url=with_query(request, **{key: page.next_page_number()}) if page.has_next() else "",
    )
