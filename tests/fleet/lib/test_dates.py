import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.lib.dates import (
    EPOCH_1904,
    DateError,
    DayOrderSettler,
    date_from_serial,
    day_order_evidence,
    parse_date,
    parse_instant,
)
from fleet.lib.errors import DomainError
from fleet.lib.numbers import Question

NOV_3 = dt.date(2026, 11, 3)


@pytest.mark.parametrize(
    "text",
    [
        "2026-11-03", "2026/11/3", "20261103", "3 Nov 2026", "3 november 2026", "3-Nov-26", "03/11/2026", "3.11.2026",
        "Nov 3, 2026", "November 3rd, 2026", "Tue 3 Nov 2026", "3 novembre 2026", "3 de noviembre de 2026", "46329",
        "2026-11-03 00:00:00", " 3\u00a0Nov\u00a02026 ",
    ],
)  # fmt: skip
def test_one_day_typed_in_many_ways(text):
    typed = parse_date(text)
    assert (typed.day, typed.month_only, typed.typed) == (NOV_3, False, text.strip())


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("11/2026", dt.date(2026, 11, 30)),
        ("Feb 2028", dt.date(2028, 2, 29)),
        ("2027-02", dt.date(2027, 2, 28)),
    ],
)
def test_a_month_alone_is_its_last_day(text, day):
    assert (parse_date(text).day, parse_date(text).month_only) == (day, True)


def test_the_order_of_the_file_decides():
    assert parse_date("03/11/2026", "month_first").day == dt.date(2026, 3, 11)
    assert parse_date("3. M\u00e4rz 2026").day == dt.date(2026, 3, 3)
    assert parse_date("44867", epoch=EPOCH_1904).day == dt.date(2026, 11, 3)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("2026", "date.year_only"),
        ("31/02/2026", "date.no_such_day"),
        ("12/25/2026", "date.no_such_day"),
        ("13/2026", "date.no_such_day"),
        ("2026-13-01", "date.no_such_day"),
        ("soon", "date.unreadable"),
        ("", "date.unreadable"),
        ("3 Foo 2026", "date.unreadable"),
        ("2026-11-03 14:30", "date.time_given"),
        ("99999", "date.serial_range"),
        ("1849-01-01", "date.year_range"),
    ],
)
def test_what_is_no_day_is_refused(text, key):
    with pytest.raises(DateError) as caught:
        parse_date(text)
    assert caught.value.key == key
    assert text in caught.value.sentence


@pytest.mark.parametrize(
    ("text", "evidence"),
    [
        ("25/11/2026", "day_first"),
        ("11/25/2026", "month_first"),
        ("11.25.2026 14:30", "month_first"),
        ("03/11/2026", "?"),
        ("05/05/2026", None),
        ("2026-11-03", None),
        ("3 Nov 2026", None),
        ("11/2026", None),
        ("40/40/2026", None),
    ],
)
def test_what_one_date_shows(text, evidence):
    assert day_order_evidence(text) == evidence


def test_the_order_is_settled_once_per_file():
    clear, silent, mixed = DayOrderSettler(), DayOrderSettler(), DayOrderSettler()
    for settler, texts in (
        (clear, ["03/11/2026", "25/11/2026"]),
        (silent, ["03/11/2026", "04/11/2026"]),
        (mixed, ["25/11/2026", "11/25/2026"]),
    ):
        for row, text in enumerate(texts, start=2):
            settler.look(text, "Readings", row, "date")
    assert clear.settle() == "day_first"
    asked, disagree = silent.settle(), mixed.settle()
    assert isinstance(asked, Question)
    assert (asked.reason, len(asked.examples), asked.examples[0].row) == ("undecided", 1, 2)
    assert isinstance(disagree, Question)
    assert disagree.reason == "disagree"
    assert DayOrderSettler(stated="month_first", seen=mixed.seen).settle() == "month_first"
    assert DayOrderSettler().settle() == "day_first"


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-11-03 14:30", "13:30"),
        ("2026-11-03T14:30Z", "14:30"),
        ("2026-11-03T14:30:00+01:00", "13:30"),
        ("2026-11-03 14:30 UTC", "14:30"),
        ("2026-11-03 14:30 UTC+2", "12:30"),
        ("2026-11-03 14:30 Europe/London", "14:30"),
        ("3 Nov 2026 2:30 pm", "13:30"),
        ("3 Nov 2026, 14:30", "13:30"),
        ("03/11/2026 14h30", "13:30"),
        ("3 Nov 2026 1430", "13:30"),
        ("3 Nov 2026 1430Z", "14:30"),
        ("46329.604166667", "13:30"),
    ],
)
def test_instants_take_their_own_zone_or_that_of_the_place(text, utc):
    hour, minute = map(int, utc.split(":"))
    typed = parse_instant(text, "Europe/Oslo")
    assert typed.instant == dt.datetime(2026, 11, 3, hour, minute, tzinfo=dt.UTC)
    assert not typed.day_only


