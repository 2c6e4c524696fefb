"""Sheets about units away: deployments and their day logs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, time
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.domain.stays import Span, beside_others, cut
from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import Absence, DayLog, Deployment, Place, Unit, UnitStay
from fleet.services.deployments import deployment_end, deployment_start, end_of_day
from fleet.services.imports.kinds import Planned, Problem, Ref, SheetKind, Values, chunks, column
from fleet.services.imports.office_sheets import in_order, key_column
from fleet.services.imports.references import Lookups
from fleet.services.imports.unit_sheets import UNIT_COLUMN, first_moment, rule_problems
from fleet.services.past_deployments import deployment_past, spans_of
from fleet.services.records import birth_of_unit, check_moment, facts, note_change

MORNING, EVENING = time(8, 0), time(18, 0)


class DeploymentSheet(SheetKind):
    model = Deployment
    after = ("units", "places")
    virtual = frozenset({"custodian", "due_back_on"})
    one_by_one = frozenset({"ended_on"})
    spec = SheetSpec(
        name="deployments",
        label="Deployments",
        aliases=("missions", "deployment", "exercises"),
        key=("code",),
        zone_column="unit",
        columns=(
            column(
                Deployment,
                "code",
                aliases=("deployment", "mission", "deployment code"),
                example="2025-FLOOD-03",
            ),
            column(
                Deployment,
                "unit",
                required=True,
                refers_to="units",
                aliases=UNIT_COLUMN.aliases,
                example="MW-014",
            ),
            column(Deployment, "exercise", aliases=("is exercise", "drill"), example="no"),
            column(Deployment, "site", refers_to="places", aliases=("site", "to"), example="VALLEY"),
            column(
                Deployment,
                "started_on",
                required=True,
                aliases=("from", "start", "left on"),
                example="2025-06-02",
            ),
            column(
                Deployment,
                "ended_on",
                aliases=("to date", "end", "back on", "returned"),
                example="2025-07-20",
            ),
            ColumnSpec(
                "custodian",
                "Custodian",
                max_length=120,
                aliases=("who has it", "with"),
                help="Needed when the unit is still away; 'not recorded' stands for one that is back.",
                example="Coastal response team",
            ),
            ColumnSpec("due_back_on", "Due back", "date", aliases=("due back on", "expected back")),
            column(Deployment, "people", maximum=10_000_000, aliases=("people served",), example="4000"),
            column(Deployment, "note", aliases=("notes", "remarks")),
        ),
        help="One unit away on one call or exercise, from the morning of the first day to the evening of the last. "
        "Without an end the unit is away now.",
    )

    def current(self, obj: Any, name: str) -> Any:
        if name in self.virtual:
            return getattr(obj.absence, name) if obj.absence else None
        return super().current(obj, name)

    def on_file(self) -> Any:
        return super().on_file().select_related("absence", "unit__home", "site")

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        for name in self.virtual:
            row.changes.pop(name, None)  # said once, when the unit leaves; changed on the unit's own page
        if row.action == "changed" and not row.changes:
            row.action = "left"
            return
        deployment: Deployment = row.obj
        if "unit" in row.changes:
            yield (
                "unit",
                DomainError(
                    "deployment.other_unit",
                    _("The deployment is that of unit {unit}."),
                    unit=str(row.changes["unit"][0]),
                ),
            )
        if "ended_on" in row.changes:
            deployment.ended_on = row.values["ended_on"]
            if row.changes["ended_on"][0] is not None:
                yield (
                    "ended_on",
                    DomainError(
                        "deployment.ended",
                        _("The deployment has ended already; its end is corrected on its page."),
                    ),
                )
        yield from in_order(deployment.started_on, deployment.ended_on, "ended_on")
        day = lookups.now.astimezone(find_zone(deployment.unit.home.time_zone)).date()
        if deployment.started_on > day:
            yield (
                "started_on",
                DomainError(
                    "deployment.in_future", _("{day} has not come yet."), day=str(deployment.started_on)
                ),
            )
        if deployment.ended_on is not None and deployment.ended_on > day:
            yield (
                "ended_on",
                DomainError(
                    "deployment.in_future", _("{day} has not come yet."), day=str(deployment.ended_on)
                ),
            )
        if row.action == "added" and deployment.ended_on is None and not row.values.get("custodian"):
            yield (
                "custodian",
                DomainError("absence.no_custodian", _("Say who has the unit while it is away.")),
            )

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """A unit is away once at a time: on file, and among the rows of the file, taken in the order of their start."""
        added = sorted(
            (row for row in rows if row.action == "added"),
            key=lambda row: (row.obj.started_on, row.obj.ended_on is None, row.number),
        )
        known = _spans_on_file({row.obj.unit_id for row in rows} - {None})
        for row in rows:
            if row.action == "changed" and "ended_on" in row.changes:
                _back(known[row.obj.unit_id], row, lookups.now)
        for turn, row in enumerate(added):
            row.turn = turn
            unit: Unit = row.obj.unit
            spans = known[unit.pk or id(unit)]
            if not spans:
                spans.append(Span(first_moment(unit, lookups.now), None, False, str(unit.home)))
            start, end = _moments(row.obj, spans, lookups.now)
            try:
                if end is None:
                    _leave(spans, row, start)
                else:
                    check_moment(start, now=lookups.now, birth=birth_of_unit(unit))
                    _make_room(spans, row, start, end)
            except DomainError as error:
                yield row, "started_on", error

    def adds_one_by_one(self, row: Planned) -> bool:
        return True

    def add_one(self, lookups: Lookups, row: Planned) -> None:
        deployment: Deployment = row.obj
        spans = _spans_on_file({deployment.unit_id})[deployment.unit_id]
        start, end = _moments(deployment, spans, lookups.now)
        said: dict[str, Any] = {
            "unit": deployment.unit,
            "code": deployment.code,
            "started_at": start,
            "custodian": row.values.get("custodian") or "",
            "actor": lookups.actor,
            "site": deployment.site,
            "exercise": deployment.exercise,
            "due_back_on": row.values.get("due_back_on"),
            "people": deployment.people,
            "note": deployment.note,
            "now": lookups.now,
        }
        trail = f"import {lookups.run_id}, {self.spec.label} row {row.number}"
        if end is None:
            made = deployment_start(**said)
            note_change(made, action="deployment.import", actor=lookups.actor, after=facts(made), note=trail)
        else:
            deployment_past(**said, ended_at=end, trail=trail)

    def change_one(self, lookups: Lookups, row: Planned) -> None:
        there = Deployment.objects.select_related("unit__home", "absence").get(pk=row.obj.pk)
        deployment_end(
            deployment=there,
            ended_at=_at(row.values["ended_on"], EVENING, there.unit, lookups.now),
            actor=lookups.actor,
            note="import",
            now=lookups.now,
        )

    def watched(self, row: Planned) -> list[Any]:
        unit = row.obj.unit_id
        return [
            Absence.objects.filter(unit=unit),
            Deployment.objects.filter(unit=unit),
            UnitStay.objects.filter(unit=unit),
        ]

    def homes(self, row: Planned) -> Collection[Place]:
        return [row.obj.unit.home]

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        unit: Unit = row.obj.unit
        return [row.obj.code], Ref(row.obj, row.obj.code, unit.home, unit.commissioned_on, unit)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(Deployment.objects.filter(pk__in=pks).values_list("unit_id", flat=True))


def _at(day: Any, clock: time, unit: Unit, now: datetime) -> datetime:
    """A moment of a day by the clock of the unit's home; a moment that has not come yet is now."""
    zone = find_zone(unit.home.time_zone)
    return min(now.astimezone(zone), datetime.combine(day, clock, tzinfo=zone))


