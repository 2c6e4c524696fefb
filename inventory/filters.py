"""Filters of the stores lists; each is a key in the address bar."""

from __future__ import annotations

import datetime as dt
from typing import Any

import django_filters
from django import forms
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import Place, Unit
from inventory.models import (
    Balance,
    GoodsKind,
    Item,
    Lot,
    Movement,
    Order,
    OrderLine,
    PartDebt,
    Supplier,
)
from inventory.selectors.stock import usable_on

SEARCH = forms.TextInput(attrs={"type": "search"})
DAY = forms.DateInput(attrs={"type": "date"})
DAY_LONG = dt.timedelta(days=1)
EXPIRED = "expired"
UNKNOWN = "unknown"
USABLE = "usable"


def stocked_places(_request: Any) -> QuerySet[Place]:
    """Place by place, not balance by balance: there are few of the ones and very many of the others."""
    return Place.objects.filter(Exists(Balance.objects.filter(place=OuterRef("pk"))))


def lots_named(word: str) -> QuerySet[Any]:
    """Keys of the lots with a word in their item's name or code, their own code or their serial; asked once a word."""
    named = Lot.objects.filter(
        Q(item__name__icontains=word)
        | Q(item__code__icontains=word)
        | Q(code__icontains=word)
        | Q(serial__icontains=word)
    )
    return named.order_by().values("pk")


def units_named(word: str) -> QuerySet[Any]:
    return Unit.objects.filter(tag__icontains=word).order_by().values("pk")


