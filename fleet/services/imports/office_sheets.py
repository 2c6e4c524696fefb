"""Sheets about the pool itself: places, what depots promise, climate, designs."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import ClimateNormal, DepotTerms, Design, Place, Unit
from fleet.services.audit import audit_record
from fleet.services.imports.kinds import Key, Planned, Problem, Ref, SheetKind, Values, column
from fleet.services.imports.references import Lookups
from fleet.services.records import facts


class PlaceSheet(SheetKind):
    model = Place
    spec = SheetSpec(
        name="places",
        label="Places",
        aliases=("depots", "sites", "locations", "airfields"),
        key=("code",),
        columns=(
            column(Place, "code", aliases=("place", "place code", "depot", "depot code"), example="NORD"),
            column(Place, "name", required=True, aliases=("place name",), example="Nordheim depot"),
            column(Place, "kind", required=True, aliases=("type",), example="depot"),
            column(Place, "country", aliases=("country code",), example="NO"),
            column(
                Place,
                "lat_deg",
                label="Latitude",
                kind="latitude",
                unit="",
                aliases=("lat",),
                example="59.913",
            ),
            column(
                Place,
                "lon_deg",
                label="Longitude",
                kind="longitude",
                unit="",
                aliases=("lon", "long"),
                example="10.752",
            ),
            column(
                Place,
                "elevation_m",
                aliases=("altitude", "height above sea"),
                minimum=-450,
                maximum=6000,
                example="94 m",
            ),
            column(
                Place,
                "time_zone",
                required=True,
                label="Time zone",
                aliases=("zone", "tz"),
                example="Europe/Oslo",
            ),
            column(
                Place,
                "mail",
                label="Mail for the daily digest",
                aliases=("mail", "email"),
                example="depot.north@pool.example",
            ),
            column(Place, "closed_on"),
        ),
        help="Depots, airfields, ports, landing zones and sites. The code is what other sheets name.",
    )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        try:
            find_zone(row.obj.time_zone)
        except DomainError as error:
            yield "time_zone", error

    def homes(self, row: Planned) -> Collection[Place]:
        return [row.obj] if row.action == "changed" else []

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        return [row.obj.code, row.obj.name], Ref(row.obj, row.obj.code, row.obj)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(Unit.objects.in_service().filter(home_id__in=pks).values_list("pk", flat=True))


class DepotTermsSheet(SheetKind):
    model = DepotTerms
    after = ("places",)
    spec = SheetSpec(
        name="depot_terms",
        label="Depot terms",
        aliases=("terms", "depot promises"),
        key=("place", "valid_from"),
        zone_column="place",
        columns=(
            column(DepotTerms, "place", refers_to="places", aliases=("depot", "depot code"), example="NORD"),
            column(DepotTerms, "valid_from", aliases=("from", "since"), example="2026-01-01"),
            column(DepotTerms, "valid_to", aliases=("to", "until")),
            column(
                DepotTerms, "notice_h", label="Notice", aliases=("notice period",), minimum=0, example="24 h"
            ),
            column(DepotTerms, "mission_days", aliases=("mission days",), maximum=3650, example="30"),
            column(
                DepotTerms, "reading_max_age_days", aliases=("reading age days",), minimum=1, example="90"
            ),
            column(DepotTerms, "crew_count", aliases=("crew",), example="3"),
            column(DepotTerms, "charger_bays", aliases=("bays",), example="4"),
            column(DepotTerms, "supply_limit_kw", minimum=0, aliases=("supply",), example="11 kW"),
            column(DepotTerms, "lookahead_days", example="30"),
        ),
        help="What a depot promises and has, from a day on. The terms in force before end the day before.",
    )

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        places = {values["place"].obj.pk for values in rows} - {None}
        open_terms = DepotTerms.objects.filter(place_id__in=places, valid_to__isnull=True)
        lookups.memory["open_terms"] = {terms.place_id: terms for terms in open_terms}

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        there = lookups.memory["open_terms"].get(row.obj.place_id)
        if (
            row.action == "added"
            and there is not None
            and there.valid_from >= row.obj.valid_from
            and not row.obj.valid_to
        ):
            yield (
                "valid_from",
                DomainError(
                    "terms.before_open",
                    _("Terms from {there} on are on file already; new ones without an end must begin later."),
                    there=there.valid_from.isoformat(),
                ),
            )
        yield from in_order(row.obj.valid_from, row.obj.valid_to, "valid_to")

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        open_rows: dict[Any, Planned] = {}
        for row in rows:
            if row.obj.valid_to is None:
                key = id(row.values["place"].obj)
                if key in open_rows:
                    yield (
                        row,
                        "valid_to",
                        DomainError("terms.two_open", _("Two rows of this depot have no end.")),
                    )
                open_rows[key] = row

    def adds_one_by_one(self, row: Planned) -> bool:
        return True

    def add_one(self, lookups: Lookups, row: Planned) -> None:
        terms: DepotTerms = row.obj
        trail = f"import {lookups.run_id}, {self.spec.label} row {row.number}"
        if terms.valid_to is None:
            ends_on = terms.valid_from - timedelta(days=1)
            for before in DepotTerms.objects.filter(place_id=terms.place_id, valid_to__isnull=True):
                before.valid_to = ends_on
                before.save(update_fields=["valid_to"])
                self._audit(lookups, before, "end", {"valid_to": None}, {"valid_to": ends_on}, "")
        terms.save(force_insert=True)
        self._audit(lookups, terms, "import", {}, facts(terms), trail)

    def _audit(
        self,
        lookups: Lookups,
        terms: DepotTerms,
        word: str,
        before: dict[str, Any],
        after: dict[str, Any],
        trail: str,
    ) -> None:
        audit_record(
            actor=lookups.actor,
            action=f"depotterms.{word}",
            subject=terms,
            before=before,
            after=after,
            note=trail,
            place=terms.place,
        )

    def watched(self, row: Planned) -> list[Any]:
        return [DepotTerms.objects.filter(place_id=row.obj.place_id)]

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        places = DepotTerms.objects.filter(pk__in=pks).values("place_id")
        return set(Unit.objects.in_service().filter(home_id__in=places).values_list("pk", flat=True))


class ClimateSheet(SheetKind):
    model = ClimateNormal
    after = ("places",)
    spec = SheetSpec(
        name="climate",
        label="Climate",
        aliases=("climate normals", "temperatures"),
        key=("place", "month"),
        columns=(
            column(
                ClimateNormal, "place", refers_to="places", aliases=("depot", "depot code"), example="NORD"
            ),
            column(ClimateNormal, "month", minimum=1, maximum=12, example="1"),
            column(
                ClimateNormal,
                "mean_c",
                label="Mean",
                required=True,
                aliases=("mean temperature",),
                minimum=-60,
                maximum=60,
                example="-3.5 °C",
            ),
            column(
                ClimateNormal, "record_low_c", label="Record low", minimum=-80, maximum=60, example="-24 °C"
            ),
            column(
                ClimateNormal, "record_high_c", label="Record high", minimum=-60, maximum=65, example="12 °C"
            ),
            column(ClimateNormal, "source", example="national weather service, 1991-2020"),
        ),
        help="Monthly means and records of the air temperature; the records decide about frost.",
    )

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        normal: ClimateNormal = row.obj
        if normal.record_low_c is not None and normal.record_low_c > normal.mean_c:
            yield (
                "record_low_c",
                DomainError("climate.low_above_mean", _("The record low is above the mean.")),
            )
        if normal.record_high_c is not None and normal.record_high_c < normal.mean_c:
            yield (
                "record_high_c",
                DomainError("climate.high_below_mean", _("The record high is below the mean.")),
            )

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        places = ClimateNormal.objects.filter(pk__in=pks).values("place_id")
        return set(Unit.objects.in_service().filter(home_id__in=places).values_list("pk", flat=True))


class DesignSheet(SheetKind):
    model = Design
    exports = True
    spec = SheetSpec(
        name="designs",
        label="Designs",
        aliases=("types", "unit types", "design"),
        key=("code",),
        columns=(
            column(Design, "code", aliases=("design", "design code", "type code"), example="WX-40"),
            column(
                Design,
                "name",
                required=True,
                aliases=("design name",),
                example="Forty-cubic-metre river unit",
            ),
            column(Design, "maker", aliases=("manufacturer",), example="Own workshop"),
            column(Design, "description"),
            column(Design, "water_m3_day", aliases=("water per day",), minimum=0, example="40 m3/day"),
            column(
                Design,
                "solar_kwp",
                kind="quantity",
                unit="kw",
                aliases=("solar", "array"),
                minimum=0,
                example="4.8 kW",
            ),
            column(Design, "inverter_kw", aliases=("inverter power",), minimum=0, example="5 kW"),
            column(
                Design,
                "enclosure_heat_c",
                kind="quantity",
                unit="k",
                aliases=("enclosure heat",),
                minimum=-5,
                maximum=40,
                example="5 K",
            ),
            column(
                Design,
                "enclosure_swing_c",
                kind="quantity",
                unit="k",
                aliases=("enclosure swing",),
                minimum=0,
                maximum=40,
                example="6 K",
            ),
            column(
                Design, "train_hours_day", kind="quantity", unit="h", minimum=0, maximum=24, example="20 h"
            ),
            column(Design, "train_m3_day", aliases=("volume per train",), minimum=0, example="20 m3/day"),
            column(
                Design,
                "trapped_water_kg",
                aliases=("trapped water", "water left inside"),
                minimum=0,
                maximum=10_000,
                help="Of a unit that was not drained.",
                example="60 kg",
            ),
            column(Design, "survey_min", kind="integer", example="5"),
        ),
        help="Types of unit and what they can do.",
    )

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        return [row.obj.code, row.obj.name], Ref(row.obj, row.obj.code)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(Unit.objects.in_service().filter(design_id__in=pks).values_list("pk", flat=True))


def in_order(start: date | None, end: date | None, name: str) -> Iterator[Problem]:
    """A span does not end before it starts."""
    if start is not None and end is not None and end < start:
        yield (
            name,
            DomainError(
                "span.order",
                _("The end ({end}) lies before the start ({start})."),
                end=str(end),
                start=str(start),
            ),
        )


def key_column(name: str, label: str, refers_to: str, **given: Any) -> ColumnSpec:
    """A column that names a row of another sheet."""
    return ColumnSpec(name=name, label=label, kind="reference", refers_to=refers_to, **given)
