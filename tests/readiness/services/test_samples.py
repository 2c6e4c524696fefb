"""Samples brought in: kept once, refused row by row, the same state whatever the order and however they were parted."""

import datetime as dt
import json
import math
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from fleet.lib.errors import DomainError
from fleet.permissions import rights_of
from readiness.domain.sample_files import SampleFile, read_samples
from readiness.models import BankLogger, JudgementDue, Sample, SampleDay, SamplePost
from readiness.services.samples import samples_look, samples_take, samples_take_back
from tests.cast import Cast
from tests.factories.fleet import NOW, BankFactory, UnitFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]

START = NOW.replace(hour=0, minute=0, second=0, microsecond=0) - dt.timedelta(days=20)


def row(serial: str, minutes: float, **values: Any) -> dict[str, Any]:
    at = START + dt.timedelta(minutes=minutes)
    return {"bank": serial, "at": at.isoformat(), **(values or {"temp_c": 12.0})}


def take(rows: list[Any], **more: Any) -> Any:
    more = {"how": "api", "actor": None, "rights": None, "now": NOW, **more}
    return samples_take(file=SampleFile(rows), **more)


def hours(serial: str, count: int, every_h: float = 1.0) -> list[dict[str, Any]]:
    return [
        row(serial, 60 * every_h * n, volts_v=25.6, current_a=0.0, temp_c=10.0 + 0.5 * (n % 7))
        for n in range(count)
    ]


def test_what_is_sent_is_kept_and_its_days_are_made() -> None:
    bank = BankFactory(serial="B-1")
    taken = take(hours("b-1", 72))
    assert (taken.rows, taken.kept, taken.known, taken.refused, taken.conflicts) == (72, 72, 0, 0, 0)
    assert Sample.objects.filter(bank=bank).count() == 72
    days = list(SampleDay.objects.filter(bank=bank).order_by("day"))
    assert [day.samples for day in days] == [24, 24, 24]
    assert days[0].quarters == 4
    assert days[0].mean_c == pytest.approx(np.mean([10.0 + 0.5 * (n % 7) for n in range(24)]))
    assert (days[0].low_c, days[0].high_c) == (10.0, 13.0)
    assert days[0].rest_v is None  # a gel bank has not rested 24 h by then
    assert days[1].rest_v == 25.6
    assert days[1].rest_h == 36.0  # told at most
    logger = BankLogger.objects.get(bank=bank)
    assert logger.last_at == START + dt.timedelta(hours=71)
    assert (logger.kept, logger.known) == (72, 0)


def test_the_same_again_answers_how_many_were_known() -> None:
    BankFactory(serial="B-1")
    rows = hours("B-1", 30)
    take(rows)
    before = list(Sample.objects.order_by("at").values("bank", "at", "temp_c", "volts_v"))
    again = take([*rows, row("B-1", 60 * 30)])
    assert (again.kept, again.known, again.conflicts) == (1, 30, 0)
    assert list(Sample.objects.order_by("at").values("bank", "at", "temp_c", "volts_v"))[:30] == before
    assert SamplePost.objects.count() == 2


def test_other_values_for_the_same_instant_are_a_conflict_and_what_is_on_file_stays() -> None:
    bank = BankFactory(serial="B-1")
    take([row("B-1", 0, temp_c=12.0, volts_v=25.1)])
    taken = take([row("B-1", 0, temp_c=12.5, volts_v=25.1), row("B-1", 5, temp_c=12.5)])
    assert (taken.kept, taken.known, taken.conflicts) == (1, 0, 1)
    assert taken.faults[0].key == "sample.conflict"
    assert "B-1 has other values on file" in taken.faults[0].message
    assert Sample.objects.get(bank=bank, at=START).temp_c == 12.0
    logger = BankLogger.objects.get(bank=bank)
    assert (logger.kept, logger.known, logger.conflicts, logger.refused) == (2, 0, 1, 0)
    twice = take([row("B-1", 9, temp_c=1.0), row("B-1", 9, temp_c=2.0), row("B-1", 9, temp_c=1.0)])
    assert (twice.kept, twice.known, twice.conflicts) == (1, 1, 1)
    # A value left out is another value than one that was measured.
    assert take([row("B-1", 0, temp_c=12.0)]).conflicts == 1


