"""A process of its own that works on the stores: `seed` makes them, `storm` moves stock from several threads at once.

Run by `test_concurrency.py` with the database named in the environment.
"""

from __future__ import annotations

import json
import os
import random
import sys
import threading
import uuid
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")

THREADS = 3
ROUNDS = 12
NAMESPACE = uuid.UUID("6f0c2a52-7f07-4a57-9d1e-6a3f4a1c9b10")


def seed() -> dict[str, Any]:
    from django.core.management import call_command

    from tests.factories.fleet import DepotFactory, UnitFactory
    from tests.factories.inventory import LampFactory, in_store, with_position

    call_command("migrate", verbosity=0)
    place = DepotFactory()
    unit = UnitFactory(home=place)
    item = LampFactory(dated=False)
    with_position(unit, item, "lamp 1")
    lots = [in_store(30, place=place, item=item) for _ in range(3)]
    return {"place": place.pk, "unit": unit.pk, "lots": [lot.pk for lot in lots]}


def storm(stores: dict[str, Any], name: str) -> dict[str, int]:
    from collections import Counter

    from django.db import connection

    from fleet.models import Place, Unit
    from inventory.domain.errors import PositionTaken, StockError, TooLittle
    from inventory.models import Lot
    from inventory.services.ledger import part_fit, part_remove, stock_issue, stock_issue_many, stock_use
    from tests.factories.fleet import NOW, ago

    place, unit = Place.objects.get(pk=stores["place"]), Unit.objects.get(pk=stores["unit"])
    lots = {lot.pk: lot for lot in Lot.objects.select_related("item").filter(pk__in=stores["lots"])}
    told: Counter[str] = Counter()
    lock = threading.Lock()
    everyone = threading.Barrier(THREADS)

    def note(what: str, by: int = 1) -> None:
        with lock:
            told[what] += by

    def work(thread: int) -> None:
        dice = random.Random(f"{name}-{thread}")
        who: dict[str, Any] = {"actor": None, "now": NOW}
        try:
            everyone.wait(timeout=60)
            for turn in range(ROUNDS):
                first, second = dice.sample(sorted(lots), 2)
                try:
                    picks = [(lots[first], 1), (lots[second], 1)]
                    stock_issue_many(picks=picks, place=place, unit=unit, happened_at=ago(5), **who)
                    note("issued", 2)
                    # Every process and thread sends this very form: it must count once.
                    stock_issue(
                        lot=lots[min(lots)],
                        qty=1,
                        place=place,
                        unit=unit,
                        happened_at=ago(4),
                        token=uuid.uuid5(NAMESPACE, str(turn)),
                        **who,
                    )
                    lot = lots[dice.choice(sorted(lots))]
                    part = part_fit(
                        lot=lot, unit=unit, position="lamp 1", happened_at=ago(3), new_piece=True, **who
                    )
                    note("fitted")
                    part_remove(part=part, happened_at=ago(3), scrap=True, **who)
                    note("scrapped")
                except TooLittle:
                    note("too little")
                    stock_use(lot=lots[first], qty=1, unit=unit, happened_at=ago(2), **who)
                    note("used")
                except PositionTaken:
                    note("taken")
        except StockError as error:
            note(f"refused {error.key}")
        except Exception as error:
            note(f"{type(error).__name__}: {error}")
        finally:
            connection.close()

    threads = [threading.Thread(target=work, args=(number,)) for number in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return dict(told)


def check(stores: dict[str, Any]) -> dict[str, Any]:
    from inventory.models import Balance, FittedPart, Movement
    from inventory.selectors.ledger_check import ledger_differences

    mine = Movement.objects.filter(lot_id__in=stores["lots"])
    shared = [uuid.uuid5(NAMESPACE, str(turn)) for turn in range(ROUNDS)]
    return {
        "differences": [str(difference) for difference in ledger_differences()],
        "issued": mine.filter(kind="issue").exclude(token__in=shared).count(),
        "once": mine.filter(token__in=shared).count(),
        "used": mine.filter(kind="use").count(),
        "scrapped": mine.filter(kind="scrap").count(),
        "fitted": mine.filter(kind="fit").count(),
        "in position": FittedPart.objects.filter(removed_at=None).count(),
        "below zero": Balance.objects.filter(qty__lt=0).count(),
    }


if __name__ == "__main__":
    django.setup()
    command, argument = sys.argv[1], json.loads(sys.argv[2])
    answer = {
        "seed": lambda: seed(),
        "storm": lambda: storm(argument["stores"], argument["name"]),
        "check": lambda: check(argument["stores"]),
    }[command]()
    print(json.dumps(answer))
