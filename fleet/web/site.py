"""What every page needs: navigation for the person's roles, the depot in view, units and light or dark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils.functional import SimpleLazyObject
from django.utils.translation import gettext_lazy

from fleet.models import Place, User
from fleet.models.office import Role
from fleet.permissions import request_rights

DEPOT_KEY = "depot"


@dataclass(frozen=True)
class NavItem:
    label: Any
    url_name: str
    roles: frozenset[str] = frozenset()


@dataclass(frozen=True)
class NavLink:
    label: str
    url: str
    current: bool


EVERYONE: frozenset[str] = frozenset()
WORKING = frozenset({Role.DEPOT_MANAGER, Role.DISPATCHER, Role.PROCUREMENT, Role.ADMINISTRATOR})
KEEPING = frozenset({Role.DEPOT_MANAGER, Role.ADMINISTRATOR})

# In the order of a working day. An address that does not exist yet is left out without a word.
NAVIGATION: Sequence[NavItem] = (
    NavItem(gettext_lazy("Today"), "readiness:today-show"),
    NavItem(gettext_lazy("Horizon"), "readiness:horizon-show"),
    NavItem(gettext_lazy("Units"), "readiness:unit-list"),
    NavItem(gettext_lazy("Alerts"), "readiness:alert-list"),
    NavItem(gettext_lazy("Charging"), "readiness:charging-choose"),
    NavItem(gettext_lazy("Stores"), "inventory:store-list"),
    NavItem(gettext_lazy("Movements"), "inventory:movement-list"),
    NavItem(gettext_lazy("First weeks"), "readiness:first-weeks", WORKING),
    NavItem(gettext_lazy("Hand-over"), "readiness:handover", WORKING),
    NavItem(gettext_lazy("Sweeps"), "readiness:sweep-list"),
    NavItem(gettext_lazy("Import"), "fleet:import-list", KEEPING),
)


def navigation(request: HttpRequest, roles: frozenset[str]) -> list[NavLink]:
    """The links a person with these roles may follow, with the one that leads here marked."""
    links = []
    for item in NAVIGATION:
        if item.roles and not item.roles & roles:
            continue
        try:
            url = reverse(item.url_name)
        except NoReverseMatch:
            continue
        links.append(NavLink(str(item.label), url, False))
    # Of two addresses that both lead here (the stores, and the movements below them) the longer one is meant.
    here = max((link.url for link in links if leads_to(request.path, link.url)), key=len, default="")
    return [replace(link, current=link.url == here) for link in links]


def leads_to(path: str, url: str) -> bool:
    """Whether a page lies at or below an address of the navigation; only the front page itself lies at ``/``."""
    return path == url if url == "/" else path.startswith(url)


@dataclass(frozen=True)
class Site:
    """Handed to every template as ``site``."""

    signed_in: bool
    navigation: list[NavLink]
    depots: list[Place]
    depot: Place | None
    roles: frozenset[str]
    theme: str
    unit_system: str
    search_url: str
    preference_url: str


def depots_in_view(request: HttpRequest) -> list[Place]:
    """The depots this person may look at, by name, asked for once per request."""
    found: list[Place] | None = getattr(request, "depots_in_view", None)
    if found is None:
        found = []
        if signed_in(request) and request_rights(request).can("view"):
            found = list(Place.objects.filter(kind=Place.Kind.DEPOT, closed_on__isnull=True).order_by("name"))
        request.depots_in_view = found  # type: ignore[attr-defined]
    return found


def signed_in(request: HttpRequest) -> bool:
    user = getattr(request, "user", None)
    return user is not None and user.is_authenticated


def person_of(request: HttpRequest) -> User:
    """The person signed in; only for views behind the sign-in."""
    assert isinstance(request.user, User)
    return request.user


def chosen_depot(request: HttpRequest) -> Place | None:
    """The depot in view: ``?depot=code`` of a shared address first, then the person's last choice; None means all.

    Somebody who never chose and works in one depot only begins with that one.
    """
    depots = depots_in_view(request)
    wanted = request.GET.get(DEPOT_KEY)
    if wanted is None and hasattr(request, "session"):
        wanted = request.session.get(DEPOT_KEY)
    if wanted is not None:
        return next((depot for depot in depots if depot.code == wanted), None)
    own = request_rights(request).depots("view") if depots else None
    if own is not None and len(own) == 1:
        return next((depot for depot in depots if depot.pk in own), None)
    return None


def unit_system(request: HttpRequest) -> str:
    return str(request.user.unit_system) if signed_in(request) else str(User.Units.SI)  # type: ignore[union-attr]


def _site(request: HttpRequest) -> Site:
    here = signed_in(request)
    roles = request_rights(request).roles if here else frozenset()
    theme = request.user.theme if here else User.Theme.AUTO  # type: ignore[union-attr]
    return Site(
        signed_in=here,
        navigation=navigation(request, roles) if here else [],
        depots=depots_in_view(request),
        depot=chosen_depot(request),
        roles=roles,
        theme=str(theme),
        unit_system=unit_system(request),
        search_url=_url_or_empty("fleet:search"),
        preference_url=_url_or_empty("fleet:preference-set"),
    )


def _url_or_empty(name: str) -> str:
    try:
        return reverse(name)
    except NoReverseMatch:
        return ""


def site(request: HttpRequest) -> dict[str, Any]:
    """Context processor; nothing is asked of the database until a template looks at ``site``."""
    return {"site": SimpleLazyObject(lambda: _site(request)), "decision_support": _DECISION_SUPPORT}


_DECISION_SUPPORT = gettext_lazy("Decision support: the maker's manual and local codes decide.")
