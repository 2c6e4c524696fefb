"""What a charge asks of a bay, in slots; when it must pause; and which lateness nothing could have mended."""

import numpy as np
import pytest

from readiness.domain.bay_plan.give_up import without_the_lost
from readiness.domain.bay_plan.kept import charges_kept, charges_read, problem_kept, problem_read
from readiness.domain.bay_plan.plan import Charge
from readiness.domain.bay_plan.problem import Booked, Job, Need, Problem
from readiness.domain.bay_plan.wishes import (
    Banks,
    BayKind,
    Misfit,
    fit_of,
    fits_hours,
    longest_window,
    may_pause,
)
from readiness.domain.chemistry import chemistry_index

GEL, LFP = chemistry_index()["vrla_gel"], chemistry_index()["lfp"]
BAY = BayKind("B1", 60.0, 60.0, None, frozenset({GEL, LFP}))


def banks(chem=GEL, **changed):
    row = {"capacity_ah": 200.0, "cells": 12.0, "charger_a": np.nan, "low_soc": 0.4, "to_soc": 1.0} | changed
    return Banks(chem=np.array([chem]), **{name: np.array([value]) for name, value in row.items()})


def test_durations_are_rounded_up_and_power_is_that_of_the_beginning():
    fit = fit_of(banks(), BAY)
    hours = float(fit.courses.total_h[0])
    for slot_h in (1, 2):
        need = fit.need(0, slot_h)
        assert need.slots - 1 < hours / slot_h <= need.slots
        assert need.bulk_slots * slot_h <= float(fit.courses.bulk_h[0])
        assert list(need.profile_kw) == sorted(need.profile_kw, reverse=True)
        assert need.profile_kw[0] == pytest.approx(float(fit.courses.start_kw[0]), abs=1e-4)
    # Rounded up slots at the power of their beginning hold at least the energy that the bank takes.
    assert sum(fit.need(0, 1).profile_kw) >= float(fit.courses.wall_kwh[0]) * 0.99


def test_what_is_left_of_a_charge_that_runs():
    fit = fit_of(banks(), BAY)
    whole, left = fit.need(0, 1), fit.need(0, 1, elapsed_h=3.0)
    assert left.slots == whole.slots - 3
    assert left.profile_kw == pytest.approx(whole.profile_kw[3:], abs=2e-4)
    assert fit.need(0, 1, elapsed_h=100.0).slots == 1
    assert fit.need(0, 1, elapsed_h=100.0, least_h=4.0).slots == 4


@pytest.mark.parametrize(
    ("bank", "bay", "misfit"),
    [
        ({}, {}, None),
        ({"capacity_ah": 0.0}, {}, Misfit.CAPACITY),
        ({}, {"max_v": 28.0}, Misfit.VOLTAGE),  # gel: 12 cells at 2.40 V
        ({}, {"max_v": 29.0}, None),
        ({}, {"chemistries": frozenset({LFP})}, Misfit.PROGRAMME),
        ({}, {"max_a": 0.0}, Misfit.NO_CURRENT),
    ],
)
def test_why_a_bay_does_not_charge_a_bank(bank, bay, misfit):
    kind = BayKind(**{name: getattr(BAY, name) for name in BAY.__slots__} | bay)
    assert fit_of(banks(**bank), kind).misfit == (misfit,)


def test_current_is_the_least_of_bay_bank_chemistry_and_power():
    assert fit_of(banks(), BAY).set_a[0] == 40.0  # gel takes 0.2 C at most
    assert fit_of(banks(charger_a=15.0), BAY).set_a[0] == 15.0
    weak = BayKind("W", 60.0, 60.0, 0.5, BAY.chemistries)
    fit = fit_of(banks(), weak)
    assert float(fit.courses.start_kw[0]) == pytest.approx(0.5)


def test_bulk_is_split_only_where_the_crew_never_stays_so_long():
    need = Need(6, 1.0, (0.5, 0.5))
    assert longest_window(np.array([1, 1, 0, 1, 1, 1, 0], dtype=bool)) == 3
    assert not may_pause(need, unattended=False, window=8)
    assert may_pause(need, unattended=False, window=7)
    assert not may_pause(need, unattended=True, window=1)
    assert fits_hours(need, unattended=False, window=2)
    assert not fits_hours(need, unattended=False, window=1)
    assert not fits_hours(Need(0, 1.0, (1.0,) * 5), unattended=False, window=4)


def problem(*jobs):
    open_ = np.array([1, 1, 1, 1, 0, 0, 1, 1], dtype=bool)
    return Problem(jobs, {"b": 1}, np.full(8, 5.0), np.zeros(8), open_, np.where(open_, 2.0, 0.0))


def test_only_lateness_that_could_have_been_avoided_is_asked_about():
    need = {"b": Need(2, 1.0, (1.0,))}
    asked = problem(Job("lost", need, due=1), Job("tight", need, due=3), Job("none", need))
    assert [job.due for job in without_the_lost(asked).jobs] == [3, 3, None]


def test_what_is_kept_is_what_was_asked():
    need = {"b": Need(1, 1.5, (0.5,))}
    asked = problem(
        Job("A", need, 2.0, 0, 4, 3, 7, True, False, None, None, Booked("b", 2)),
        Job("B", need, held="b", held_bay=0),
    )
    kept = problem_kept(asked)
    again = problem_read(kept)
    assert again.jobs == asked.jobs
    assert problem_kept(again) == kept
    charges = {"A": Charge("A", "b", (0, 1), (0,))}
    assert charges_read(charges_kept(charges)) == charges