def test_a_day_alone_is_noon_at_the_place():
    for text in ("2026-11-03", "46329", "3 Nov 2026"):
        typed = parse_instant(text, "Europe/Oslo")
        assert typed.day_only
        assert typed.instant == dt.datetime(2026, 11, 3, 11, 0, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("2026-03-29 02:30", "date.skipped_hour"),
        ("2026-10-25 02:30", "date.repeated_hour"),
        ("2026-10-25 02:30 Europe/Oslo", "date.repeated_hour"),
        ("2026-11-03 14:30 CET", "date.zone_letters"),
        ("2026-11-03 14:30 Mars/Phobos", "date.unknown_zone"),
        ("2026-11-03 14:30+19:00", "date.offset"),
        ("11/2026", "date.day_missing"),
        ("2026-11-03 25:00", "date.time_unreadable"),
        ("2026-11-03 13:00 pm", "date.time_unreadable"),
    ],
)
def test_instants_that_need_a_word_more_are_refused(text, key):
    with pytest.raises(DateError) as caught:
        parse_instant(text, "Europe/Oslo")
    assert caught.value.key == key


def test_the_repeated_hour_is_mended_by_the_offset_named_in_the_sentence():
    with pytest.raises(DateError, match=r"\+02:00 or \+01:00"):
        parse_instant("2026-10-25 02:30", "Europe/Oslo")
    first, second = (
        parse_instant(f"2026-10-25 02:30{o}", "Europe/Oslo").instant for o in ("+02:00", "+01:00")
    )
    assert second - first == dt.timedelta(hours=1)


def test_serials_round_to_the_second():
    assert date_from_serial(46329 + 1 / 3) == dt.datetime(2026, 11, 3, 8, 0)  # noqa: DTZ001


days = st.dates(dt.date(1950, 1, 1), dt.date(2079, 12, 31))
FORMATS = ("%Y-%m-%d", "%d %b %Y", "%d %B %Y", "%d/%m/%Y", "%d.%m.%Y", "%B %d, %Y", "%Y%m%d", "%d-%b-%Y")


@given(days, st.sampled_from(FORMATS))
def test_a_written_day_is_read_back(day, form):
    assert parse_date(day.strftime(form)).day == day


@given(
    st.datetimes(dt.datetime(1971, 1, 1), dt.datetime(2099, 1, 1)),  # noqa: DTZ001
    st.sampled_from(["Europe/Oslo", "America/St_Johns", "Pacific/Chatham", "UTC"]),
    st.booleans(),
)
def test_a_written_instant_is_read_back_or_its_doubt_is_named(moment, zone, with_offset):
    instant = moment.replace(microsecond=0, tzinfo=dt.UTC)
    local = instant.astimezone(ZoneInfo(zone))
    text = local.isoformat() if with_offset else local.strftime("%d %b %Y %H:%M:%S")
    try:
        assert parse_instant(text, zone).instant == instant
    except DateError as error:
        assert not with_offset
        assert error.key == "date.repeated_hour"  # noqa: PT017


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text):
    day_order_evidence(text)
    for read in (parse_date, lambda typed: parse_instant(typed, "Europe/Oslo")):
        try:
            read(text)
        except DomainError as error:
            assert error.sentence  # noqa: PT017
