"""Walks every address of the site as every person, signed in and not, in their own depot and in another's.

Who may do what stands in `url_table.py`; this file only walks. The admin site is walked by its own rule: staff only.
"""

import datetime as dt
from collections.abc import Iterator
from typing import Any

import pytest
from django.contrib import admin
from django.db import transaction
from django.test import Client
from django.urls import NoReverseMatch, URLPattern, URLResolver, get_resolver, reverse

from fleet.models import ImportRun, Job, UnitForm, User
from inventory.models import Order
from inventory.services.extensions import lot_extend
from readiness.domain.sample_files import SampleFile
from readiness.models import BankLogger, BayPlanLine, CrewDay
from readiness.services.bay_calendars import bay_calendar_renew
from readiness.services.bay_plans import bay_plan_compute
from readiness.services.loggers import logger_key_create
from readiness.services.samples import samples_take
from tests.architecture.url_table import EVERYBODY, PAGES, Page
from tests.cast import Cast
from tests.editions import air_edition
from tests.factories.bay_depot import equip
from tests.factories.fleet import (
    NOW,
    TODAY,
    AttachmentFactory,
    BankFactory,
    BlockFactory,
    PackedFormFactory,
    UnitFactory,
)
from tests.factories.inventory import ItemFactory, aboard, in_store, order_for
from tests.factories.readiness import (
    AlertFactory,
    ChargerBayFactory,
    FaultFactory,
    OpenChargeFactory,
    ReadingFactory,
)

OWN_RULES = ("admin:", "api:")  # the API asks for a key: tests/readiness/test_api.py
DONE = {200, 302, 400, 409, 422}  # the form was taken, or refused with a sentence
KEPT_OUT = {403, 404}


def addresses(patterns: list[Any], spaces: str = "") -> Iterator[str]:
    """The names of all addresses below these patterns, with their namespaces."""
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            inner = f"{spaces}{pattern.namespace}:" if pattern.namespace else spaces
            yield from addresses(pattern.url_patterns, inner)
        elif isinstance(pattern, URLPattern):
            yield f"{spaces}{pattern.name or pattern.pattern}"


ALL = sorted(set(addresses(get_resolver().url_patterns)))
OURS = [name for name in ALL if not name.startswith(OWN_RULES)]


def test_every_address_has_its_line_in_the_table() -> None:
    missing = [name for name in OURS if name not in PAGES]
    assert not missing, f"add a line to tests/architecture/url_table.py for: {', '.join(missing)}"


def test_every_line_of_the_table_is_an_address() -> None:
    gone = [name for name in PAGES if name not in ALL]
    assert not gone, f"no such address any more, take the line out: {', '.join(gone)}"