def _moments(
    deployment: Deployment, spans: Sequence[Span], now: datetime
) -> tuple[datetime, datetime | None]:
    """When a unit left and was back, of which a list says only the days."""
    start = _at(deployment.started_on, MORNING, deployment.unit, now)
    end = None
    if deployment.ended_on is not None:
        end = max(start, _at(deployment.ended_on, EVENING, deployment.unit, now))
    start, end = beside_others(spans, start, end)
    here = spans[-1] if spans else None
    if end is None and here is not None and start < here.start:
        came = here.start.astimezone(start.tzinfo)
        start = came if came.date() == start.date() else start
    return start, end


def _spans_on_file(unit_ids: Collection[int]) -> dict[Any, list[Span]]:
    """Where units were and are, by their key. One query for each 500 units."""
    stays: dict[int, list[UnitStay]] = defaultdict(list)
    for some in chunks(sorted(unit_ids), 500):
        for stay in UnitStay.objects.filter(unit__in=some).select_related("place", "absence__unit"):
            stays[stay.unit_id].append(stay)
    return defaultdict(list, {pk: spans_of(some) for pk, some in stays.items()})


def _make_room(spans: list[Span], row: Planned, start: datetime, end: datetime) -> None:
    """What `deployment_past` will do to the stays, done to what is known of them."""
    room = cut(spans, start, end)
    gone = Span(start, end, True, row.obj.code)
    if room.split is not None:
        here = spans[room.split]
        spans[room.split : room.split + 1] = [
            replace(here, end=start),
            gone,
            replace(here, start=end),
        ]
    elif room.later is not None:
        spans[room.later : room.later + 1] = [gone, replace(spans[room.later], start=end)]
    else:
        fill = [Span(end, room.fill_until, False, str(row.obj.unit.home))] if room.fill else []
        spans.extend([gone, *fill])
        spans.sort(key=lambda span: span.start)