NONSENSE: list[tuple[dict[str, Any], str, str, str]] = [
    ({"volts_v": 240}, "volts_v", "sample.volts_v_impossible", "240 V cannot be: 12 to 33 V can."),
    ({"temp_c": 400}, "temp_c", "sample.temp_c_impossible", "400 °C cannot be: -40 to 70 °C can."),
    ({"temp_c": math.nan}, "temp_c", "sample.not_a_number", "Leave the field out"),
    ({"volts_v": math.inf}, "volts_v", "sample.not_a_number", "Leave the field out"),
    ({"temp_c": True}, "temp_c", "sample.not_a_number", "is not a number"),
    ({"temp_c": "warm"}, "temp_c", "sample.not_a_number", "'warm' is not a number"),
    ({"temp_c": 12, "soc": 80}, "soc", "sample.soc_impossible", "soc_pct"),
    ({"temp_c": 12, "soc_pct": 101}, "soc_pct", "sample.soc_impossible", "soc_pct"),
    ({"temp_c": 12, "current_a": 90_000}, "current_a", "sample.current_a_impossible", "not in mA"),
    ({"temp_c": 12, "counted_ah": 1e9}, "counted_ah", "sample.counted_ah_impossible", "not in mAh"),
    ({"at": "2026-11-20 08:00", "temp_c": 12}, "at", "sample.no_offset", "no offset from UTC"),
    (
        {"at": (NOW + dt.timedelta(hours=1)).isoformat(), "temp_c": 12},
        "at",
        "sample.in_future",
        "has not come yet",
    ),
    ({"at": "yesterday", "temp_c": 12}, "at", "sample.no_time", "'yesterday' is no time"),
    ({"at": "", "temp_c": 12}, "at", "sample.no_time", "the time is missing"),
    ({"at": "1999-12-31T00:00:00Z", "temp_c": 12}, "at", "sample.too_old", "before 2000"),
    ({"bank": "B-9", "temp_c": 12}, "bank", "sample.bank_unknown", "no bank bears the serial 'B-9'"),
    ({"bank": "", "temp_c": 12}, "bank", "sample.no_bank", "no bank is named"),
    ({"volts_v": None, "temp_c": ""}, "row", "sample.empty", "nothing was measured"),
]


@pytest.mark.parametrize(("values", "field", "key", "words"), NONSENSE)
def test_nonsense_is_refused_with_row_field_and_mend_and_the_rest_is_kept(
    values: dict[str, Any], field: str, key: str, words: str
) -> None:
    BankFactory(serial="B-1", cells_in_series=12)
    taken = take([row("B-1", 0), {**row("B-1", 5), "temp_c": None, **values}, row("B-1", 10)])
    assert (taken.kept, taken.refused) == (2, 1)
    fault = taken.faults[0]
    assert (fault.row, fault.field, fault.key) == (2, field, key)
    assert fault.message.startswith(f"Row 2, {field}: ")
    assert words in fault.message
    assert Sample.objects.count() == 2
    post = SamplePost.objects.get()
    assert post.faults == [fault.as_dict()]
    assert BankLogger.objects.get().refused == (0 if field == "bank" else 1)


def test_a_row_that_is_no_row_and_a_row_with_two_faults() -> None:
    BankFactory(serial="B-1")
    taken = take([7, {**row("B-1", 0), "volts_v": 240, "temp_c": 400}])
    assert taken.refused == 2
    assert [fault.field for fault in taken.faults] == ["row", "volts_v", "temp_c"]


def test_the_edges_of_what_can_be_are_taken() -> None:
    BankFactory(serial="B-1", cells_in_series=12, capacity_ah=200)
    rows = [
        row("B-1", 0, volts_v=33.0, temp_c=70.0, soc=1.0, current_a=2000.0),
        row("B-1", 1, volts_v=12.0, temp_c=-40.0, soc=0.0, current_a=-2000.0),
        {**row("B-1", 2), "at": (NOW + dt.timedelta(minutes=5)).isoformat()},
    ]
    assert take(rows).kept == 3


def test_other_units_and_clocks_are_read() -> None:
    BankFactory(serial="B-1")
    rows = [
        {"bank": "B-1", "at": 1_763_625_600, "temp_f": 50, "soc_pct": 80},
        {"bank": "B-1", "at": 1_763_625_660_000, "temp_c": "10"},
        {"bank": "B-1", "at": "2025-11-20T09:02:00+01:00", "temp_c": 10},
    ]
    assert take(rows).kept == 3
    found = list(Sample.objects.order_by("at"))
    assert [each.at.minute for each in found] == [0, 1, 2]
    assert {each.at.hour for each in found} == {8}
    assert (found[0].temp_c, found[0].soc) == (pytest.approx(10.0), pytest.approx(0.8))


