"""The rules a record of a bank or unit must pass, whoever writes it: a form, an import, a correction.

Each takes the unsaved row and what it needs to know, and raises DomainError. No queries.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BatteryBank
from fleet.services.records import Birth, check_finite, check_moment, said
from readiness.domain.chemistry import LITHIUM, chemistry
from readiness.domain.inputs import SG_MAX, SG_MIN, TEMP_MAX_C, TEMP_MIN_C
from readiness.domain.plausible import has_gravity, rest_v_bounds
from readiness.models import BankTest, Charge, Fault, Inspection, Reading

ONLY_LITHIUM_IN_PART = "charge.only_lithium_in_part"
LONGEST_CHARGE = timedelta(days=31)
CHARGER_SLACK = 1.25  # a charger's plate says less than it can give for a while


def check_reading(row: Reading, *, now: datetime, birth: Birth) -> None:
    check_finite(row)
    check_moment(row.happened_at, now=now, birth=birth)
    if row.rest_h is not None and row.rest_h < 0:
        raise DomainError(
            "reading.rest_negative",
            _(
                "Hours at rest cannot be less than 0. Type how long the bank had stood without charge or load."
            ),
        )
    check_temperature(row.temp_c)
    if row.kind == Reading.Kind.VOLTAGE:
        check_voltage(row.volts_v, row.bank)
        check_lowest_block(row)
    elif row.kind == Reading.Kind.GRAVITY:
        check_gravity(row)
    elif row.meter_soc is None or not 0 <= row.meter_soc <= 1:
        raise DomainError(
            "reading.meter_out_of_range", _("The meter's charge state lies between 0 and 100 %.")
        )


def check_voltage(volts_v: float | None, bank: BatteryBank) -> None:
    if volts_v is None:
        raise DomainError("reading.no_voltage", _("Type the voltage that was measured."))
    low_v, high_v = rest_v_bounds(bank.chemistry, bank.cells_in_series)
    if not low_v <= volts_v <= high_v:
        raise DomainError(
            "reading.voltage_impossible",
            _(
                "{volts} V cannot be the voltage of bank {bank}: its {cells} cells in series ({chemistry}) show "
                "between {low} and {high} V at rest. Check the decimal point, the range of the meter, and that this is "
                "the bank that was measured."
            ),
            volts=f"{volts_v:g}",
            bank=bank.serial,
            cells=bank.cells_in_series,
            chemistry=bank.get_chemistry_display(),
            low=f"{low_v:g}",
            high=f"{high_v:g}",
        )


def check_lowest_block(row: Reading) -> None:
    if row.lowest_block_v is None or row.volts_v is None:
        return
    if not 0 <= row.lowest_block_v <= row.volts_v:
        raise DomainError(
            "reading.block_impossible",
            _(
                "The lowest block ({block} V) cannot show more than the whole bank ({volts} V), nor less than 0 V."
            ),
            block=f"{row.lowest_block_v:g}",
            volts=f"{row.volts_v:g}",
        )


def check_gravity(row: Reading) -> None:
    if not has_gravity(row.bank.chemistry):
        raise DomainError(
            "reading.no_gravity_here",
            _(
                "Bank {bank} is sealed ({chemistry}): its gravity cannot be measured. Check that this is the right bank."
            ),
            bank=row.bank.serial,
            chemistry=row.bank.get_chemistry_display(),
        )
    if row.gravity_sg is None or not SG_MIN <= row.gravity_sg <= SG_MAX:
        raise DomainError(
            "reading.gravity_impossible",
            _("A specific gravity lies between {low} and {high}, such as 1.245. Check the decimal point."),
            low=f"{SG_MIN:.3f}",
            high=f"{SG_MAX:.3f}",
        )


def check_temperature(temp_c: float | None) -> None:
    if temp_c is not None and not TEMP_MIN_C <= temp_c <= TEMP_MAX_C:
        raise DomainError(
            "reading.temperature_impossible",
            _(
                "{temp} °C cannot be the temperature of a battery here ({low} to {high} °C). Was it typed in °F?"
            ),
            temp=f"{temp_c:.0f}",
            low=f"{TEMP_MIN_C:.0f}",
            high=f"{TEMP_MAX_C:.0f}",
        )


def check_charge(row: Charge, *, now: datetime, birth: Birth) -> None:
    check_finite(row)
    check_moment(row.happened_at, now=now, birth=birth)
    if row.planned_end_at is not None and row.planned_end_at < row.happened_at:
        raise DomainError(
            "charge.plan_before_start", _("The planned end lies before the start of the charge.")
        )
    if row.planned_end_at is not None and row.planned_end_at - row.happened_at > LONGEST_CHARGE:
        raise DomainError(
            "charge.plan_too_long",
            _(
                "A charge planned over {days} days is longer than a month. Check the day of its planned end; a bank that "
                "stays on its charger is on float: record that as its supply."
            ),
            days=(row.planned_end_at - row.happened_at).days,
        )
    check_charged_to(row)
    if row.ended_at is None:
        return
    check_moment(row.ended_at, now=now, birth=birth)
    if row.ended_at < row.happened_at:
        raise DomainError(
            "charge.ends_before_start",
            _("The charge began on {start} and cannot end on {end}. Check both times."),
            start=said(row.happened_at, birth.zone),
            end=said(row.ended_at, birth.zone),
        )
    if row.ended_at - row.happened_at > LONGEST_CHARGE:
        raise DomainError(
            "charge.too_long",
            _(
                "A charge of {days} days is longer than a month. Was an earlier charge left open, or is the bank on "
                "float? Then record it as its supply instead."
            ),
            days=(row.ended_at - row.happened_at).days,
        )
    check_charge_ah(row)


def check_charged_to(row: Charge) -> None:
    """Only lithium is put away at less than full."""
    if row.to_soc is None or row.to_soc >= 1 or chemistry(row.bank.chemistry).family == LITHIUM:
        return
    raise DomainError(
        ONLY_LITHIUM_IN_PART,
        _(
            "Bank {bank} ({chemistry}) counts as charged only when it is full; 'charged to' less than 100 % is for lithium. "
            "Leave it empty. If the charge was ended early, leave the sign of its end empty too and say how many "
            "ampere-hours went in: that much is credited."
        ),
        bank=row.bank.serial,
        chemistry=row.bank.get_chemistry_display(),
    )


def check_charge_ah(row: Charge) -> None:
    """No charger puts in more than its current times the hours."""
    if row.ah_in is None or row.ended_at is None or not row.bank.charger_a:
        return
    hours = (row.ended_at - row.happened_at).total_seconds() / 3600
    most_ah = row.bank.charger_a * CHARGER_SLACK * hours
    if row.ah_in > most_ah:
        raise DomainError(
            "charge.more_than_charger",
            _(
                "{ah} Ah in {hours} h is more than the charger of bank {bank} can give ({most} Ah at {amps} A). "
                "Check the figure and the times."
            ),
            ah=f"{row.ah_in:g}",
            hours=f"{hours:.1f}",
            bank=row.bank.serial,
            most=f"{most_ah:.0f}",
            amps=f"{row.bank.charger_a:g}",
        )


def check_bank_test(row: BankTest, *, now: datetime, birth: Birth) -> None:
    check_finite(row)
    check_moment(row.happened_at, now=now, birth=birth)
    check_temperature(row.temp_c)
    measured = row.capacity_ah if row.kind == BankTest.Kind.CAPACITY else row.worst_ratio
    if measured is None or measured <= 0:
        raise DomainError(
            "bank_test.no_value", _("The result of the test is missing: type what was measured, more than 0.")
        )
    if row.capacity_ah is not None and row.capacity_ah > 2 * row.bank.capacity_ah:
        raise DomainError(
            "bank_test.capacity_impossible",
            _(
                "{measured} Ah is more than twice the rated {rated} Ah of bank {bank}. Check the figure and the bank."
            ),
            measured=f"{row.capacity_ah:g}",
            rated=f"{row.bank.capacity_ah:g}",
            bank=row.bank.serial,
        )


def check_inspection(row: Inspection, *, now: datetime, birth: Birth, designs: frozenset[int]) -> None:
    """`designs`: ids of the designs the type is meant for; none means every design."""
    check_moment(row.happened_at, now=now, birth=birth)
    if designs and row.unit.design_id not in designs:
        raise DomainError(
            "inspection.not_for_design",
            _(
                "The inspection '{type}' is not meant for {unit}, a {design}. Check the unit and the inspection."
            ),
            type=row.type.name,
            unit=row.unit.tag,
            design=row.unit.design.name,
        )


def check_fault(row: Fault, *, now: datetime, birth: Birth) -> None:
    check_finite(row)
    check_moment(row.happened_at, now=now, birth=birth)
    if not row.description.strip():
        raise DomainError("fault.no_description", _("Say in a few words what is wrong."))
    if row.closed_at is not None:
        check_moment(row.closed_at, now=now, birth=birth)
        if row.closed_at < row.happened_at:
            raise DomainError(
                "fault.closed_before_found",
                _(
                    "The fault was found on {found} and cannot have been mended on {closed}. Check both times."
                ),
                found=said(row.happened_at, birth.zone),
                closed=said(row.closed_at, birth.zone),
            )