class StockFilter(django_filters.FilterSet):
    """Lots where they lie. Needs `today` to tell what is expired."""

    q = django_filters.CharFilter(label=_("Item, code, lot or serial"), method="search", widget=SEARCH)
    place = django_filters.ModelChoiceFilter(
        label=_("Place"), queryset=stocked_places, to_field_name="code", empty_label=_("any")
    )
    where = django_filters.ChoiceFilter(
        label=_("Where"),
        method="whereabouts",
        empty_label=_("in the stores"),
        choices=[("aboard", _("aboard units")), ("all", _("both"))],
    )
    status = django_filters.ChoiceFilter(
        label=_("Status"),
        method="in_status",
        empty_label=_("any"),
        choices=[
            (USABLE, _("usable")),
            (EXPIRED, _("expired")),
            (UNKNOWN, _("expiry not known")),
            (Lot.Status.QUARANTINE, _("in quarantine")),
            (Lot.Status.RECALLED, _("recalled")),
        ],
    )
    within = django_filters.NumberFilter(
        label=_("Expiring within, days"),
        method="expiring",
        min_value=0,
        max_value=3650,
        widget=forms.NumberInput(attrs={"min": 0, "max": 3650, "inputmode": "numeric"}),
    )

    class Meta:
        model = Balance
        fields: list[str] = []

    def __init__(self, *args: Any, today: dt.date, **kwargs: Any) -> None:
        self.today = today
        super().__init__(*args, **kwargs)

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        if not self.form.cleaned_data.get("where"):
            queryset = queryset.filter(place__isnull=False)
        return super().filter_queryset(queryset)

    def search(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        for word in value.split():
            queryset = queryset.filter(Q(lot__in=lots_named(word)) | Q(unit__in=units_named(word)))
        return queryset

    def whereabouts(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return queryset.filter(unit__isnull=False) if value == "aboard" else queryset

    def in_status(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        if value == USABLE:
            return queryset.filter(usable_on(self.today))
        if value == EXPIRED:
            return queryset.filter(lot__expires_on__lt=self.today)
        if value == UNKNOWN:
            return queryset.filter(lot__expires_on__isnull=True, lot__no_expiry=False, lot__item__dated=True)
        return queryset.filter(lot__status=value)

    def expiring(self, queryset: QuerySet[Any], name: str, value: Any) -> QuerySet[Any]:
        return queryset.filter(lot__expires_on__lte=self.today + dt.timedelta(days=int(value)))


class ItemFilter(django_filters.FilterSet):
    """Items, with what there is of each. `by` keeps the address on this list."""

    by = django_filters.CharFilter(method="as_it_is", widget=forms.HiddenInput)
    q = django_filters.CharFilter(label=_("Item or code"), method="search", widget=SEARCH)
    kind = django_filters.ChoiceFilter(label=_("Kind"), choices=Item.Kind.choices, empty_label=_("any"))
    stock = django_filters.ChoiceFilter(
        label=_("Stock"),
        method="in_stock",
        empty_label=_("any"),
        choices=[("usable", _("some usable")), ("none", _("none usable")), ("bad", _("some not usable"))],
    )

    class Meta:
        model = Item
        fields: list[str] = []

    def search(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        for word in value.split():
            queryset = queryset.filter(Q(name__icontains=word) | Q(code__icontains=word))
        return queryset

    def as_it_is(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return queryset

    def in_stock(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        if value == "usable":
            return queryset.filter(usable_qty__gt=0)
        if value == "none":
            return queryset.filter(usable_qty=0)
        return queryset.filter(unusable_qty__gt=0)


class ItemGoodsFilter(django_filters.FilterSet):
    """What items are to the transport rules; those of which nobody has said unless others are asked for."""

    q = django_filters.CharFilter(label=_("Item or code"), method="search", widget=SEARCH)
    said = django_filters.ChoiceFilter(
        label=_("It is"),
        method="as_said",
        empty_label=_("nobody has said"),
        choices=[("any", _("said, whatever it is")), *GoodsKind.choices, ("all", _("all items"))],
    )
    where = django_filters.ChoiceFilter(
        label=_("Where"),
        method="travelling",
        empty_label=_("anywhere"),
        choices=[("travels", _("aboard a unit or in a kit"))],
    )

    class Meta:
        model = Item
        fields: list[str] = []

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        if not self.form.cleaned_data.get("said"):
            queryset = queryset.filter(goods__isnull=True)
        return super().filter_queryset(queryset)

    def search(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        for word in value.split():
            queryset = queryset.filter(Q(name__icontains=word) | Q(code__icontains=word))
        return queryset

    def as_said(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        if value == "all":
            return queryset
        return queryset.filter(goods__isnull=False) if value == "any" else queryset.filter(goods__kind=value)

    def travelling(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return queryset.filter(Q(is_aboard=True) | Q(in_kit=True))


class MovementFilter(django_filters.FilterSet):
    q = django_filters.CharFilter(label=_("Item, lot, unit or reason"), method="search", widget=SEARCH)
    kind = django_filters.ChoiceFilter(label=_("Kind"), choices=Movement.Kind.choices, empty_label=_("any"))
    place = django_filters.ModelChoiceFilter(
        label=_("Place"),
        queryset=stocked_places,
        to_field_name="code",
        empty_label=_("any"),
        method="from_or_to",
    )
    first = django_filters.DateFilter(label=_("From"), method="since", widget=DAY)
    last = django_filters.DateFilter(label=_("Through"), method="through", widget=DAY)
    standing = django_filters.ChoiceFilter(
        label=_("Standing"),
        method="counts",
        empty_label=_("all lines"),
        choices=[("counts", _("what counts")), ("reversed", _("reversed"))],
    )

    class Meta:
        model = Movement
        fields: list[str] = []

    def search(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        for word in value.split():
            units = units_named(word)
            queryset = queryset.filter(
                Q(lot__in=lots_named(word))
                | Q(from_unit__in=units)
                | Q(to_unit__in=units)
                | Q(reason__icontains=word)
            )
        return queryset

    def since(self, queryset: QuerySet[Any], name: str, value: dt.date) -> QuerySet[Any]:
        return queryset.filter(happened_at__gte=_begin_of(value))

    def through(self, queryset: QuerySet[Any], name: str, value: dt.date) -> QuerySet[Any]:
        return (
            queryset if value == dt.date.max else queryset.filter(happened_at__lt=_begin_of(value + DAY_LONG))
        )

    def from_or_to(self, queryset: QuerySet[Any], name: str, value: Place) -> QuerySet[Any]:
        return queryset.filter(Q(from_place=value) | Q(to_place=value))

    def counts(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        # Reversals are few: named once, they need not be looked for again at each movement.
        taken_back = Movement.objects.filter(reverses__isnull=False).order_by().values("reverses")
        if value == "reversed":
            return queryset.filter(pk__in=taken_back)
        return queryset.exclude(kind=Movement.Kind.REVERSAL).exclude(pk__in=taken_back)


def _begin_of(day: dt.date) -> dt.datetime:
    """The first instant of a day in the zone in force: an instant is found by an index, the date of an instant is not."""
    return timezone.make_aware(dt.datetime.combine(day, dt.time.min))


def depots(_request: Any) -> QuerySet[Place]:
    return Place.objects.filter(kind=Place.Kind.DEPOT).order_by("name")


class DebtFilter(django_filters.FilterSet):
    """Debts between units; the open ones unless others are asked for."""

    q = django_filters.CharFilter(label=_("Unit, item or bank"), method="search", widget=SEARCH)
    depot = django_filters.ModelChoiceFilter(
        label=_("Depot of either unit"),
        queryset=depots,
        to_field_name="code",
        empty_label=_("any"),
        method="of_depot",
    )
    state = django_filters.ChoiceFilter(
        label=_("State"),
        method="in_state",
        empty_label=_("open"),
        choices=[("settled", _("settled")), ("all", _("both"))],
    )

    class Meta:
        model = PartDebt
        fields: list[str] = []

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        if not self.form.cleaned_data.get("state"):
            queryset = queryset.filter(settled_at__isnull=True)
        return super().filter_queryset(queryset)

    def search(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        for word in value.split():
            queryset = queryset.filter(
                Q(owed_to__tag__icontains=word)
                | Q(given_to__tag__icontains=word)
                | Q(item__name__icontains=word)
                | Q(item__code__icontains=word)
                | Q(bank__serial__icontains=word)
            )
        return queryset

    def of_depot(self, queryset: QuerySet[Any], name: str, value: Place) -> QuerySet[Any]:
        return queryset.filter(Q(owed_to__home=value) | Q(given_to__home=value))

    def in_state(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return queryset.filter(settled_at__isnull=False) if value == "settled" else queryset


class OrderFilter(django_filters.FilterSet):
    """Orders; those that stand unless others are asked for. Needs `today` to tell what is late."""

    q = django_filters.CharFilter(label=_("Order, item or their number"), method="search", widget=SEARCH)
    supplier = django_filters.ModelChoiceFilter(
        label=_("Supplier"),
        queryset=lambda _request: Supplier.objects.all(),
        to_field_name="code",
        empty_label=_("any"),
    )
    depot = django_filters.ModelChoiceFilter(
        field_name="place", label=_("Depot"), queryset=depots, to_field_name="code", empty_label=_("any")
    )
    state = django_filters.ChoiceFilter(
        label=_("State"),
        method="in_state",
        empty_label=_("not ended"),
        choices=[
            *Order.State.choices[:4],
            ("begun", _("part received")),
            ("late", _("late")),
            *Order.State.choices[4:],
            ("all", _("all orders")),
        ],
    )

    class Meta:
        model = Order
        fields: list[str] = []

    def __init__(self, *args: Any, today: dt.date, **kwargs: Any) -> None:
        self.today = today
        super().__init__(*args, **kwargs)

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        if not self.form.cleaned_data.get("state"):
            queryset = queryset.exclude(state__in=[Order.State.CLOSED, Order.State.CANCELLED])
        return super().filter_queryset(queryset)

    def search(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        for word in value.split():
            lines = OrderLine.objects.filter(Q(item__name__icontains=word) | Q(item__code__icontains=word))
            queryset = queryset.filter(
                Q(code__icontains=word)
                | Q(their_ref__icontains=word)
                | Q(pk__in=lines.order_by().values("order"))
            )
        return queryset

    def in_state(self, queryset: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        if value == "all":
            return queryset
        going = queryset.filter(state__in=[Order.State.SENT, Order.State.CONFIRMED])
        if value == "begun":
            return going.filter(begun=True)
        if value == "late":
            return going.filter(due_on__lt=self.today)
        return queryset.filter(state=value)
