"""The addresses of the site as a browser can open them, with things of the invented scenario where one is asked for."""

from collections.abc import Callable
from typing import Any

from django.urls import reverse

from tests.architecture.url_table import PAGES, Page

# Not pages: files to download, an answer for machines, parts of a page.
FILES = {
    "fleet:attachment-download",
    "fleet:import-export",
    "fleet:import-template",
    "fleet:import-faults",
    "readiness:rules-template",
    "readiness:bay-calendar-feed",
    "readiness:bay-plan-progress",
    "readiness:sweep-progress",
    "readiness:unit-transport-pdf",
    "readiness:transport-load-pdf",
    "readiness:bank-charge-card-pdf",
    "healthz",
}


def unit() -> list[Any]:
    return ["F-02"]  # with a running charge, so that each of its forms has something to show


def bank() -> list[Any]:
    from fleet.models import BankStay

    return [BankStay.objects.current().filter(unit__tag="F-02").order_by("position")[0].bank.serial]


def record() -> list[Any]:
    from readiness.models import Reading

    newest = Reading.objects.filter(bank__stays__unit__tag="F-02").counting().order_by("-happened_at")
    return ["reading", newest[0].pk]


def lot() -> list[Any]:
    from inventory.models import Balance

    here = Balance.objects.filter(place__code="LIS", qty__gt=0, lot__item__code="DPD-1").order_by("pk")
    return [here[0].lot_id]


def order() -> list[Any]:
    from inventory.models import Order

    return [Order.objects.filter(state="sent").order_by("code")[0].code]


def order_line() -> list[Any]:
    from inventory.models import OrderLine

    line = OrderLine.objects.filter(order__place__code="LIS").order_by("-pk")[0]
    return [line.order.code, line.pk]


def supplier() -> list[Any]:
    return ["FJO"]


def extension() -> list[Any]:
    from inventory.models import LifeExtension

    made = LifeExtension.objects.order_by("pk")[0]
    return [made.lot_id, made.pk]


def movement() -> list[Any]:
    from inventory.models import Movement

    latest = Movement.objects.filter(kind="issue", from_place__code="LIS", lot__item__code="HTH-65")
    return [latest.order_by("-happened_at")[0].pk]


def item() -> list[Any]:
    return ["HTH-65"]


def alert() -> list[Any]:
    from readiness.models import Alert

    return [Alert.objects.filter(cleared_at=None, depot__code="LIS").order_by("pk")[0].pk]


def logger() -> list[Any]:
    """The first one of the scenario."""
    from readiness.models import BankLogger

    return [BankLogger.objects.order_by("bank__serial")[0].bank_id]


def logger_key() -> list[Any]:
    from readiness.models import LoggerKey

    return [LoggerKey.objects.order_by("pk")[0].pk]


def sample_post() -> list[Any]:
    from readiness.models import SamplePost

    return [SamplePost.objects.filter(kept__gt=0).order_by("pk")[0].pk]


def depot() -> list[Any]:
    return ["LIS"]


def bay() -> list[Any]:
    from readiness.models import ChargerBay

    return ["LIS", ChargerBay.objects.filter(place__code="LIS", valid_to=None).order_by("name")[0].pk]


def setting() -> list[Any]:
    place, pk = bay()
    return [place, "bay", pk]


def kept_chemistry() -> list[Any]:
    return ["LIS", "lfp"]


def odd_day() -> list[Any]:
    from readiness.models import CrewDay

    return ["LIS", CrewDay.objects.filter(place__code="LIS").order_by("-day")[0].pk]


def bay_plan() -> list[Any]:
    """A draft of the Lisbon depot, made here: the scenario publishes none."""
    from fleet.models import Place
    from readiness.models import BayPlan
    from readiness.services.bay_plans import bay_plan_compute

    there = BayPlan.objects.filter(place__code="LIS", lines__isnull=False).order_by("pk").first()
    plan = there or bay_plan_compute(place=Place.objects.get(code="LIS"), actor=None)
    return ["LIS", plan.pk]


def bay_line() -> list[Any]:
    """One that has not begun, so that its form is looked at; the form of the end is that of every charge."""
    from readiness.models import BayPlanLine

    place, plan = bay_plan()
    lines = BayPlanLine.objects.filter(plan=plan, charge=None).order_by("starts_at", "pk")
    return [place, lines[0].pk]


def bay_calendar() -> list[Any]:
    from fleet.models import Place
    from readiness.services.bay_calendars import bay_calendar_renew

    return [bay_calendar_renew(place=Place.objects.get(code="LIS"), actor=None)]


def unit_form() -> list[Any]:
    """A packed form in which something differs from the design, where there is one."""
    from fleet.models import PackedForm, UnitForm

    own = UnitForm.objects.filter(unit__home__code="LIS", valid_to=None).order_by("pk").first()
    if own is not None:
        return [own.unit.tag, own.packed_form.code]
    form = PackedForm.objects.filter(design__units__tag="F-02").order_by("code")[0]
    return ["F-02", form.code]


def rule_edition() -> list[Any]:
    """Loaded here, with its list of changes: the scenario has none of its own."""
    from fleet.models import RuleEdition, User
    from fleet.services.editions import edition_count
    from tests.editions import air_edition

    there = RuleEdition.objects.first()
    if there is None:
        there = edition_count(edition=air_edition(User.objects.get(username="admin")))
    return [there.pk]


THINGS: dict[str, Callable[[], list[Any]]] = {
    each.__name__: each
    for each in (
        unit,
        bank,
        bay_plan,
        bay_line,
        bay_calendar,
        record,
        lot,
        movement,
        order,
        order_line,
        supplier,
        extension,
        item,
        alert,
        logger,
        logger_key,
        sample_post,
        depot,
        rule_edition,
        unit_form,
        bay,
        setting,
        odd_day,
        kept_chemistry,
    )
}
MADE_BY_A_JOURNEY = {"import_run"}  # looked at where the journey has made one


def pages() -> dict[str, Page]:
    """Every address that a person may open in a browser, by its name."""
    return {
        name: page
        for name, page in PAGES.items()
        if page.get and name not in FILES and page.args not in MADE_BY_A_JOURNEY
    }


def address(name: str, page: Page) -> str:
    return reverse(name, args=THINGS[page.args]() if page.args else [])
