"""Who may see and change what. The gates are the only way a view gets an object for a user.

What a user may not know of answers 404; what a user may see but not change answers 403.
Every signed-in user with any membership may see every depot of the pool: units are lent between depots, and a
dispatcher must see all. Changing is bound to role and depot. A user without a membership sees nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import wraps
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db.models import F
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404

from fleet.models import BankStay, BatteryBank, Membership, Place, Unit, User
from fleet.models.office import Role

# What each role may do. `view` is every member's; the words are used by `require` and by the templates.
ROLE_CAN: dict[str, frozenset[str]] = {
    Role.DEPOT_MANAGER: frozenset({"view", "upkeep", "stock", "unit", "import", "sweep", "alert"}),
    Role.DISPATCHER: frozenset({"view", "dispatch", "absence", "alert"}),
    Role.PROCUREMENT: frozenset({"view", "stock", "order", "alert"}),
    Role.VIEWER: frozenset({"view"}),
    Role.ADMINISTRATOR: frozenset(
        {
            "view",
            "upkeep",
            "stock",
            "unit",
            "import",
            "sweep",
            "alert",
            "dispatch",
            "absence",
            "order",
            "admin",
        }
    ),
}


@dataclass(frozen=True)
class Rights:
    """The rights of one user, loaded once per request (one query)."""

    everywhere: frozenset[str] = frozenset()
    by_depot: dict[int, frozenset[str]] = field(default_factory=dict)
    roles: frozenset[str] = frozenset()

    def can(self, what: str, depot_id: int | None = None) -> bool:
        """Whether the user may do `what` in a depot; without one: somewhere at all."""
        if what in self.everywhere:
            return True
        if depot_id is None:
            return any(what in words for words in self.by_depot.values())
        return what in self.by_depot.get(depot_id, frozenset())

    def depots(self, what: str) -> frozenset[int] | None:
        """The depots in which the user may do `what`; None means all of them."""
        if what in self.everywhere:
            return None
        return frozenset(depot for depot, words in self.by_depot.items() if what in words)


def rights_of(user: Any) -> Rights:
    """Load a user's rights. Queries once; keep the answer for the request (`request.rights`)."""
    if not isinstance(user, User) or not user.is_active:
        return Rights()
    everywhere: set[str] = set()
    by_depot: dict[int, set[str]] = {}
    roles: set[str] = set()
    if user.is_superuser:
        everywhere |= ROLE_CAN[Role.ADMINISTRATOR]
        roles.add(Role.ADMINISTRATOR)
    for role, depot_id in Membership.objects.filter(user=user).values_list("role", "depot_id"):
        roles.add(role)
        if depot_id is None:
            everywhere |= ROLE_CAN[role]
        else:
            by_depot.setdefault(depot_id, set()).update(ROLE_CAN[role])
    return Rights(
        everywhere=frozenset(everywhere),
        by_depot={depot: frozenset(words) for depot, words in by_depot.items()},
        roles=frozenset(roles),
    )


def request_rights(request: HttpRequest) -> Rights:
    """The rights of the signed-in user, loaded once per request."""
    rights: Rights | None = getattr(request, "rights", None)
    if rights is None:
        rights = rights_of(request.user)
        request.rights = rights  # type: ignore[attr-defined]
    return rights


def member_required(view: Any) -> Any:
    """Signed in and member of anything; else the sign-in page, or 403 for an account without a membership."""

    @wraps(view)
    @login_required
    def inner(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not request_rights(request).can("view"):
            raise PermissionDenied("Your account has no role yet. Ask an administrator to give you one.")
        response: HttpResponse = view(request, *args, **kwargs)
        return response

    return inner


def require(request: HttpRequest, what: str, depot_id: int | None = None) -> None:
    """Stop with 403 unless the user may do `what` (in that depot)."""
    if not request_rights(request).can(what, depot_id):
        raise PermissionDenied(f"Your role does not include this here ({what}).")


def access_unit(request: HttpRequest, tag: str, *, to: str = "view", related: Iterable[str] = ()) -> Unit:
    """A unit by its tag for this user: 404 if unknown, 403 if it may be seen but not changed."""
    queryset = Unit.objects.select_related("design", "home", *related)
    unit: Unit = get_object_or_404(queryset, tag__iexact=tag)
    if not request_rights(request).can("view"):
        raise Http404
    if to != "view":
        require(request, to, unit.home_id)
    return unit


def access_depot(request: HttpRequest, code: str, *, to: str = "view") -> Place:
    """A depot by its code for this user."""
    place: Place = get_object_or_404(Place, code__iexact=code, kind=Place.Kind.DEPOT)
    if not request_rights(request).can("view"):
        raise Http404
    if to != "view":
        require(request, to, place.pk)
    return place


def depot_of_bank(bank: BatteryBank) -> int | None:
    """Whose rights count for a bank: the home of the unit it sits in, or the place of its shelf; where it was last, if
    it is nowhere now; None if it never was anywhere on file. One query.
    """
    stay = bank_stay_shown(bank)
    if stay is None:
        return None
    return stay.unit.home_id if stay.unit else stay.place_id


def bank_stay_shown(bank: BatteryBank) -> BankStay | None:
    """Where a bank is, or was last. One query."""
    stays = BankStay.objects.filter(bank=bank).select_related("unit__home", "unit__design", "place")
    return stays.order_by(F("ended_at").desc(nulls_first=True), "-started_at").first()


def access_bank(request: HttpRequest, serial: str, *, to: str = "view") -> BatteryBank:
    """A battery bank by its serial for this user: 404 if unknown, 403 if it may be seen but not changed."""
    bank: BatteryBank = get_object_or_404(BatteryBank, serial__iexact=serial)
    if not request_rights(request).can("view"):
        raise Http404
    if to != "view":
        require(request, to, depot_of_bank(bank))
    return bank
