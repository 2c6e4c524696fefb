"""Where a unit is, and the dated facts about its body."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date, datetime, time
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_noop as _

from fleet.domain.stays import unmoved
from fleet.lib.dates import find_zone
from fleet.lib.errors import DomainError
from fleet.models import (
    Absence,
    Attachment,
    Certificate,
    ImportChange,
    Modification,
    PackedForm,
    Place,
    Unit,
    UnitStay,
    User,
    Weighing,
    WetState,
)
from fleet.models.designs import Evidence
from fleet.services.audit import plain
from fleet.services.corrections import check_for, require_reason
from fleet.services.measures import IMPOSSIBLE, Problem, measure_problems, measured
from fleet.services.past_deployments import spans_of
from fleet.services.records import (
    birth_of_unit,
    check_finite,
    check_moment,
    check_row,
    facts,
    from_integrity,
    local_day,
    locked,
    moment_or_now,
    note_change,
    said,
    save_record,
    written_once,
)


def unit_add(
    *, unit: Unit, actor: User | None, at: datetime | None = None, now: datetime | None = None
) -> Unit:
    """Adds a unit that stands in its home depot from `at` on (default: its first day there, else now)."""
    instant = moment_or_now(now)
    with transaction.atomic():
        check_row(unit)
        unit.save(force_insert=True)
        since = at
        if since is None and unit.commissioned_on is not None:
            since = datetime.combine(unit.commissioned_on, time(0), tzinfo=find_zone(unit.home.time_zone))
        UnitStay.objects.create(unit=unit, place=unit.home, started_at=min(since or instant, instant))
        note_change(unit, action="unit.add", actor=actor, after=facts(unit), place=unit.home)
        return unit


def unit_move(
    *,
    unit: Unit,
    to: Place,
    at: datetime,
    actor: User | None,
    as_home: bool = False,
    note: str = "",
    now: datetime | None = None,
) -> UnitStay:
    """Moves a unit from the place where it stands to another; `as_home` makes that depot its home as well."""
    instant = moment_or_now(now)
    if as_home and to.kind != Place.Kind.DEPOT:
        raise DomainError(
            "unit.home_is_depot", _("{place} is not a depot: a unit's home is one."), place=to.name
        )
    with transaction.atomic():
        row: Unit = locked(unit)
        check_moment(at, now=instant, birth=birth_of_unit(row))
        here = current_stay(row)
        if here is not None and here.absence is not None:
            raise DomainError(
                "unit.away",
                _(
                    "{unit} is away ({purpose}, with {custodian}). End the absence, then it is back in a place."
                ),
                unit=row.tag,
                purpose=here.absence.get_purpose_display(),
                custodian=here.absence.custodian,
            )
        if as_home and row.home_id != to.pk:
            old_home = row.home
            row.home = to
            row.version += 1
            row.save(update_fields=["home", "version", "updated_at"])
            note_change(
                row, action="unit.home", actor=actor, before={"home": old_home}, after={"home": to}, place=to
            )
        if here is not None and here.place_id == to.pk:
            return here
        stay = _begin_stay(row, at=at, place=to)
        note_change(
            row,
            action="unit.move",
            actor=actor,
            before={"place": here.place if here else None},
            after={"place": to, "at": at},
            note=note,
            place=to,
        )
        return stay


def current_stay(unit: Unit) -> UnitStay | None:
    return UnitStay.objects.current().filter(unit=unit).select_related("place", "absence").first()


def _begin_stay(
    unit: Unit, *, at: datetime, place: Place | None = None, absence: Absence | None = None
) -> UnitStay:
    """Ends where the unit was and begins where it is, at one instant."""
    here = current_stay(unit)
    if here is not None:
        if at < here.started_at:
            raise DomainError(
                "unit.moved_before",
                _("{unit} came to {place} on {since} only, so it cannot leave on {at}. Check the time."),
                unit=unit.tag,
                place=str(here.place or here.absence),
                since=said(here.started_at, unit.home.time_zone),
                at=said(at, unit.home.time_zone),
            )
        here.ended_at = at
        here.save(update_fields=["ended_at"])
    return UnitStay.objects.create(unit=unit, place=place, absence=absence, started_at=at)


def absence_start(
    *,
    unit: Unit,
    purpose: str,
    custodian: str,
    started_at: datetime,
    actor: User | None,
    place: Place | None = None,
    due_back_on: date | None = None,
    recall_h: float | None = None,
    note: str = "",
    now: datetime | None = None,
) -> Absence:
    """A unit leaves its place: why, who has it, when it is due back, how many hours a recall takes."""
    instant = moment_or_now(now)
    if not custodian.strip():
        raise DomainError("absence.no_custodian", _("Say who has the unit while it is away."))
    try:
        with transaction.atomic():
            row: Unit = locked(unit)
            open_one = Absence.objects.filter(unit=row, ended_at__isnull=True).first()
            if open_one is not None:
                return _same_absence(open_one, purpose, custodian, started_at, row)
            birth = birth_of_unit(row)
            check_moment(started_at, now=instant, birth=birth)
            if due_back_on is not None and due_back_on < local_day(started_at, birth.zone):
                raise DomainError(
                    "absence.due_before_start", _("The day it is due back lies before it leaves.")
                )
            absence = Absence(
                unit=row,
                purpose=purpose,
                custodian=custodian.strip(),
                place=place,
                started_at=started_at,
                due_back_on=due_back_on,
                recall_h=recall_h,
                note=note,
            )
            check_row(absence)
            absence.save(force_insert=True)
            _begin_stay(row, at=started_at, absence=absence)
            note_change(
                absence, action="absence.start", actor=actor, after=facts(absence), note=note, place=row.home
            )
            return absence
    except IntegrityError as error:
        raise from_integrity(error) from error


def _same_absence(there: Absence, purpose: str, custodian: str, started_at: datetime, unit: Unit) -> Absence:
    if (there.purpose, there.custodian, there.started_at) == (purpose, custodian.strip(), started_at):
        return there
    raise DomainError(
        "absence.away_already",
        _("{unit} is away already ({purpose}, with {custodian}, since {since}). End that absence first."),
        unit=unit.tag,
        purpose=there.get_purpose_display(),
        custodian=there.custodian,
        since=said(there.started_at, unit.home.time_zone),
    )


def absence_end(
    *,
    absence: Absence,
    ended_at: datetime,
    actor: User | None,
    to: Place | None = None,
    note: str = "",
    now: datetime | None = None,
) -> Absence:
    """The unit is back: in `to`, or at its home depot. Ending it twice is one end."""
    instant = moment_or_now(now)
    with transaction.atomic():
        row: Absence = locked(absence)
        if row.ended_at is not None:
            return row
        unit = row.unit
        check_moment(ended_at, now=instant, birth=birth_of_unit(unit))
        if ended_at < row.started_at:
            raise DomainError(
                "absence.ends_before_start", _("The unit cannot be back before it left. Check the time.")
            )
        deployment = getattr(row, "deployment", None)
        if deployment is not None and deployment.ended_on is None:
            raise DomainError(
                "absence.deployment_open",
                _(
                    "Deployment {code} of this unit is still open: end the deployment, and the unit is back with it."
                ),
                code=deployment.code,
            )
        back_at = to or unit.home
        row.ended_at = ended_at
        row.version += 1
        row.save(update_fields=["ended_at", "version", "updated_at"])
        _begin_stay(unit, at=ended_at, place=back_at)
        note_change(
            row,
            action="absence.end",
            actor=actor,
            before={"ended_at": None},
            after={"ended_at": ended_at, "place": back_at},
            note=note,
            place=back_at,
        )
        return row


def absence_strike(
    *, absence: Absence, reason: str, actor: User | None, now: datetime | None = None
) -> Absence:
    """Strikes out an absence that never was: it stays visible with the reason, and the unit stood where it had stood.

    One that belongs to a deployment goes with that. Striking twice is one strike.
    """
    instant = moment_or_now(now)
    require_reason(reason)
    with transaction.atomic():
        locked(absence.unit)
        row: Absence = locked(absence)
        if row.struck_at is not None:
            return row
        deployment = getattr(row, "deployment", None)
        if deployment is not None:
            raise DomainError(
                "absence.of_deployment",
                _(
                    "This absence belongs to deployment {code}. Strike out its days, and end it on the day it began."
                ),
                code=deployment.code,
            )
        before = facts(row)
        for stay in row.unit_stays.order_by("started_at"):
            earlier = UnitStay.objects.filter(
                unit=row.unit, started_at__lt=stay.started_at, place__isnull=False
            )
            last = earlier.select_related("place").order_by("started_at").last()
            stay.place, stay.absence = (last.place if last else row.unit.home), None
            stay.save(update_fields=["place", "absence"])
            _join_unmoved(stay)
        row.struck_at, row.struck_by, row.struck_reason = instant, actor, reason.strip()
        row.ended_at = row.ended_at or row.started_at
        row.version += 1
        row.save(
            update_fields=["struck_at", "struck_by", "struck_reason", "ended_at", "version", "updated_at"]
        )
        note_change(
            row, action="absence.strike", actor=actor, before=before, note=reason, place=row.unit.home
        )
        return row


def _join_unmoved(stay: UnitStay) -> None:
    """Makes one stay of this one and those it touches in the same place: the unit never moved in between.

    What an undo of an import would put back follows: it knows the stays, and where they ended, as they were.
    """
    stays = list(
        UnitStay.objects.select_for_update(of=("self",))
        .filter(unit=stay.unit_id)
        .select_related("place", "absence__unit")
        .order_by("started_at", "pk")
    )
    number = next(number for number, each in enumerate(stays) if each.pk == stay.pk)
    first, *others = (stays[each] for each in unmoved(spans_of(stays), number))
    if not others:
        return
    inner = [plain(each.ended_at) for each in (first, *others[:-1])]
    UnitStay.objects.filter(pk__in=[each.pk for each in others]).delete()
    first.ended_at = others[-1].ended_at
    first.save(update_fields=["ended_at"])
    notes = ImportChange.objects.filter(model=UnitStay._meta.label, action=ImportChange.Action.CHANGED)
    notes.filter(object_id__in=[str(each.pk) for each in others]).update(object_id=str(first.pk))
    for note in notes.filter(object_id__in=[str(each.pk) for each in stays]):
        if note.before.get("ended_at") in inner:
            note.before = {**note.before, "ended_at": plain(first.ended_at)}
            note.save(update_fields=["before"])


def modification_record(
    *,
    unit: Unit,
    kind: str,
    description: str,
    happened_at: datetime,
    actor: User | None,
    mass_change_kg: float | None = None,
    touches: Collection[str] | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> Modification:
    """Writes a change to the body down. `touches` (default: by the kind of change) is void until shown again."""
    instant = moment_or_now(now)

    def write() -> Modification:
        row = Modification(
            unit=unit,
            kind=kind,
            description=description.strip(),
            happened_at=happened_at,
            mass_change_kg=mass_change_kg,
            touches=Modification.default_touches(kind) if touches is None else sorted(set(touches)),
            token=token,
        )
        _check_modification(row, instant)
        return save_record(row, action="modification.record", actor=actor, now=instant)

    return written_once(Modification, token, write)


@check_for(Modification)
def _check_modification(row: Modification, now: datetime) -> None:
    check_finite(row)
    check_moment(row.happened_at, now=now, birth=birth_of_unit(row.unit))
    if not row.description:
        raise DomainError("modification.no_description", _("Say in a few words what was changed."))
    if unknown := set(row.touches) - set(Evidence.values):
        raise DomainError(
            "modification.unknown_evidence",
            _("'{word}' is no kind of evidence. Known are: {known}."),
            word=sorted(unknown)[0],
            known=", ".join(Evidence.values),
        )


def weighing_record(
    *,
    unit: Unit,
    packed_form: PackedForm,
    mass_kg: float,
    happened_at: datetime,
    actor: User | None,
    method: str = "",
    kit_aboard: bool | None = None,
    water_inside: bool | None = None,
    fuel_l: float | None = None,
    confirmed: bool = False,
    token: UUID | None = None,
    now: datetime | None = None,
) -> Weighing:
    """Writes down what the unit weighed [kg], packed in that form, and with what aboard [L of fuel]; None: nobody said.

    `confirmed`: a mass out of the ordinary is right.
    """
    instant = moment_or_now(now)

    def write() -> Weighing:
        row = Weighing(
            unit=unit,
            packed_form=packed_form,
            mass_kg=mass_kg,
            happened_at=happened_at,
            method=method,
            kit_aboard=kit_aboard,
            water_inside=water_inside,
            fuel_l=fuel_l,
            token=token,
        )
        row.confirmed = confirmed
        _check_weighing(row, instant)
        return save_record(row, action="weighing.record", actor=actor, now=instant)

    return written_once(Weighing, token, write)


@check_for(Weighing)
def _check_weighing(row: Weighing, now: datetime) -> None:
    check_finite(row)
    check_moment(row.happened_at, now=now, birth=birth_of_unit(row.unit))
    if row.packed_form.design_id != row.unit.design_id:
        raise DomainError(
            "weighing.other_design",
            _("{form} is a packed form of another design than {unit}'s. Check the form and the unit."),
            form=str(row.packed_form),
            unit=row.unit.tag,
        )
    problems = [error for _name, error in weighing_doubts(row)]
    doubts = [error.sentence for error in problems]
    if doubts and not _weighed_before(row):
        if any(error.key in IMPOSSIBLE for error in problems):
            raise DomainError(
                "weighing.impossible",
                _("{why} Perhaps that is not this unit, or not this form: such a weighing is not kept."),
                why=" ".join(doubts),
            )
        raise DomainError(
            "weighing.implausible",
            _(
                "{doubts} Perhaps that is not this unit, or not this form. Weigh again, mend it, or confirm that it is "
                "right."
            ),
            doubts=" ".join(doubts),
        )


def weighing_doubts(row: Weighing) -> Iterator[Problem]:
    """What cannot be about a weighing, or is out of the ordinary unless it is confirmed. No query."""
    measures = measured(row.packed_form) | {"mass_kg": row.mass_kg}
    return measure_problems(measures, {"mass_kg"}, confirmed=row.confirmed, listed_kg=row.packed_form.mass_kg)


def _weighed_before(row: Weighing) -> bool:
    """Whether this mass was accepted already: a correction of something else does not ask again."""
    same = Weighing.objects.filter(unit=row.unit, packed_form=row.packed_form, mass_kg=row.mass_kg)
    return same.exclude(pk=row.pk).exists()


def wet_state_record(
    *,
    unit: Unit,
    kind: str,
    happened_at: datetime,
    actor: User | None,
    good_until: date | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> WetState:
    """Says whether the water side is dry, wet, preserved or disinfected from then on, and through which day."""
    instant = moment_or_now(now)

    def write() -> WetState:
        row = WetState(unit=unit, kind=kind, happened_at=happened_at, good_until=good_until, token=token)
        _check_wet_state(row, instant)
        return save_record(row, action="wet_state.record", actor=actor, now=instant)

    return written_once(WetState, token, write)


@check_for(WetState)
def _check_wet_state(row: WetState, now: datetime) -> None:
    birth = birth_of_unit(row.unit)
    check_moment(row.happened_at, now=now, birth=birth)
    if row.good_until is not None and row.good_until < local_day(row.happened_at, birth.zone):
        raise DomainError(
            "wet_state.over_before", _("The day through which it is good lies before it was done.")
        )


def certificate_record(
    *,
    unit: Unit,
    kind: str,
    issued_on: date,
    actor: User | None,
    expires_on: date | None = None,
    number: str = "",
    issuer: str = "",
    file: Attachment | None = None,
    happened_at: datetime | None = None,
    token: UUID | None = None,
    now: datetime | None = None,
) -> Certificate:
    """Puts a certificate on file, valid through `expires_on` (None: it has no end)."""
    instant = moment_or_now(now)

    def write() -> Certificate:
        row = Certificate(
            unit=unit,
            kind=kind,
            number=number.strip(),
            issuer=issuer.strip(),
            issued_on=issued_on,
            expires_on=expires_on,
            file=file,
            happened_at=happened_at or instant,
            token=token,
        )
        _check_certificate(row, instant)
        return save_record(row, action="certificate.record", actor=actor, now=instant)

    return written_once(Certificate, token, write)


@check_for(Certificate)
def _check_certificate(row: Certificate, now: datetime) -> None:
    birth = birth_of_unit(row.unit)
    check_moment(row.happened_at, now=now, birth=birth)
    if row.issued_on > local_day(now, birth.zone):
        raise DomainError(
            "certificate.issued_in_future",
            _("{day} has not come yet: a certificate is issued on a day that has. Check the date."),
            day=row.issued_on.isoformat(),
        )
