"""Sheets of how depots charge: bays, terms, the crew's hours, odd days, the supply by the hour, storage policies."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import Any

from django.db import models
from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.errors import DomainError
from fleet.models import Unit
from fleet.models.banks import Chemistry
from fleet.services.audit import audit_record
from fleet.services.imports.kinds import Key, Planned, Problem, SheetKind, Values, column
from fleet.services.imports.office_sheets import in_order
from fleet.services.imports.references import Lookups
from fleet.services.records import facts
from readiness.models import BayTerms, ChargerBay, CrewDay, CrewHours, StoragePolicy, SupplyHours
from readiness.models.bays import Weekday
from readiness.services.bay_checks import check_setting

EVERY_DAY = "every"
WEEKDAYS = {str(day.value): (str(day.label), str(day.label)[:3].lower()) for day in Weekday}
CHEMISTRIES = {str(word).casefold(): code for code, word in Chemistry.choices} | {
    code.casefold(): code for code in Chemistry.values
}
SPAN_COLUMNS = (("valid_from", "From", "2026-01-01"), ("valid_to", "Through", ""))


def place_column(model: type[models.Model]) -> ColumnSpec:
    return column(
        model, "place", label="Depot", refers_to="places", aliases=("place", "depot code"), example="NORD"
    )


def span_columns(model: type[models.Model]) -> tuple[ColumnSpec, ...]:
    return tuple(column(model, name, label=label, example=example) for name, label, example in SPAN_COLUMNS)


def clock_column(model: type[models.Model], name: str, label: str, example: str, **given: Any) -> ColumnSpec:
    return column(model, name, label=label, kind="text", max_length=8, example=example, **given)


class DepotSheet(SheetKind):
    """Rows of one depot each. `clocks`: columns of times; `lists`: of chemistries, parted by ';'."""

    after = ("places",)
    exports = True
    clocks: frozenset[str] = frozenset()
    lists: frozenset[str] = frozenset()

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        for name in self.clocks & values.keys():
            if values[name] in (None, "") or isinstance(values[name], time):
                values[name] = values[name] or None
                continue
            found = clock_of(str(values[name]))
            if found is None:
                yield (
                    name,
                    DomainError(
                        "cell.clock",
                        _("'{text}' is no time of day."),
                        text=str(values[name]),
                        mend="Write for instance '07:30'.",
                    ),
                )
            values[name] = found
        for name in self.lists & values.keys():
            words = [
                word.strip() for word in str(values[name] or "").replace(",", ";").split(";") if word.strip()
            ]
            values[name] = [CHEMISTRIES.get(word.casefold(), word) for word in words]
        if values.get("weekday") is not None and not isinstance(values["weekday"], int):
            word = str(values["weekday"])
            values["weekday"] = None if word == EVERY_DAY else int(word)

    def wanted(self, name: str, value: Any) -> Any:
        if name in self.clocks:
            return value
        if name in self.lists:
            return list(value or [])
        return super().wanted(name, value)

    def narrowed(self, rows: Sequence[Values]) -> Iterable[Any]:
        return self.on_file().filter(place_id__in={values["place"].obj.pk for values in rows} - {None})

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        try:
            check_setting(row.obj)
        except DomainError as error:
            yield "", error
        if hasattr(row.obj, "valid_from"):
            yield from in_order(row.obj.valid_from, row.obj.valid_to, "valid_to")

    def told(self, obj: Any, name: str) -> Any:
        value = getattr(obj, name)
        if name in self.clocks:
            return f"{value:%H:%M}" if value is not None else None
        if name in self.lists:
            return "; ".join(value)
        if name == "weekday":
            return WEEKDAYS[str(value)][0] if value is not None else "every day"
        return super().told(obj, name)

    def watched(self, row: Planned) -> list[models.QuerySet[Any]]:
        manager: Any = self.model._default_manager
        return [manager.filter(place_id=row.obj.place_id)]


def clock_of(text: str) -> time | None:
    """A time of day as people and spreadsheet programs write it; None: it is none."""
    for shape in ("%H:%M", "%H:%M:%S", "%H.%M", "%Hh%M", "%I:%M %p"):
        try:
            return datetime.strptime(text.strip(), shape).time().replace(second=0)  # noqa: DTZ007
        except ValueError:
            continue
    return time(0) if text.strip() in ("24:00", "24:00:00") else None


class SpanSheet(DepotSheet):
    """Rows that hold from a day on: a new one without an end ends what held before, as on the pages. `same`: the columns
    that, with the depot, say what it is about."""

    same: tuple[str, ...] = ()

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        places = {values["place"].obj.pk for values in rows} - {None}
        manager: Any = self.model._default_manager
        lookups.memory[self.name] = list(manager.filter(place_id__in=places))

    def about(self, obj: Any) -> tuple[Any, ...]:
        return (
            obj.place_id or id(obj.place),
            *(str(getattr(obj, name)).casefold() for name in self.same),
        )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        if row.action != "added" or row.obj.valid_to is not None:
            return
        for there in lookups.memory[self.name]:
            later = there.valid_from > row.obj.valid_from
            if later and there.valid_to is None and self.about(there) == self.about(row.obj):
                yield (
                    "valid_from",
                    DomainError(
                        "sheet.before_open",
                        _(
                            "What holds from {there} on is on file already; a row without an end must begin later."
                        ),
                        there=there.valid_from.isoformat(),
                    ),
                )
                return

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        seen: dict[tuple[Any, ...], date] = {}
        for row in rows:
            if row.obj.valid_to is None:
                about = self.about(row.obj)
                if about in seen and self.once:
                    yield (
                        row,
                        "valid_to",
                        DomainError("sheet.two_open", _("Two rows about the same thing have no end.")),
                    )
                seen[about] = row.obj.valid_from

    once = True

    def adds_one_by_one(self, row: Planned) -> bool:
        return True

    def add_one(self, lookups: Lookups, row: Planned) -> None:
        obj = row.obj
        if isinstance(obj, StoragePolicy):
            obj.chosen_by = lookups.actor
        if obj.valid_to is None:
            manager: Any = self.model._default_manager
            for before in manager.filter(
                place_id=obj.place_id, valid_to__isnull=True, valid_from__lt=obj.valid_from
            ):
                if self.about(before) == self.about(obj):
                    before.valid_to = obj.valid_from - timedelta(days=1)
                    before.save(update_fields=["valid_to"])
                    self._note(lookups, before, "end", {"valid_to": None}, {"valid_to": before.valid_to}, "")
        obj.save(force_insert=True)
        self._note(
            lookups,
            obj,
            "import",
            {},
            facts(obj),
            f"import {lookups.run_id}, {self.spec.label} row {row.number}",
        )

    def _note(
        self,
        lookups: Lookups,
        obj: Any,
        verb: str,
        before: dict[str, Any],
        after: dict[str, Any],
        trail: str,
    ) -> None:
        audit_record(
            actor=lookups.actor,
            action=f"{obj._meta.model_name}.{verb}",
            subject=obj,
            before=before,
            after=after,
            note=trail,
            place=obj.place,
        )


class ChargerBaySheet(SpanSheet):
    model = ChargerBay
    same = ("name",)
    lists = frozenset({"profiles"})
    spec = SheetSpec(
        name="charger_bays",
        label="Charger bays",
        aliases=("bays", "chargers"),
        key=("place", "name", "valid_from"),
        columns=(
            place_column(ChargerBay),
            column(ChargerBay, "name", label="Bay", example="B1"),
            span_columns(ChargerBay)[0],
            column(
                ChargerBay, "max_a", label="Greatest current", required=True, minimum=0, aliases=("current",),
                example="60 A",
            ),
            column(
                ChargerBay, "max_v", label="Highest voltage", required=True, minimum=0, aliases=("voltage",),
                example="33 V",
            ),
            column(ChargerBay, "max_kw", label="Greatest power", minimum=0, aliases=("power",), example="2.5 kW"),
            column(
                ChargerBay, "profiles", label="Programmes", kind="text", required=True, aliases=("chemistries",),
                example="vrla_gel; vrla_agm", help="Codes of chemistries, parted by ';'.",
            ),
            span_columns(ChargerBay)[1],
            column(ChargerBay, "note"),
        ),
        help="What each bay's charger can give, from a day on. What the bay was before ends the day before.",
    )  # fmt: skip


class BayTermsSheet(SpanSheet):
    model = BayTerms
    lists = frozenset({"unattended"})
    spec = SheetSpec(
        name="bay_terms",
        label="Charging terms",
        aliases=("bay terms", "terms of charging"),
        key=("place", "valid_from"),
        columns=(
            place_column(BayTerms),
            span_columns(BayTerms)[0],
            column(BayTerms, "base_kw", label="Drawn anyway", minimum=0, aliases=("base load",), example="1.5 kW"),
            column(
                BayTerms, "handlings_per_hour", label="Handlings an hour", kind="number", unit="", minimum=0.1, maximum=100,
                aliases=("handlings per hour",), example="4",
            ),
            column(BayTerms, "least_h", label="Shortest time on a bay", minimum=0, maximum=168, example="1 h"),
            column(
                BayTerms, "unattended", label="Unattended", kind="text", example="lfp",
                help="Codes of chemistries, parted by ';'.",
            ),
            column(
                BayTerms, "horizon_days", label="Planned ahead", kind="integer", unit="", minimum=1, maximum=56,
                example="14",
            ),
            span_columns(BayTerms)[1],
            column(BayTerms, "source", label="Where this is written", aliases=("source",), example="house rules"),
        ),
        help="How a depot charges, from a day on. Empty under 'Unattended': every charge ends while the crew is there.",
    )  # fmt: skip


class CrewHoursSheet(SpanSheet):
    """A week is a week: rows from a later day end all rows of the week before."""

    model = CrewHours
    once = False
    clocks = frozenset({"opens", "closes"})
    spec = SheetSpec(
        name="crew_hours",
        label="Crew hours",
        aliases=("working hours", "opening hours"),
        key=("place", "weekday", "opens", "valid_from"),
        columns=(
            place_column(CrewHours),
            column(CrewHours, "weekday", label="Weekday", kind="choice", choices=WEEKDAYS, example="Monday"),
            clock_column(CrewHours, "opens", "Comes", "07:00", aliases=("opens",)),
            clock_column(CrewHours, "closes", "Leaves", "17:00", required=True, aliases=("closes",)),
            *span_columns(CrewHours),
        ),
        help="When the crew is there, in the depot's own time. A weekday without a row is closed. Rows from a later day end "
        "the whole week before.",
    )

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """Stretches of one weekday do not overlap, neither in the file nor with the same week on file."""
        ours = {row.obj.pk for row in rows if row.obj.pk is not None}
        stretches: dict[tuple[Any, ...], list[tuple[time, time, Planned | None]]] = {}
        for row in rows:
            obj = row.obj
            stretches.setdefault(self._week(obj), []).append((obj.opens, obj.closes, row))
        for there in lookups.memory[self.name]:
            if there.pk not in ours and self._week(there) in stretches:
                stretches[self._week(there)].append((there.opens, there.closes, None))
        for week in stretches.values():
            for (first, until, one), (again, end, other) in pairwise(sorted(week, key=lambda each: each[:2])):
                row_ = other or one
                if again < until and row_ is not None:
                    yield (
                        row_,
                        "opens",
                        DomainError(
                            "crew.overlap_sheet",
                            _(
                                "{one} and {other} overlap. Join them, or let one end before the other begins."
                            ),
                            one=f"{first:%H:%M}-{until:%H:%M}",
                            other=f"{again:%H:%M}-{end:%H:%M}",
                        ),
                    )

    def _week(self, obj: Any) -> tuple[Any, ...]:
        return (*self.about(obj), obj.weekday, obj.valid_from)


class CrewDaySheet(DepotSheet):
    model = CrewDay
    clocks = frozenset({"opens", "closes"})
    spec = SheetSpec(
        name="crew_days",
        label="Odd days",
        aliases=("closed days", "holidays"),
        key=("place", "day"),
        columns=(
            place_column(CrewDay),
            column(CrewDay, "day", label="Day", example="2026-12-24"),
            clock_column(CrewDay, "opens", "Comes", ""),
            clock_column(CrewDay, "closes", "Leaves", ""),
            column(CrewDay, "reason", label="Why", required=True, example="holiday"),
        ),
        help="Days unlike their weekday: without hours the depot is closed.",
    )


class SupplyHoursSheet(DepotSheet):
    model = SupplyHours
    clocks = frozenset({"starts", "ends"})
    spec = SheetSpec(
        name="supply_hours",
        label="Supply hours",
        aliases=("supply limits", "power hours"),
        key=("place", "weekday", "starts", "valid_from"),
        columns=(
            place_column(SupplyHours),
            column(
                SupplyHours, "weekday", label="Weekday", kind="choice",
                choices={EVERY_DAY: ("every day", "all", "daily"), **WEEKDAYS}, example="every day",
            ),
            clock_column(SupplyHours, "starts", "Starts", "22:00"),
            clock_column(SupplyHours, "ends", "Ends", "00:00", required=True, help="00:00 is the end of the day."),
            column(SupplyHours, "limit_kw", label="Limit", required=True, minimum=0, example="5 kW"),
            *span_columns(SupplyHours),
            column(SupplyHours, "reason", label="Why", example="night limit"),
        ),
        help="Hours in which the supply allows another power than the depot's limit. Where several hold, the least counts.",
    )  # fmt: skip


class StoragePolicySheet(SpanSheet):
    model = StoragePolicy
    same = ("chemistry",)
    spec = SheetSpec(
        name="storage_policies",
        label="Storage policies",
        aliases=("storage", "kept at"),
        key=("place", "chemistry", "valid_from"),
        columns=(
            place_column(StoragePolicy),
            column(StoragePolicy, "chemistry", label="Chemistry", example="lithium iron phosphate"),
            column(StoragePolicy, "store_soc", label="Kept at", required=True, minimum=0.05, maximum=1, example="55 %"),
            *span_columns(StoragePolicy),
            column(StoragePolicy, "reason", label="Why", required=True, example="to last"),
        ),
        help="How full banks of a chemistry are kept: the owner's choice for lithium. It never lowers a floor.",
    )  # fmt: skip

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        places = StoragePolicy.objects.filter(pk__in=pks).values("place_id")
        return set(Unit.objects.in_service().filter(home_id__in=places).values_list("pk", flat=True))


SHEETS: tuple[SheetKind, ...] = (
    ChargerBaySheet(),
    BayTermsSheet(),
    CrewHoursSheet(),
    CrewDaySheet(),
    SupplyHoursSheet(),
    StoragePolicySheet(),
)