def test_who_keeps_another_depot_may_not_write_about_this_bank(cast: Cast) -> None:
    BankFactory(serial="N-1", unit=UnitFactory(home=cast.north))
    BankFactory(serial="S-1", unit=UnitFactory(home=cast.south))
    taken = take([row("N-1", 0), row("S-1", 0)], rights=rights_of(cast.nora))
    assert (taken.kept, taken.refused) == (1, 1)
    assert taken.faults[0].key == "sample.bank_refused"


def test_a_change_of_days_that_are_over_has_the_unit_judged_and_a_repeated_post_does_not(
    django_capture_on_commit_callbacks: Any,
) -> None:
    unit = UnitFactory()
    BankFactory(serial="B-1", unit=unit)
    take(hours("B-1", 48))
    assert JudgementDue.objects.filter(unit=unit).exists()
    JudgementDue.objects.all().delete()
    take(hours("B-1", 48))
    assert not JudgementDue.objects.exists()
    late = [row("B-1", 30, temp_c=11.0)]
    take(late)
    assert JudgementDue.objects.filter(unit=unit).exists()


def test_a_value_of_today_alone_does_not_have_the_unit_judged_again() -> None:
    unit = UnitFactory()
    BankFactory(serial="B-1", unit=unit)
    take([{"bank": "B-1", "at": (NOW - dt.timedelta(hours=2)).isoformat(), "temp_c": 9.0}])
    JudgementDue.objects.all().delete()  # the first word after a silence
    take([{"bank": "B-1", "at": (NOW - dt.timedelta(hours=1)).isoformat(), "temp_c": 9.5}])
    assert not JudgementDue.objects.exists()


def test_a_look_writes_nothing_and_tells_the_same() -> None:
    BankFactory(serial="B-1")
    take(hours("B-1", 10))
    rows = [*hours("B-1", 12), row("B-9", 0), row("B-1", 0, temp_c=1.0)]
    seen = samples_look(file=SampleFile(rows), rights=None, now=NOW)
    assert (seen.kept, seen.known, seen.conflicts, seen.refused) == (2, 10, 1, 1)
    assert Sample.objects.count() == 10
    taken = take(rows)
    assert (taken.kept, taken.known, taken.conflicts, taken.refused) == (2, 10, 1, 1)


def test_a_post_taken_back_no_longer_counts_and_its_rows_may_come_again(cast: Cast) -> None:
    bank = BankFactory(serial="B-1")
    take(hours("B-1", 24))
    wrong = take([row("B-1", 60 * 24 + 60 * n, temp_c=33.0) for n in range(48)])
    assert SampleDay.objects.count() == 3
    with pytest.raises(DomainError, match="Say why"):
        samples_take_back(post=wrong.post, reason=" ", actor=cast.nora, now=NOW)
    post = samples_take_back(post=wrong.post, reason="logger of another bank", actor=cast.nora, now=NOW)
    assert post.taken_back_reason == "logger of another bank"
    assert Sample.objects.filter(struck=True).count() == 48
    assert list(SampleDay.objects.values_list("samples", flat=True)) == [24]
    logger = BankLogger.objects.get(bank=bank)
    assert logger.last_temp_at == START + dt.timedelta(hours=23)
    assert logger.kept == 24
    samples_take_back(post=wrong.post, reason="again", actor=cast.nora, now=NOW)  # once is enough
    assert take([row("B-1", 60 * 24, temp_c=12.0)]).kept == 1


def test_queries_do_not_grow_with_the_rows() -> None:
    for n in range(8):
        BankFactory(serial=f"B-{n}")

    def queries(rows: list[Any]) -> int:
        with CaptureQueriesContext(connection) as captured:
            take(rows)
        return len(captured)

    few = queries([line for n in range(2) for line in hours(f"B-{n}", 30)])
    many = queries([line for n in range(2, 8) for line in hours(f"B-{n}", 60, every_h=0.5)])
    assert many == few


CSV = """Bank;Time;Voltage;Temperature;SoC %;firmware
B-1;2026-11-01T08:00:00+01:00;25,61;11,5;97;v2

B-1;2026-11-01T09:00:00+01:00;25,60;11,6;;v2
B-1;2026-11-01T10:00:00+01:00;240;11,6;;v2
"""


