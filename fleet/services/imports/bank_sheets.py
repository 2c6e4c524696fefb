"""Sheets about battery banks: the banks, their blocks, and how they are connected."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime, time
from typing import Any

from django.db import models
from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import (
    BankStay,
    BatteryBank,
    Modification,
    Place,
    SupplyState,
    Unit,
)
from fleet.models.banks import Chemistry
from fleet.services.banks import bank_move
from fleet.services.imports.kinds import Key, Planned, Problem, Ref, SheetKind, Values, chunks, column
from fleet.services.imports.office_sheets import key_column
from fleet.services.imports.references import Lookups
from fleet.services.imports.unit_sheets import first_moment, moment_problems

CHEMISTRY_WORDS: dict[str, tuple[str, ...]] = {
    Chemistry.VRLA_GEL: ("gel", "lead gel", "vrla gel"),
    Chemistry.VRLA_AGM: ("AGM", "vrla agm", "lead agm"),
    Chemistry.FLOODED_SB: ("flooded", "wet lead acid", "flooded high antimony", "open lead acid"),
    Chemistry.FLOODED_LOW_SB: ("flooded low antimony",),
    Chemistry.FLOODED_CA: ("flooded calcium",),
    Chemistry.LFP: ("LFP", "LiFePO4", "lithium iron phosphate", "life po4"),
    Chemistry.NMC: ("NMC", "lithium NMC"),
    Chemistry.NIMH: ("NiMH", "nickel metal hydride"),
    Chemistry.NIMH_LSD: ("NiMH low self discharge", "NiMH LSD"),
    Chemistry.NICD_VENTED: ("NiCd vented", "nickel cadmium vented", "NiCd"),
    Chemistry.NICD_SEALED: ("NiCd sealed", "nickel cadmium sealed"),
}
NOMINAL_CELL_V: dict[str, float] = {
    **dict.fromkeys(("vrla_gel", "vrla_agm", "flooded_sb", "flooded_low_sb", "flooded_ca"), 2.0),
    "lfp": 3.2,
    "nmc": 3.65,
    **dict.fromkeys(("nimh", "nimh_lsd", "nicd_vented", "nicd_sealed"), 1.2),
}


def chemistry_choices() -> dict[str, tuple[str, ...]]:
    return {str(code.value): (*CHEMISTRY_WORDS[code], str(code.label)) for code in Chemistry}


class StaySheet(SheetKind):
    """A thing whose place is told by stays: compared here, moved through the service of the move."""

    into = ""  # the column that says in what it sits
    stay_model: type[models.Model]
    stay_of = ""
    with_stay: tuple[str, ...] = ()
    elsewhere = frozenset({"unit", "bank", "place", "position"})

    def home_of(self, lookups: Lookups, stay: Any) -> Place | None:
        """The depot to which a thing belongs by where it is."""
        raise NotImplementedError

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        stays: dict[int, Any] = {}
        manager: Any = self.stay_model._default_manager
        for some in chunks([obj.pk for obj in found.values()], 500):
            current = (
                manager.current()
                .filter(**{f"{self.stay_of}__in": some})
                .select_related(*self.with_stay, "place")
            )
            for stay in current:
                stays[getattr(stay, f"{self.stay_of}_id")] = stay
        lookups.memory[f"{self.name}_stays"] = stays

    def _compare_stay(self, lookups: Lookups, row: Planned) -> None:
        here = lookups.memory[f"{self.name}_stays"].get(row.obj.pk)
        home = self.home_of(lookups, here) if here is not None else None
        row.owners = [home] if home is not None else []
        for name in (self.into, "place", "position"):
            row.changes.pop(name, None)
        into, place, position = (row.values.get(name) for name in (self.into, "place", "position"))
        stay = lookups.memory[f"{self.name}_stays"].get(row.obj.pk)
        if into is None and place is None and position is None:
            return
        if into is None and place is None and stay is not None and getattr(stay, f"{self.into}_id"):
            into = Ref(getattr(stay, self.into), str(getattr(stay, self.into)))
            row.values["_into"] = into
        target = into or place
        if not isinstance(target, Ref):
            return
        name = self.into if into else "place"
        here = getattr(stay, f"{name}_id") if stay else None
        same_position = not into or position is None or (stay is not None and stay.position == position)
        if target.obj.pk is not None and here == target.obj.pk and same_position:
            return
        row.changes[name] = (_where(stay, self.into), target)

    def told_elsewhere(
        self, lookups: Lookups, rows: Sequence[Planned], moment: datetime
    ) -> Mapping[int, set[str]]:
        stays = lookups.memory[f"{self.name}_stays"]
        late = (row for row in rows if row.obj.pk in stays and stays[row.obj.pk].started_at > moment)
        return {row.number: {self.into, "place", "position"} for row in late}

    def audited_as(self, names: set[str]) -> set[str]:
        moved = {self.into, "place", "position"} if {"in", "position"} & names else set()
        return names | moved

    def homes(self, row: Planned) -> Collection[Place]:
        refs = [value for name in (self.into, "place") if isinstance(value := row.values.get(name), Ref)]
        return [ref.home for ref in refs if ref.home is not None]

    def where_problems(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        into, place = row.values.get(self.into), row.values.get("place")
        if into is not None and place is not None:
            yield (
                "place",
                DomainError(
                    "bank.one_target",
                    _("Say where it goes: into one unit or bank, or to one place; not both."),
                ),
            )
        if row.action == "added" and into is None and place is None:
            yield (
                self.into,
                DomainError("bank.nowhere", _("Say where it is: in which unit or bank, or at which place.")),
            )

    def position_of(self, row: Planned) -> str:
        """The position that a row means, also when it names none."""
        raise NotImplementedError

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """A position holds one thing: none that stays there may be in the way, nor another row of the file.

        Moves take their turns: one that frees a position goes before the one that fills it, and new things come last.
        """
        stays = lookups.memory[f"{self.name}_stays"]
        moving = [row for row in rows if row.action == "changed" and {self.into, "place"} & set(row.changes)]
        coming = [row for row in rows if row.action == "added" and self._into(row) is not None]
        targets = [ref for row in (*moving, *coming) if (ref := self._into(row)) is not None]
        taken = self._taken({ref.obj.pk for ref in targets} - {None})
        turn = 0
        waiting = moving
        while waiting:
            still = []
            for row in waiting:
                spot = self._spot(row)
                if spot in taken and taken[spot] != row.obj.serial:
                    still.append(row)
                    continue
                here = stays.get(row.obj.pk)
                if here is not None:
                    taken.pop((getattr(here, f"{self.into}_id"), here.position), None)
                if spot is not None:
                    taken[spot] = row.obj.serial
                turn += 1
                row.turn = turn
            if len(still) == len(waiting):
                break
            waiting = still
        else:
            waiting = []
        for row in [*waiting, *coming]:
            spot = self._spot(row)
            assert spot is not None
            if spot in taken:
                yield row, self.into, self._position_taken(row, spot[1], taken[spot])
            else:
                taken[spot] = row.obj.serial

    def _into(self, row: Planned) -> Ref | None:
        ref = row.values.get(self.into) or row.values.get("_into")
        return ref if isinstance(ref, Ref) else None

    def _spot(self, row: Planned) -> tuple[Any, str] | None:
        ref = self._into(row)
        return None if ref is None else (ref.obj.pk or id(ref.obj), self.position_of(row))

    def _taken(self, pks: Collection[Any]) -> dict[tuple[Any, str], str]:
        """Which positions of these hold what, by its serial. One query for each 500."""
        taken: dict[tuple[Any, str], str] = {}
        manager: Any = self.stay_model._default_manager
        for some in chunks(sorted(pks), 500):
            for stay in manager.current().filter(**{f"{self.into}__in": some}).select_related(self.stay_of):
                taken[(getattr(stay, f"{self.into}_id"), stay.position)] = getattr(stay, self.stay_of).serial
        return taken

    def _position_taken(self, row: Planned, position: str, other: str) -> DomainError:
        ref = self._into(row)
        return DomainError(
            f"{self.stay_of}.position_taken",
            _("Position '{position}' of {into} holds {other} already."),
            position=position,
            into=ref.label if ref else "",
            other=other,
            mend="Give another position, or say where that one goes; what only changes places goes over a shelf first.",
        )


def _where(stay: Any, into: str) -> str | None:
    return None if stay is None else str(getattr(stay, into) or stay.place)


class BankSheet(StaySheet):
    model = BatteryBank
    after = ("units", "places")
    virtual = frozenset({"unit", "place", "position", "nominal_v"})
    one_by_one = frozenset({"unit", "place", "position"})
    into = "unit"
    with_stay = ("unit__home",)
    stay_model = BankStay
    stay_of = "bank"
    spec = SheetSpec(
        name="banks",
        label="Battery banks",
        aliases=("banks", "batteries", "battery", "battery bank"),
        key=("serial",),
        columns=(
            column(
                BatteryBank, "serial", aliases=("bank", "serial", "bank serial", "battery"), example="BK-0014"
            ),
            key_column("unit", "In unit", "units", aliases=("unit", "unit tag", "tag"), example="MW-014"),
            ColumnSpec("position", "Position", max_length=30, example="main"),
            key_column("place", "On the shelf at", "places", aliases=("place", "shelf", "depot")),
            column(
                BatteryBank,
                "chemistry",
                required=True,
                aliases=("type",),
                choices=chemistry_choices(),
                example="gel",
            ),
            column(
                BatteryBank,
                "capacity_ah",
                required=True,
                aliases=("capacity", "rated capacity"),
                minimum=0.1,
                maximum=20_000,
                example="200 Ah",
            ),
            column(BatteryBank, "cells_in_series", aliases=("cells",), minimum=1, maximum=600, example="12"),
            ColumnSpec(
                "nominal_v",
                "Nominal voltage",
                "quantity",
                unit="v",
                aliases=("voltage", "system voltage"),
                minimum=1,
                maximum=1000,
                help="May stand instead of the cells in series.",
            ),
            column(BatteryBank, "strings", aliases=("parallel", "parallel strings"), minimum=1, example="1"),
            column(
                BatteryBank,
                "made_on",
                aliases=("made", "date of manufacture", "manufactured"),
                example="03/2024",
            ),
            column(BatteryBank, "design_life_years", aliases=("design life",), minimum=0, example="10 years"),
            column(
                BatteryBank,
                "standby_ma",
                aliases=("standby draw", "standby"),
                minimum=0,
                maximum=50_000,
                example="35 mA",
            ),
            column(BatteryBank, "standby_measured_on", aliases=("standby measured",)),
            column(
                BatteryBank, "charger_a", aliases=("charger", "charger current"), minimum=0, example="25 A"
            ),
            column(BatteryBank, "floor_soc", aliases=("floor", "lowest charge state"), example="60 %"),
            column(BatteryBank, "depart_soc", aliases=("depart", "charge to leave"), example="90 %"),
            column(
                BatteryBank,
                "sd_pct_month",
                kind="number",
                unit="",
                label="Self-discharge per 30 days, %",
                aliases=("self discharge",),
                minimum=0,
                maximum=100,
            ),
            column(BatteryBank, "maker_interval_days", aliases=("charge interval days",), minimum=1),
            column(BatteryBank, "sg_full", kind="number", minimum=1, maximum=1.4, aliases=("sg full",)),
            column(BatteryBank, "sg_empty", kind="number", minimum=1, maximum=1.4, aliases=("sg empty",)),
            column(BatteryBank, "retired_on", aliases=("retired",)),
        ),
        help="One row for each bank: blocks of one chemistry in series and parallel. Empty means not known.",
    )

    def position_of(self, row: Planned) -> str:
        return row.values.get("position") or "main"

    def home_of(self, lookups: Lookups, stay: BankStay) -> Place | None:
        return stay.unit.home if stay.unit is not None else stay.place

    def current(self, obj: Any, name: str) -> Any:
        return super().current(obj, name) if name not in self.virtual else None

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        volts = values.pop("nominal_v", None)
        if volts is None:
            return
        chemistry = values.get("chemistry")
        if values.get("cells_in_series") is not None or chemistry is None:
            return
        cells = volts / NOMINAL_CELL_V[chemistry]
        if chemistry == "nmc":
            cells = volts / (3.7 if abs(volts / 3.7 - round(volts / 3.7)) < 0.02 else 3.6)
        if abs(cells - round(cells)) > 0.13 * max(1.0, cells / 12) or round(cells) < 1:
            yield (
                "nominal_v",
                DomainError(
                    "bank.cells",
                    _("{volts} V is no whole number of cells of this chemistry."),
                    volts=f"{volts:g}",
                    mend="Give the cells in series instead.",
                ),
            )
            return
        values["cells_in_series"] = round(cells)

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        if row.action == "changed":
            self._compare_stay(lookups, row)
            if not row.changes:
                row.action = "left"
                return
        elif row.obj.cells_in_series is None:
            yield (
                "cells_in_series",
                DomainError(
                    "row.needed", _("Give the cells in series or the nominal voltage: one of them is needed.")
                ),
            )
        yield from self.where_problems(lookups, row)

    def beside(self, lookups: Lookups, row: Planned) -> list[models.Model]:
        unit, place = row.values.get("unit"), row.values.get("place")
        start = stay_start(row, lookups.now)
        if isinstance(unit, Ref):
            position = self.position_of(row)
            return [BankStay(bank=row.obj, unit=unit.obj, position=position, started_at=start)]
        if isinstance(place, Ref):
            return [BankStay(bank=row.obj, place=place.obj, started_at=start)]
        return []

    def change_one(self, lookups: Lookups, row: Planned) -> None:
        unit, place = row.values.get("unit") or row.values.get("_into"), row.values.get("place")
        bank_move(
            bank=row.obj,
            at=lookups.now,
            actor=lookups.actor,
            unit=unit.obj if isinstance(unit, Ref) else None,
            position=self.position_of(row),
            place=place.obj if isinstance(place, Ref) else None,
            note="import",
            now=lookups.now,
        )

    def watched(self, row: Planned) -> list[Any]:
        stays = BankStay.objects.filter(bank=row.obj.pk)
        units = [pk for pk in stays.values_list("unit_id", flat=True) if pk]
        target = row.values.get("unit")
        units += [target.obj.pk] if isinstance(target, Ref) else []
        return [stays, Modification.objects.filter(unit__in=units)]

    def words_of(self, values: Values) -> list[str]:
        return [word for name in ("serial", "unit") if isinstance(word := values.get(name), str)]

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        where = row.values.get("unit") or row.values.get("place")
        unit: Any = where.unit if isinstance(where, Ref) else None
        home = where.home if isinstance(where, Ref) else None
        since = row.obj.made_on or (unit.commissioned_on if unit else None)
        words = [row.obj.serial]
        if unit is not None and (row.values.get("position") or "main") == "main":
            words.append(unit.tag)
        return words, Ref(row.obj, row.obj.serial, home, since, unit)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return units_of_banks(pks)


def stay_start(row: Planned, now: datetime) -> datetime:
    """A new bank has been where it is since it was made or the unit was commissioned, whichever is later."""
    where = row.values.get("unit") or row.values.get("place")
    starts = []
    if row.obj.made_on is not None and isinstance(where, Ref):
        starts.append(datetime.combine(row.obj.made_on, time(0), tzinfo=find_zone(where.zone)))
    if isinstance(where, Ref) and isinstance(where.obj, Unit) and where.obj.commissioned_on is not None:
        starts.append(first_moment(where.obj, now))
    return min(now, max(starts)) if starts else now


def units_of_banks(pks: Collection[int]) -> set[int]:
    """The units in which these banks sit now or sat before."""
    found: set[int] = set()
    for some in chunks(sorted(pks), 500):
        found |= set(
            BankStay.objects.filter(bank__in=some, unit__isnull=False).values_list("unit_id", flat=True)
        )
    return found


BANK_COLUMN = key_column(
    "bank", "Bank", "banks", aliases=("battery", "bank serial", "unit", "unit tag", "tag"), example="BK-0014"
)


class BankEventSheet(SheetKind):
    """Dated facts about a bank. A bank may be named by its serial, or by the unit it sits in."""

    after: tuple[str, ...] = ("banks",)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        banks: set[int] = set()
        for some in chunks(sorted(pks), 500):
            banks |= set(self.model._base_manager.filter(pk__in=some).values_list("bank_id", flat=True))
        return units_of_banks(banks)


class SupplyStateSheet(BankEventSheet):
    model = SupplyState
    spec = SheetSpec(
        name="supply_states",
        label="Supply states",
        aliases=("supply", "connections"),
        key=("bank", "happened_at"),
        zone_column="bank",
        columns=(
            BANK_COLUMN,
            column(
                SupplyState,
                "happened_at",
                label="Seen at",
                aliases=("date", "since", "when"),
                example="2026-10-02",
            ),
            column(
                SupplyState,
                "kind",
                required=True,
                label="Supply",
                aliases=("supply state", "state"),
                choices={
                    "isolated": ("isolated", "isolator open"),
                    "standby": ("standby loads on", "standby"),
                    "float": ("on float", "float"),
                    "own_array": ("own array", "solar"),
                },
                example="on float",
            ),
            column(
                SupplyState,
                "check_interval_days",
                aliases=("check interval",),
                minimum=1,
                maximum=730,
                example="30",
            ),
        ),
        help="How a bank is connected from a moment on. 'On float' is believed only for its check interval.",
    )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        yield from moment_problems(lookups, row, "bank", "happened_at")
        if row.obj.kind == SupplyState.Kind.FLOAT and not row.obj.check_interval_days:
            yield (
                "check_interval_days",
                DomainError(
                    "supply_state.no_interval",
                    _(
                        "Say after how many days the float must be looked at again: it is believed only that long."
                    ),
                ),
            )
