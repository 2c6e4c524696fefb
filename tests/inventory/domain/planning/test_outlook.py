"""The table of shelves, and what moves save: worked out by hand in the comments (own examples, no source)."""

from __future__ import annotations

import numpy as np
import pandas as pd

from inventory.domain.netting.columns import Lots, Needs
from inventory.domain.netting.moves import saving_of_moves
from inventory.domain.netting.outlook import savings_by_item, shelf_outlook

DAY0 = pd.Timestamp("2026-11-25")
TODAY = int(DAY0.to_datetime64().astype("datetime64[D]").astype(np.int64))


def day(ahead: float | None) -> pd.Timestamp:
    return pd.NaT if ahead is None else DAY0 + pd.Timedelta(days=ahead)


def lots(*rows) -> tuple[Lots, np.ndarray]:
    """Rows: item, place, quantity, last day from today (None: not known), first day, usable, incoming."""
    names = ["item", "place", "qty", "last_day", "first_day", "usable", "incoming"]
    table = pd.DataFrame([[*row, *[None, True, False][len(row) - 4 :]] for row in rows], columns=names)
    table["lot"] = np.arange(len(table))
    for name in ("last_day", "first_day"):
        table[name] = [day(None if pd.isna(value) else value) for value in table[name]]
    table["usable"] = table["usable"].astype(bool)
    return Lots.read(table), table["incoming"].to_numpy(dtype=bool)


def needs(*rows) -> Needs:
    """Rows: item, place, quantity, day from today."""
    table = pd.DataFrame(rows, columns=["item", "place", "qty", "day"])
    table["day"] = [day(value) for value in table["day"]]
    return Needs.read(table.assign(need=np.arange(len(table))))


def row_of(table: pd.DataFrame, item: int, place: int) -> dict:
    found = table[(table["item"] == item) & (table["place"] == place)]
    assert len(found) == 1
    return found.iloc[0].to_dict()


def test_a_shelf_tells_what_lasts_what_is_short_and_what_is_lost() -> None:
    held, incoming = lots(
        (1, 1, 5, 20),  # two are used on day 10, three expire on day 20
        (1, 1, 4, 400),  # lasts past the horizon
        (1, 1, 3, None),  # nobody knows its date
        (1, 1, 2, 400, None, False),  # in quarantine
        (1, 1, 6, 300, 50, True, True),  # comes on day 50
    )
    asked = needs((1, 1, 2, 10), (1, 1, 12, 60), (1, 1, 99, 366))  # the last lies beyond the horizon
    row = row_of(shelf_outlook(held, incoming, asked, horizon=TODAY + 365), 1, 1)
    assert (row["on_hand"], row["not_usable"], row["usable"], row["incoming"]) == (14, 5, 9, 6)
    assert (row["needed"], row["short"], row["first_short"]) == (14, 2, day(60))
    assert (row["lasts"], row["expires_unused"], row["first_expiry"]) == (6, 3, day(20))
    assert row["expires_incoming"] == 0


def test_what_comes_after_the_day_does_not_serve_it() -> None:
    held, incoming = lots((1, 1, 6, 200, 50, True, True))
    row = row_of(shelf_outlook(held, incoming, needs((1, 1, 4, 49)), horizon=TODAY + 365), 1, 1)
    assert (row["short"], row["first_short"], row["expires_incoming"]) == (4, day(49), 6)


def test_a_shelf_without_lots_and_one_without_needs_have_their_rows() -> None:
    held, incoming = lots((1, 1, 6, 500))
    table = shelf_outlook(held, incoming, needs((1, 2, 4, 5)), horizon=TODAY + 365)
    assert row_of(table, 1, 1)["needed"] == 0
    assert pd.isna(row_of(table, 1, 1)["first_short"])
    assert (row_of(table, 1, 2)["on_hand"], row_of(table, 1, 2)["short"]) == (0, 4)


def routes(days: int) -> pd.DataFrame:
    return pd.DataFrame({"from_place": [1, 2], "to_place": [2, 1], "travel_days": [days, days]})


def test_the_savings_of_the_items_add_up_to_the_saving_of_all() -> None:
    rng = np.random.default_rng(5)
    held, _incoming = lots(
        *[
            (item, rng.integers(1, 3), rng.integers(1, 9), rng.integers(5, 300))
            for item in range(12)
            for _ in "123"
        ]
    )
    asked = needs(
        *[
            (item, rng.integers(1, 3), rng.integers(1, 9), rng.integers(0, 200))
            for item in range(12)
            for _ in "123"
        ]
    )
    span = {"horizon": TODAY + 250, "today": TODAY, "routes": routes(7)}
    all_of = saving_of_moves(held, asked, **span)
    found = savings_by_item(held, asked, np.arange(12), **span)
    assert all_of.short_saved > 0
    assert sum(each.short_saved for each in found.values()) == all_of.short_saved
    assert sum(each.lost_saved for each in found.values()) == all_of.lost_saved
    assert sum(len(each.moves) for each in found.values()) == len(all_of.moves)
    some = savings_by_item(held, asked, np.array([3]), **span)
    assert set(some) <= {3}


def test_a_road_that_is_too_long_saves_nothing() -> None:
    held, _incoming = lots((1, 1, 4, 300))
    asked = needs((1, 2, 4, 10))
    span = {"horizon": TODAY + 365, "today": TODAY}
    near = savings_by_item(held, asked, np.array([1]), routes=routes(10), **span)[1]
    assert (near.short_saved, near.lost_saved, near.moves["leave_by"].tolist()) == (4, 4, [day(0)])
    assert savings_by_item(held, asked, np.array([1]), routes=routes(11), **span) == {}