class Things:
    """What addresses are about, all of the north depot; a method a thing, built when first asked for."""

    def __init__(self, cast: Cast) -> None:
        self.cast = cast
        self.a_unit = UnitFactory(tag="NORTH-1", home=cast.north)
        self.a_bank = BankFactory(unit=self.a_unit)
        UnitFactory(tag="SOUTH-1", home=cast.south)

    def unit(self) -> list[Any]:
        OpenChargeFactory(bank=self.a_bank)
        FaultFactory(unit=self.a_unit)
        return [self.a_unit.tag]

    def depot(self) -> list[Any]:
        return [self.cast.north.code]

    def bay(self) -> list[Any]:
        return [self.cast.north.code, ChargerBayFactory(place=self.cast.north).pk]

    def setting(self) -> list[Any]:
        return [self.cast.north.code, "bay", ChargerBayFactory(place=self.cast.north).pk]

    def kept_chemistry(self) -> list[Any]:
        """A lithium bank is at home in the north depot."""
        BankFactory(unit=UnitFactory(home=self.cast.north), chemistry="lfp")
        return [self.cast.north.code, "lfp"]

    def odd_day(self) -> list[Any]:
        return [
            self.cast.north.code,
            CrewDay.objects.create(place=self.cast.north, day=TODAY, reason="count").pk,
        ]

    def bank(self) -> list[Any]:
        """On a shelf of the north depot, with a block in it."""
        bank = BankFactory(place=self.cast.north, serial="SHELF/1")
        BlockFactory(bank=bank, position="1")
        return [bank.serial]

    def unit_form(self) -> list[Any]:
        """A packed form of the unit in which something differs from the design."""
        form = PackedFormFactory(design=self.a_unit.design, code="skid/1")
        UnitForm.objects.create(
            unit=self.a_unit, packed_form=form, mass_kg=2000.0, reason="weighed", valid_from=TODAY
        )
        return [self.a_unit.tag, form.code]

    def record(self) -> list[Any]:
        return ["reading", ReadingFactory(bank=self.a_bank).pk]

    def attachment(self) -> list[Any]:
        return [AttachmentFactory(unit=self.a_unit).pk]

    def import_run(self) -> list[Any]:
        """Brought in by the manager of the north depot; it changes a unit of the north depot."""
        file, whose = AttachmentFactory(), {"depots": [self.cast.north.pk], "pool": False}
        preview = {"fault_file": file.pk, "whose": whose}
        return [ImportRun.objects.create(file=file, preview=preview, created_by=self.cast.nora).pk]

    def template(self) -> list[Any]:
        return ["units", "csv"]

    def export(self) -> list[Any]:
        return ["packed_forms", "csv"]

    def rule_table(self) -> list[Any]:
        return ["editions"]

    def rule_edition(self) -> list[Any]:
        """Loaded by the administrator; it waits for somebody else."""
        return [air_edition(self.cast.ada).pk]

    def sweep_job(self) -> list[Any]:
        return [Job.objects.create(kind="sweep", place=self.cast.north).pk]

    def bay_plan(self) -> list[Any]:
        """A draft of the north depot, with one bay and nothing to charge but the bank of its unit."""
        equip(self.cast.north, bays=1)
        return [self.cast.north.code, bay_plan_compute(place=self.cast.north, actor=None).pk]

    def bay_line(self) -> list[Any]:
        code, pk = self.bay_plan()
        return [code, BayPlanLine.objects.filter(plan=pk)[0].pk]

    def bay_calendar(self) -> list[Any]:
        return [bay_calendar_renew(place=self.cast.north, actor=None)]

    def logger(self) -> list[Any]:
        """Of a bank of the north depot, by the key of the bank."""
        BankLogger.objects.create(bank=self.a_bank)
        return [self.a_bank.pk]

    def logger_key(self) -> list[Any]:
        """Made by the manager of the north depot."""
        return [logger_key_create(user=self.cast.nora, name="gateway", bank=None, actor=self.cast.nora)[0].pk]

    def sample_post(self) -> list[Any]:
        rows = [{"bank": self.a_bank.serial, "at": NOW.isoformat(), "temp_c": 12}]
        taken = samples_take(file=SampleFile(rows), how="api", actor=self.cast.nora, rights=None, now=NOW)
        return [taken.post.pk]

    def lot(self) -> list[Any]:
        return [aboard(self.a_unit, 2).pk]

    def extension(self) -> list[Any]:
        """Of a lot aboard a unit of the north depot."""
        lot = aboard(self.a_unit, 2, item=ItemFactory(extendable=True))
        made = lot_extend(
            lot=lot,
            to_expires_on=TODAY + dt.timedelta(days=999),
            tested_on=TODAY,
            paper="Laboratory 1",
            signer="A. Chemist",
            today=TODAY,
            actor=None,
            now=NOW,
        )
        return [lot.pk, made.pk]

    def item(self) -> list[Any]:
        return [ItemFactory(code="CART/5").code]

    def order(self) -> list[Any]:
        """For the north depot, with one line."""
        return [self.an_order().code]

    def order_line(self) -> list[Any]:
        order = self.an_order()
        return [order.code, order.lines.get().pk]

    def supplier(self) -> list[Any]:
        return [self.an_order().supplier.code]

    def an_order(self) -> Order:
        order: Order = order_for(self.cast.north)
        return order

    def movement(self) -> list[Any]:
        return [in_store(3, place=self.cast.north).movements.get().pk]

    def alert(self) -> list[Any]:
        return [AlertFactory(unit=self.a_unit).pk]


def ask(user: User | None, url: str, method: str) -> int:
    """The status of one request; what it wrote is undone."""
    client = Client()
    if user is not None:
        client.force_login(user)
    with transaction.atomic():
        response = client.generic(method.upper(), url)
        transaction.set_rollback(True)
    if response.status_code == 302 and user is None and "/accounts/login/" in response.headers["Location"]:
        return 401
    return int(response.status_code)


def expected(page: Page, who: str, method: str) -> set[int]:
    allowed = page.who_post if method == "post" and page.who_post is not None else page.who
    if not getattr(page, method):
        return {405} if who in allowed else {401, 405} | KEPT_OUT
    if who == "unsigned" and who not in allowed:
        return {401}
    if who in allowed:
        return set(page.answers) if method == "get" else DONE
    return KEPT_OUT


@pytest.mark.django_db
@pytest.mark.parametrize("name", [name for name in OURS if name in PAGES])
def test_each_person_gets_what_the_table_says(name: str, cast: Cast) -> None:
    page = PAGES[name]
    url = reverse(name, args=getattr(Things(cast), page.args)() if page.args else [])
    wrong = []
    for who, user in {**cast.roles(), "unsigned": None}.items():
        for method in ("get", "post"):
            status = ask(user, url, method)
            if status not in expected(page, who, method):
                wrong.append(f"{who} {method} {url}: {status}, not {expected(page, who, method)}")
    assert not wrong, "\n".join(wrong)


def test_the_table_knows_only_people_of_the_cast(cast: Cast) -> None:
    known = {*cast.roles(), "unsigned"}
    assert known == EVERYBODY
    for name, page in PAGES.items():
        assert page.who | (page.who_post or frozenset()) <= known, name


@pytest.mark.django_db
def test_the_admin_site_is_for_staff_alone(cast: Cast) -> None:
    staff = User.objects.create(username="root", is_staff=True, is_superuser=True)
    lists = [
        reverse(f"admin:{model._meta.app_label}_{model._meta.model_name}_changelist")
        for model in admin.site._registry
    ]
    for url in [reverse("admin:index"), *lists]:
        assert ask(staff, url, "get") == 200, url
        for who, user in {**cast.roles(), "unsigned": None}.items():
            assert ask(user, url, "get") in {302, 403}, (who, url)


def test_the_walk_sees_nested_addresses() -> None:
    assert "admin:index" in ALL
    assert "login" in ALL
    with pytest.raises(NoReverseMatch):
        reverse("no-such-address")
