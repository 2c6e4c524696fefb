"""Order of a table by its header links: the address bar says ``?sort=tag`` or ``?sort=-tag``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.db.models import F, Model, QuerySet
from django.http import HttpRequest

from .page import with_query


@dataclass(frozen=True)
class Column:
    """One column; its label may be lazy. ``order_by`` lists the fields it sorts by; empty means it cannot be sorted."""

    key: str
    label: Any
    order_by: tuple[str, ...] = ()
    number: bool = False
    hidden_label: bool = False


@dataclass(frozen=True)
class Head:
    """What ``components/table_head.html`` needs of one column."""

    label: str
    number: bool
    hidden_label: bool
    url: str
    aria_sort: str


@dataclass(frozen=True)
class Sorting:
    columns: Sequence[Column]
    key: str
    descending: bool
    heads: tuple[Head, ...]

    def apply(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        """Orders by the chosen column, rows without a value last, ties by primary key so that pages do not overlap."""
        column = next(column for column in self.columns if column.key == self.key)
        turns = []
        for field in column.order_by:
            # Only where a value may be missing: with the words 'nulls last' no engine reads the order off an index.
            last = True if _may_be_missing(queryset.model, field) else None
            turns.append(F(field).desc(nulls_last=last) if self.descending else F(field).asc(nulls_last=last))
        return queryset.order_by(*turns, *(() if "pk" in column.order_by else ("pk",)))


def _may_be_missing(model: type[Model], path: str) -> bool:
    """Whether a row can be without it: an empty column on the way, or no column at all (an annotation)."""
    at: Any = model
    for name in path.split("__"):
        try:
            column = at._meta.pk if name == "pk" else at._meta.get_field(name)
        except FieldDoesNotExist:
            return True
        if column.null:
            return True
        at = column.related_model
    return False


def sorting_of(request: HttpRequest, columns: Sequence[Column], *, default: str) -> Sorting:
    """Reads ``?sort=``; a key that no column has falls back to ``default`` (write ``-key`` for descending)."""
    known = {column.key for column in columns if column.order_by}
    wanted = request.GET.get("sort", "")
    if wanted.removeprefix("-") not in known:
        wanted = default
    key, descending = wanted.removeprefix("-"), wanted.startswith("-")
    heads = []
    for column in columns:
        chosen = column.key == key and bool(column.order_by)
        turned = f"-{column.key}" if chosen and not descending else column.key
        heads.append(
            Head(
                label=str(column.label),
                number=column.number,
                hidden_label=column.hidden_label,
                url=with_query(request, sort=turned, page=None) if column.order_by else "",
                aria_sort=("descending" if descending else "ascending") if chosen else "",
            )
        )
    return Sorting(columns, key, descending, tuple(heads))