def test_a_csv_with_decimal_commas_is_read_and_its_rows_are_numbered_as_the_file_numbers_them() -> None:
    BankFactory(serial="B-1", cells_in_series=12)
    file = read_samples(CSV.encode())
    assert file.ignored == ("firmware",)
    taken = samples_take(
        file=file,
        how="command",
        actor=None,
        rights=None,
        now=max(NOW, dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)),
    )
    assert (taken.rows, taken.kept, taken.refused) == (3, 2, 1)
    assert taken.faults[0].row == 5
    assert Sample.objects.order_by("at").first().soc == pytest.approx(0.97)  # type: ignore[union-attr]


def test_times_without_offset_are_read_in_the_zone_that_was_stated() -> None:
    bank = BankFactory(serial="B-1")
    file = read_samples(b"at,temp_c\n2026-07-01 08:00,20\n2025-10-26 02:30,10\n")
    taken = samples_take(
        file=file,
        how="page",
        actor=None,
        rights=None,
        only=bank,
        zone="Europe/Oslo",
        now=dt.datetime(2028, 1, 1, tzinfo=dt.UTC),
    )
    assert (taken.kept, taken.refused) == (1, 1)  # half past two came twice that night
    assert Sample.objects.get().at == dt.datetime(2026, 7, 1, 6, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("content", "key"),
    [
        (b"", "samples.empty"),
        (b"bank,temp_c\nB-1,12\n", "samples.no_time_column"),
        (b"bank,at,time,temp_c\nB-1,1,1,12\n", "samples.column_twice"),
        (b"bank,at,temp_c\n", "samples.empty"),
        (b"{not json", "samples.not_json"),
        (b"[]", "samples.empty"),
        (b'{"rows": []}', "samples.no_list"),
        (b"PK\x03\x04 a workbook", "samples.binary"),
    ],
)
def test_what_cannot_be_read_at_all_says_so(content: bytes, key: str) -> None:
    with pytest.raises(DomainError) as caught:
        read_samples(content)
    assert caught.value.key == key


def test_json_may_name_the_bank_once() -> None:
    BankFactory(serial="B-1")
    body = {"bank": "B-1", "samples": [{"time": START.isoformat(), "temperature": 12}]}
    file = read_samples(json.dumps(body).encode())
    assert samples_take(file=file, how="api", actor=None, rights=None, now=NOW).kept == 1


def stored() -> tuple[Any, ...]:
    days = [field.name for field in SampleDay._meta.fields if field.name != "id"]
    return (
        list(
            Sample.objects.filter(struck=False)
            .order_by("bank", "at")
            .values_list("bank", "at", "volts_v", "temp_c", "soc")
        ),
        list(SampleDay.objects.order_by("bank", "day").values_list(*days)),
        list(BankLogger.objects.order_by("bank").values_list("bank", "last_at", "last_temp_at", "kept")),
    )


@st.composite
def posts(draw: st.DrawFn) -> list[list[dict[str, Any]]]:
    """The rows of two banks over twelve days, in any order, doubled here and there, parted in any way."""
    rows = []
    for serial in ("P-1", "P-2"):
        for step in sorted(draw(st.sets(st.integers(0, 12 * 24 - 1), min_size=5, max_size=90))):
            amps = 0.0 if step % 11 else -8.0
            rows.append(
                row(serial, 60 * step, volts_v=25.0 + step % 5 / 10, current_a=amps, temp_c=step % 9, soc=1.0)
            )
    shuffled = draw(st.permutations(rows)) + draw(st.lists(st.sampled_from(rows), max_size=10))
    cuts = sorted(draw(st.lists(st.integers(0, len(shuffled)), max_size=4)))
    return [shuffled[a:b] for a, b in zip([0, *cuts], [*cuts, len(shuffled)], strict=True) if a < b]


class AnyOrder(TestCase):
    @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
    @given(posts())
    def test_any_order_and_any_parts_come_to_the_same(self, parts: list[list[dict[str, Any]]]) -> None:
        for serial in ("P-1", "P-2"):
            BankFactory(serial=serial)
        for part in parts:
            take(part)
        one_by_one = stored()
        Sample.objects.all().delete()
        SampleDay.objects.all().delete()
        BankLogger.objects.all().delete()
        whole = sorted((line for part in parts for line in part), key=lambda line: (line["bank"], line["at"]))
        take(whole)
        assert stored() == one_by_one
