"""What people write down about a unit: short forms for a thumb, quantities in any unit, moments in the depot's time."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from typing import Any

from django import forms
from django.db.models import Case, Value, When
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.lib.errors import DomainError
from fleet.lib.numbers import parse_number
from fleet.models import BatteryBank
from fleet.models.banks import Chemistry
from fleet.web.fields import MomentField, QuantityField, decimal_mark
from fleet.web.words import spoken
from readiness.domain.plausible import has_gravity
from readiness.models import Charge, Fault, InspectionType, Reading

METER_FIRST = frozenset(
    {Chemistry.LFP, Chemistry.NMC, Chemistry.NIMH, Chemistry.NIMH_LSD, Chemistry.NICD_SEALED}
)


class RecordForm(forms.Form):
    """A form that writes one record: its token makes a double tap one record."""

    token = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, zone: str = "UTC", system: str = "si", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone, self.system = zone, system
        if not self.is_bound:
            self.initial.setdefault("token", uuid.uuid4())
        for field in self.fields.values():
            # A sentence gets a line of its own; the template looks at this.
            field.wide = getattr(field, "max_length", None) == 400  # type: ignore[attr-defined]
            if isinstance(field, QuantityField):
                field.system = system  # type: ignore[assignment]
                if not field.widget.attrs.get("placeholder"):
                    field.widget.attrs["placeholder"] = field.symbol
            if isinstance(field, MomentField):
                field.zone = zone
                if not self.is_bound and field.initial is None:
                    field.initial = timezone.now()


class BankChoice(forms.ModelChoiceField):
    def label_from_instance(self, bank: BatteryBank) -> str:
        return f"{bank.serial}, {bank.get_chemistry_display()}"


class BankRecordForm(RecordForm):
    """A record about a bank: the choice shows only when the unit has several, the first position first."""

    bank = BankChoice(BatteryBank.objects.none(), label=_("Bank"), empty_label=None)

    def __init__(self, *args: Any, banks: Sequence[BatteryBank], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["bank"]
        keys = [bank.pk for bank in banks]
        turn = Case(*(When(pk=key, then=Value(n)) for n, key in enumerate(keys)), default=Value(0))
        field.queryset = BatteryBank.objects.filter(pk__in=keys).order_by(turn)  # type: ignore[attr-defined]
        field.wide = True  # type: ignore[attr-defined]
        if len(banks) == 1:
            field.widget = forms.HiddenInput()
            self.initial.setdefault("bank", banks[0].pk)


class ReadingForm(BankRecordForm):
    kind = forms.ChoiceField(label=_("What was measured"), choices=Reading.Kind.choices)
    value = forms.CharField(
        label=_("Value"),
        max_length=40,
        help_text=_("For instance 25.4 V, 1.245 or 62 %."),
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    temp_c = QuantityField(label=_("Temperature of the bank"), base="c", required=False)
    rest_h = QuantityField(
        label=_("Hours at rest"),
        base="h",
        required=False,
        help_text=_("Since it was last charged or used. Too few, and the voltage is kept but not used."),
    )
    lowest_block_v = QuantityField(label=_("Lowest block, if measured"), base="v", required=False)
    happened_at = MomentField()
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    COLUMNS = {
        Reading.Kind.VOLTAGE: ("volts_v", "v"),
        Reading.Kind.GRAVITY: ("gravity_sg", ""),
        Reading.Kind.METER: ("meter_soc", "soc"),
    }

    def __init__(self, *args: Any, banks: Sequence[BatteryBank], **kwargs: Any) -> None:
        super().__init__(*args, banks=banks, **kwargs)
        self.fields["kind"].choices = [  # type: ignore[attr-defined]
            choice
            for choice in Reading.Kind.choices
            if choice[0] != Reading.Kind.GRAVITY or _any_gravity(banks)
        ]
        if banks and all(bank.chemistry in METER_FIRST for bank in banks):
            self.initial.setdefault("kind", Reading.Kind.METER)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        kind, text = cleaned.get("kind"), cleaned.get("value")
        if kind and text:
            column, base = self.COLUMNS[Reading.Kind(kind)]
            try:
                cleaned["column"], cleaned["number"] = column, _number(text, base)
            except forms.ValidationError as error:
                self.add_error("value", error)
        return cleaned

    def values(self) -> dict[str, Any]:
        """The keyword arguments of the service."""
        data = self.cleaned_data
        kept = ("bank", "kind", "temp_c", "rest_h", "lowest_block_v", "happened_at", "note", "token")
        return {name: data[name] for name in kept} | {data["column"]: data["number"]}


def _any_gravity(banks: Iterable[BatteryBank]) -> bool:
    return any(has_gravity(bank.chemistry) for bank in banks)


def _number(text: str, base: str) -> float:
    """The value of a reading. A meter shows percent; a gravity has no unit."""
    if not base:
        try:
            return float(parse_number(text, decimal_mark(text)))
        except DomainError as error:
            raise forms.ValidationError(spoken(error)) from error
    value = QuantityField(base=base).to_python(text)
    if base == "soc" and value <= 0.01 and "%" not in text and value > 0:
        raise forms.ValidationError(_("Type what the meter shows in percent, such as 62 %."))
    return float(value)


class ChargeStartForm(BankRecordForm):
    purpose = forms.ChoiceField(label=_("What for"), choices=Charge.Purpose.choices)
    bay = forms.CharField(label=_("Charger bay"), max_length=20, required=False)
    happened_at = MomentField(label=_("Begun at"))
    planned_end_at = MomentField(
        label=_("Should end by"), help_text=_("Left open past this time it raises an alert.")
    )
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["planned_end_at"].initial = ""

    def values(self) -> dict[str, Any]:
        data = dict(self.cleaned_data)
        if not self.data.get(self.add_prefix("planned_end_at")):
            data["planned_end_at"] = None
        return data


class ChargeChoice(forms.ModelChoiceField):
    def label_from_instance(self, charge: Charge) -> str:
        return charge.bank.serial


class ChargeStopForm(RecordForm):
    charge = ChargeChoice(Charge.objects.none(), label=_("Charge"), empty_label=None)
    end_sign = forms.ChoiceField(
        label=_("What showed that it is full"),
        choices=Charge.EndSign.choices,
        required=False,
        help_text=_("Without a sign it counts as partial and does not reset the interval."),
    )
    ah_in = QuantityField(label=_("Charge put in"), base="ah", required=False, low=0)
    to_soc = QuantityField(
        label=_("Charged to, if not full"),
        base="soc",
        required=False,
        low=0,
        help_text=_("Only for lithium, which is put away at less than full."),
    )
    tripped = forms.BooleanField(label=_("The charger tripped"), required=False)
    ended_at = MomentField(label=_("Ended at"))
    note = forms.CharField(label=_("Note"), max_length=400, required=False)

    def __init__(self, *args: Any, charges: Sequence[Charge], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["charge"]
        keys = [charge.pk for charge in charges]
        field.queryset = Charge.objects.select_related("bank").filter(pk__in=keys)  # type: ignore[attr-defined]
        if len(charges) == 1:
            field.widget = forms.HiddenInput()
            self.initial.setdefault("charge", charges[0].pk)

    def values(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if name != "token"}


class InspectionForm(RecordForm):
    type = forms.ModelChoiceField(InspectionType.objects.none(), label=_("Inspection"), empty_label=None)
    passed = forms.TypedChoiceField(
        label=_("Outcome"),
        choices=[("yes", _("passed")), ("no", _("did not pass"))],
        coerce=lambda word: word == "yes",
        widget=forms.RadioSelect,
    )
    happened_at = MomentField(label=_("Done at"))
    note = forms.CharField(label=_("What was found"), max_length=400, required=False)

    def __init__(self, *args: Any, types: Iterable[InspectionType], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        keys = [each.pk for each in types]
        self.fields["type"].queryset = InspectionType.objects.filter(pk__in=keys)  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        return dict(self.cleaned_data)


class FaultForm(RecordForm):
    description = forms.CharField(label=_("What is wrong"), max_length=400)
    severity = forms.ChoiceField(label=_("How bad"), choices=Fault.Severity.choices, widget=forms.RadioSelect)
    mend_h = QuantityField(
        label=_("Hours to mend"),
        base="h",
        required=False,
        low=0,
        help_text=_("Empty means not known: the verdict then says so."),
    )
    mend_here = forms.BooleanField(label=_("Can be mended at the depot"), required=False, initial=True)
    happened_at = MomentField(label=_("Found at"))

    def values(self) -> dict[str, Any]:
        return dict(self.cleaned_data)


class FaultChoice(forms.ModelChoiceField):
    def label_from_instance(self, fault: Fault) -> str:
        return fault.description


class FaultCloseForm(RecordForm):
    fault = FaultChoice(Fault.objects.none(), label=_("Fault"), empty_label=None)
    closed_at = MomentField(label=_("Mended at"))
    closing_note = forms.CharField(label=_("What was done"), max_length=400)

    def __init__(self, *args: Any, faults: Iterable[Fault], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["fault"].queryset = Fault.objects.filter(pk__in=[each.pk for each in faults])  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {"fault": data["fault"], "closed_at": data["closed_at"], "note": data["closing_note"]}
