"""How the units of the scenario may travel: several can go by something, each written case is what it says it is."""

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fleet.domain.dangerous_goods.answers import decide_item
from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.entered import entered_facts
from fleet.domain.dangerous_goods.entries import held_entries
from fleet.domain.dangerous_goods.records import Battery, Engine, Goods
from fleet.domain.dangerous_goods.rules import Rules, held_rules
from fleet.domain.dangerous_goods.turn_round import TurnRound, turn_rounds
from fleet.domain.dangerous_goods.words import Mode, Verdict
from fleet.domain.fit.trip import Trip
from fleet.domain.transport.answers import ALWAYS_ASKED, MODES, Carried, FleetClass, class_of_fleet
from fleet.domain.transport.measures import MEASURE_NAMES, Measures, hang_of
from fleet.domain.transport.records import PaperState, UnitRecord
from fleet.models import BatteryBank, Unit
from inventory.models import GoodsListCheck
from inventory.selectors.goods import goods_keys
from readiness.demo.rows import Rows
from readiness.demo.scenario import build
from readiness.demo.source import Source
from readiness.demo.write import Writer
from readiness.selectors.transport import clearances_of, load_transport, terms_on

from .conftest import DAYS, about, the_rows, the_source

# As the sheet of a unit starts: sea level, 15 K above standard, legs of 4 m.
TRIP = Trip(
    asked=frozenset(ALWAYS_ASKED),
    alt_m=0.0,
    elevation_m=0.0,
    isa_dev_c=15.0,
    sling_leg_mm=4000.0,
    # as if their operator had said so, and boards of 6 m2 lay under what stands on wheels or corners: no table holds it
    floors_kg_m2=(("c130h", 1000.0), ("il76td", 1000.0)),
    bearing_area_m2=6.0,
)
LOADED: dict[dt.date, tuple[list[UnitRecord], Trip]] = {}


def noon(day: dt.date) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(12), tzinfo=dt.UTC)


def load(day: dt.date) -> tuple[list[UnitRecord], Trip]:
    """What is on record of every unit on the day itself, for a departure on that day."""
    Writer(the_rows(day)).write()
    terms = terms_on(day)
    units = Unit.objects.select_related("design", "home")
    trip = replace(TRIP, clearances=clearances_of(terms), rigging_kg=terms.rigging_kg)
    return load_transport(units, ship_date=day, now=noon(day), terms=terms), trip


@cache
def rules_for(day: dt.date) -> Rules:
    """The rules held, as if the newest of each mode still held on the day: an owner loads the next edition by then."""
    held = held_rules()
    last = {mode: held.ends_on(mode) for mode in MODES}
    editions = tuple(
        replace(edition, valid_to=max(edition.valid_to, day))
        if edition.valid_to is not None and edition.valid_to == last[edition.mode]
        else edition
        for edition in held.editions
    )
    return replace(held, editions=editions)


@pytest.fixture
def loaded(day: dt.date, request: pytest.FixtureRequest) -> tuple[list[UnitRecord], Trip]:
    """Plain records, read from the database once a day of the scenario."""
    if day not in LOADED:
        request.getfixturevalue("db")
        LOADED[day] = load(day)
    return LOADED[day]


@pytest.fixture
def fleet(loaded: tuple[list[UnitRecord], Trip], day: dt.date) -> FleetClass:
    records, trip = loaded
    return class_of_fleet(records, trip, day, rules=rules_for(day))


def able(fleet: FleetClass, keys: tuple[str, ...]) -> set[str]:
    """Tags of the units that some form of theirs lets go by one of these."""
    columns = [column for column, key in enumerate(fleet.fit.keys) if key in keys]
    yes = (fleet.carried[:, columns] <= int(Carried.YES_WITH_CONDITIONS)).any(axis=1)
    return {fleet.units[fleet.form_of[row][0]].tag for row in np.flatnonzero(yes)}