def _leave(spans: list[Span], row: Planned, start: datetime) -> None:
    """What `deployment_start` will do. Raises DomainError when the unit is away, or came here later."""
    unit, here = row.obj.unit, spans[-1]
    if here.away and here.end is None:
        raise DomainError(
            "absence.away_already", _("{unit} is away already. End that absence first."), unit=unit.tag
        )
    if start < here.start:
        raise DomainError(
            "deployment.before_here",
            _("On file {unit} came to {place} on {since} only, so it cannot have left from there before."),
            unit=unit.tag,
            place=here.label,
            since=here.start.date().isoformat(),
            mend="Give the day on which the unit was commissioned, or correct the day on which it left.",
        )
    spans[-1] = replace(here, end=start)
    spans.append(Span(start, None, True, row.obj.code))


def _back(spans: list[Span], row: Planned, now: datetime) -> None:
    """What `deployment_end` will do."""
    if spans and spans[-1].away and spans[-1].end is None:
        end = max(spans[-1].start, _at(row.values["ended_on"], EVENING, row.obj.unit, now))
        spans[-1] = replace(spans[-1], end=end)
        spans.append(Span(end, None, False, str(row.obj.unit.home)))


class DayLogSheet(SheetKind):
    model = DayLog
    after = ("deployments",)
    spec = SheetSpec(
        name="day_logs",
        label="Day logs",
        aliases=("daily log", "day log", "log", "logs", "daily logs"),
        key=("deployment", "day"),
        zone_column="deployment",
        columns=(
            key_column(
                "deployment",
                "Deployment",
                "deployments",
                aliases=("mission", "deployment code"),
                example="2025-FLOOD-03",
            ),
            column(DayLog, "day", aliases=("date",), example="2025-06-03"),
            column(DayLog, "hours_a_h", aliases=("hours a",), minimum=0, maximum=25, example="18.5 h"),
            column(DayLog, "hours_b_h", aliases=("hours b",), minimum=0, maximum=25, example="18.5 h"),
            column(DayLog, "starts_a", aliases=("starts a",), example="2"),
            column(DayLog, "starts_b", aliases=("starts b",), example="1"),
            column(
                DayLog,
                "volume_a_m3",
                aliases=("volume a", "water a"),
                minimum=0,
                maximum=100_000,
                example="19.2 m3",
            ),
            column(
                DayLog,
                "volume_b_m3",
                aliases=("volume b", "water b"),
                minimum=0,
                maximum=100_000,
                example="18.8 m3",
            ),
            column(
                DayLog,
                "turbidity_ntu",
                label="Raw water turbidity",
                aliases=("turbidity", "ntu"),
                minimum=0,
                maximum=20_000,
                example="80",
            ),
            column(
                DayLog, "pressure_drop_bar", aliases=("pressure",), minimum=0, maximum=100, example="0.4 bar"
            ),
            column(DayLog, "energy_kwh", aliases=("energy",), minimum=0, maximum=100_000, example="31 kWh"),
            column(DayLog, "note", aliases=("notes", "remarks")),
        ),
        help="One day of a deployment as written down on site.",
    )

    def make(self, lookups: Lookups, values: Values) -> DayLog:
        log: DayLog = super().make(lookups, values)
        log.happened_at = min(end_of_day(log.deployment, log.day), lookups.now)
        return log

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from rule_problems(lookups, row, "day")

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(DayLog.objects.filter(pk__in=pks).values_list("deployment__unit_id", flat=True))
