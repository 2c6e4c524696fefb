"""The whole scenario as plain rows: the same today and the same seed give the same rows."""

from __future__ import annotations

import datetime as dt

import numpy as np

from readiness.demo.away_rows import AwayWriter
from readiness.demo.bank_rows import BankWriter
from readiness.demo.banks import plan_banks
from readiness.demo.base_rows import Keys, write_designs, write_inspection_types, write_items, write_places
from readiness.demo.bay_rows import write_bays
from readiness.demo.living import live
from readiness.demo.notes import write_notes
from readiness.demo.people import People
from readiness.demo.plan import plan_units
from readiness.demo.rows import Rows
from readiness.demo.source import Source
from readiness.demo.special_stock import add_special_stock
from readiness.demo.stores import Stores
from readiness.demo.timeline import Timeline
from readiness.demo.transport_rows import TransportWriter, write_transport_facts
from readiness.demo.unit_rows import UnitWriter
from readiness.demo.weather import daily_air_c

SEED = 20
# A fleet for trials of size keeps only its last few inspections of each type.
MANY_UNITS = 200


def build(source: Source, today: dt.date, seed: int = SEED, units: int | None = None) -> Rows:
    """Every row of the scenario as of `today`; `units` cuts the fleet short or lets it grow."""
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(9)]
    timeline = Timeline(today)
    rows, keys = Rows(), Keys()
    write_places(rows, source, keys, timeline)
    write_designs(rows, source, keys)
    write_items(rows, source, keys, timeline)
    write_inspection_types(rows, source, keys)
    write_transport_facts(rows, source, keys, timeline)
    people = People(rows, source, keys.place, timeline.at(0, "UTC"))
    write_bays(rows, source, keys, timeline, people)

    plans = plan_units(source, timeline, streams[0], units)
    kept = 3 if len(plans) > MANY_UNITS else 99
    unit_writer = UnitWriter(rows, source, keys, timeline, people, streams[1], inspections_kept=kept)
    away = AwayWriter(rows, source, keys, timeline, people, streams[2])
    for plan in plans:
        unit_writer.write(plan)
        away.write(plan)

    banks = plan_banks(source, plans, timeline, streams[3])
    air_c = daily_air_c(source, timeline.first, timeline.days, streams[4])
    truth = live(banks, source, air_c, timeline, streams[5])
    BankWriter(rows, source, banks, truth, timeline, people, streams[6]).write()

    stores = Stores(rows, source, keys, timeline, people, streams[7], away.deployment_ids)
    stores.write(plans)
    add_special_stock(stores, plans)
    transport = TransportWriter(rows, source, keys, timeline, people, streams[8])
    transport.write(plans, banks, stores)
    stores.ledger.close()
    write_notes(rows, plans, timeline, people, keys)
    return rows