@pytest.mark.parametrize(
    ("keys", "least"),
    [
        (("mi8mtv", "kmax"), 14),
        (("ch47f",), 15),
        (("c20gp_typ", "c40hc_typ"), 16),
        (("c130h", "il76td"), 16),
        (("flat_18_eu", "semi_flat_us48"), 25),
        (("tow_pickup_eu", "tow_truck_75", "tow_class4_us"), 8),
    ],
)
def test_units_can_go_by(fleet: FleetClass, keys: tuple[str, ...], least: int) -> None:
    assert len(able(fleet, keys)) >= least, sorted(able(fleet, keys))


def test_a_yes_of_each_class_has_room_to_spare(fleet: FleetClass) -> None:
    """A margin in kg, and mostly not a hair's breadth."""
    yes = fleet.carried <= int(Carried.YES_WITH_CONDITIONS)
    margins = fleet.fit.verdicts.margin_kg[yes]
    assert np.isfinite(margins).all()
    assert np.median(margins) > 500


def test_without_an_edition_held_for_the_day_nothing_is_said_of_that_mode(
    loaded: tuple[list[UnitRecord], Trip], day: dt.date
) -> None:
    records, trip = loaded
    found = class_of_fleet(records, trip, day)
    for column, mode in enumerate(MODES):
        open_question = (found.law[:, column] >= int(Verdict.CANNOT_DECIDE)).all()
        assert open_question == (edition_for(mode, day) is None), mode


def test_every_surveyed_unit_has_a_known_mass_unless_its_tank_is_not_known(fleet: FleetClass) -> None:
    """And what is said to be weighed lies near the catalogue."""
    for record in fleet.units:
        for form in record.forms:
            unknown = form.mass.unknown
            assert (form.mass.total_kg is None) == bool(unknown)
            assert all(label.startswith("fuel in") for label in unknown), (record.tag, unknown)
            if form.mass.total_kg is not None and form.measures.mass_kg is not None:
                assert 0.98 < form.mass.total_kg / form.measures.mass_kg < 1.2, record.tag


# --- the written cases ----------------------------------------------------------------------------------------------


def unit_of(fleet: FleetClass, tag: str) -> UnitRecord:
    return next(record for record in fleet.units if record.tag == tag)


def law(fleet: FleetClass, tag: str, mode: Mode) -> Verdict:
    place = [record.tag for record in fleet.units].index(tag)
    return Verdict(int(fleet.law[place, MODES.index(mode)]))


def banks(record: UnitRecord) -> list[tuple[str, Battery]]:
    return [
        (entry.label, entry.item)
        for key, entry in zip(record.keys, record.items, strict=True)
        if key.startswith("bank:") and isinstance(entry.item, Battery)
    ]


def main_bank(record: UnitRecord) -> Battery:
    """The one with the most energy."""
    return max((battery for _label, battery in banks(record)), key=lambda battery: battery.wh or 0)


def tank(record: UnitRecord) -> Engine:
    return next(entry.item for entry in record.items if isinstance(entry.item, Engine))


def ways(record: UnitRecord, day: dt.date, mode: Mode = Mode.AIR) -> list[TurnRound]:
    """What turns the answer for the main bank round."""
    battery = main_bank(record)
    label = next(label for label, each in banks(record) if each is battery)
    allowed, watts = {name: (yes, w) for name, yes, w in record.discharge}.get(label, (None, None))
    decision = decide_item(battery, mode, day, rules=rules_for(day))
    return turn_rounds(battery, decision, discharge_allowed=allowed, discharge_w=watts, rules=rules_for(day))


Check = Callable[[FleetClass, UnitRecord, dt.date], None]
CHECKS: dict[str, Check] = {}


def case(check: Check) -> Check:
    CHECKS[check.__name__] = check
    return check


@case
def list_never(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert (record.goods_list.confirmed, record.goods_list.why) == (False, "never")
    assert {law(fleet, record.tag, mode) for mode in MODES} == {Verdict.CANNOT_DECIDE}


@case
def list_stale(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert record.goods_list.why == "stale"


@case
def line_gone(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert record.goods_list.why == "gone"
    assert len(record.goods_list.gone) == 1


@case
def item_unsaid(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    place = record.keys.index("item:DSC-5")
    assert record.items[place].item == Goods()
    assert law(fleet, record.tag, Mode.ROAD) is Verdict.CANNOT_DECIDE


@case
def hypochlorite_aboard(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    item = record.items[record.keys.index("item:SAN-12")].item
    assert decide_item(item, Mode.AIR, day, rules=rules_for(day)).un == "UN 1791"


@case
def damaged_bank(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert main_bank(record).condition == "damaged"
    assert law(fleet, record.tag, Mode.AIR) is Verdict.FORBIDDEN
    assert law(fleet, record.tag, Mode.ROAD) is Verdict.PERMITTED
    assert not ways(record, day)


@case
def terminals_open(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert law(fleet, record.tag, Mode.SEA) is Verdict.FORBIDDEN
    assert ways(record, day, Mode.SEA)[0].steps == ("fit_terminal_caps",)


@case
def looked_long_ago(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert main_bank(record).condition is None
    assert record.goods_list.confirmed


@case
def proof_overdue(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert record.proof_in_date is False
    assert record.tag not in able(fleet, ("ch47f",))
    assert record.tag in able(fleet, ("il76td",))


@case
def proof_never(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert record.proof_in_date is None
    assert record.tag in able(fleet, ("il76td",))


@case
def summary_missing(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert main_bank(record).un383 is None
    assert decide_item(main_bank(record), Mode.SEA, day, rules=rules_for(day)).missing == ("un383",)
    assert "obtain_test_summary" in ways(record, day, Mode.SEA)[0].steps


@case
def report_missing(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert main_bank(record).vib_pressure_ok is None
    assert "obtain_non_spillable_report" in ways(record, day)[0].steps


@case
def bank_unsaid(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    decision = decide_item(main_bank(record), Mode.AIR, day, rules=rules_for(day))
    assert {"config", "vib_pressure_ok"} <= set(decision.missing)


@case
def modules_low(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert main_bank(record).soc_pct == pytest.approx(28)
    assert law(fleet, record.tag, Mode.AIR) is Verdict.CARGO_AIRCRAFT_ONLY
    assert record.tag in able(fleet, ("il76td",))


@case
def plate_lapsed(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    (paper,) = [paper for paper in record.papers if paper.kind == "container_plate"]
    assert paper.state is PaperState.LAPSED
    assert paper.ends_on == day - dt.timedelta(days=9)


@case
def modules_charged(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    """560 Ah at 3.2 V in 16 cells, from 57 to 30 % with 1.5 kW: 5.2 h."""
    assert law(fleet, record.tag, Mode.AIR) is Verdict.APPROVAL_NEEDED
    (way,) = ways(record, day)
    assert (way.steps, way.verdict) == (("discharge_to_30",), Verdict.CARGO_AIRCRAFT_ONLY)
    assert way.discharge_h == pytest.approx(560 * 3.2 * 16 * 0.27 / 1500)


@case
def host_unclear(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert main_bank(record).host == "unclear"
    assert law(fleet, record.tag, Mode.AIR) >= Verdict.CANNOT_DECIDE


@case
def discharge_unsaid(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert law(fleet, record.tag, Mode.AIR) is Verdict.APPROVAL_NEEDED
    assert not any("discharge_to_30" in way.steps for way in ways(record, day))


@case
def tank_over_quarter(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    engine = tank(record)
    decision = decide_item(engine, Mode.AIR, day, rules=rules_for(day))
    assert not decision.verdict.may_go
    assert turn_rounds(engine, decision, rules=rules_for(day))
    assert law(fleet, record.tag, Mode.ROAD) is Verdict.PERMITTED


@case
def tank_long_ago(fleet: FleetClass, record: UnitRecord, day: dt.date) -> None:
    assert tank(record).fuel_state is None
    assert all(form.mass.total_kg is None for form in record.forms)


@pytest.mark.parametrize(
    ("key", "subject"),
    [(row["key"], row["subject"]) for row in the_source()["transport_cases"]],
    ids=str,
)
def test_the_case_is_there(fleet: FleetClass, day: dt.date, key: str, subject: str) -> None:
    CHECKS[key](fleet, unit_of(fleet, subject), day)


def test_every_check_belongs_to_a_case() -> None:
    assert set(CHECKS) == {row["key"] for row in the_source()["transport_cases"]}


# --- what the fixtures hold -----------------------------------------------------------------------------------------


def test_facts_of_goods_are_such_as_people_may_enter(rows: Rows) -> None:
    for table in ("inventory.ItemGoods", "inventory.GoodsLine"):
        for row in rows.of(table):
            if row["kind"] != "none":
                facts = row["attributes"]
                assert entered_facts(row["kind"], facts, held_entries()) == facts


def test_every_item_but_one_is_said_to_be_something(rows: Rows) -> None:
    said = {row["item_id"] for row in rows.of("inventory.ItemGoods")}
    assert [row["code"] for row in rows.of("inventory.Item") if row["id"] not in said] == ["DSC-5"]


def test_measures_of_the_packed_forms_agree(source: Source) -> None:
    """The centre of gravity lies inside the form and its lifting points; axles and coupling bear the mass."""
    for row in source["packed_forms"]:
        form = Measures(**{name: row[name] for name in MEASURE_NAMES})
        assert 0 < form.cog_x_mm < form.length_mm  # type: ignore[operator]
        assert 0 < form.cog_y_mm < form.width_mm  # type: ignore[operator]
        assert 0 < form.cog_z_mm < form.height_mm / 2  # type: ignore[operator]
        if form.lifting_points:
            hang = hang_of(form)
            assert hang is not None
            assert hang.half_width_mm > 300
            assert hang.cg_above_mm < 0
            assert form.point_front_mm + form.point_length_mm <= form.length_mm  # type: ignore[operator]
            assert form.point_left_mm + form.point_width_mm <= form.width_mm  # type: ignore[operator]
        if form.axle_count:
            borne = form.axle_count * form.axle_load_kg + form.tongue_load_kg  # type: ignore[operator]
            assert borne == form.mass_kg
            assert form.mass_kg < form.trailer_gvwr_kg  # type: ignore[operator]


@pytest.mark.django_db
def test_a_confirmed_list_names_the_lines_that_are_there() -> None:
    """The keys of the last word are those a person would see now, but where a line has gone."""
    day = DAYS[0]
    Writer(the_rows(day)).write()
    gone = {row["subject"] for row in the_source()["transport_cases"] if row["key"] == "line_gone"}
    for word in GoodsListCheck.objects.select_related("unit__design"):
        there = set(goods_keys(word.unit, now=noon(day)))
        assert set(word.keys) >= there, word.unit
        assert (set(word.keys) == there) != (word.unit.tag in gone), word.unit


@pytest.mark.django_db
def test_lines_keep_their_names_in_a_database_that_has_some() -> None:
    """Keys follow the highest one there, and the word on a list names the line by the key it was given."""
    unit_rows = build(the_source(), DAYS[0], units=2)
    Writer(unit_rows).write()
    writer = Writer(unit_rows)
    writer.base = {"inventory.GoodsLine": 700}
    named = [writer.named(key) for key in unit_rows.of("inventory.GoodsListCheck")[0]["keys"]]
    assert "line:701" in named
    assert f"bank:{BatteryBank.objects.order_by('pk')[0].serial}" in named


def test_a_larger_fleet_has_its_cases_too(source: Source) -> None:
    rows = build(source, DAYS[0], units=120)
    worded = {row["unit_id"] for row in rows.of("inventory.GoodsListCheck")}
    proved = {row["unit_id"] for row in about(rows, "fleet.Certificate", kind="proof_load")}
    further = {row["id"] for row in rows.of("fleet.Unit") if row["id"] > 43}
    assert 0 < len(further - worded) < 30
    assert 0 < len(further - proved) < 30
