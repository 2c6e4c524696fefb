"""What people enter about a charge that is no dated record: how a charger is set, and the room and circuit of a depot."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank
from fleet.web.edited import EditedForm, values_of
from fleet.web.fields import QuantityField
from inventory.forms.goods import YesNoField, headed
from readiness.forms.records import RecordForm
from readiness.models import BankCharger, ChargingRoom


class _FactsForm(EditedForm, RecordForm):
    """A row of facts, none of them required; `fact` is the one the link was about."""

    model: Any
    columns: tuple[str, ...]
    bases: dict[str, str]

    def __init__(
        self, *args: Any, there: Any, fact: str = "", more: dict[str, Any] | None = None, **kwargs: Any
    ) -> None:
        kwargs["initial"] = {
            **kwargs.get("initial", {}),
            **values_of(there, self.columns),
            **(more or {}),
            "seen": self.mark(there),
        }
        super().__init__(*args, **kwargs)
        for name in self.columns:
            self._add(name, self._field(name), fact)

    def _add(self, name: str, field: forms.Field, fact: str) -> None:
        field.wide = name == "source"  # type: ignore[attr-defined]
        if isinstance(field, QuantityField):
            field.system = self.system  # type: ignore[assignment]
            field.widget.attrs["placeholder"] = field.symbol
        if name == fact:
            field.widget.attrs["autofocus"] = True
        self.fields[name] = field

    def _field(self, name: str) -> forms.Field:
        column = self.model._meta.get_field(name)
        told: dict[str, Any] = {"label": headed(str(column.verbose_name)), "help_text": column.help_text}
        if name == "source":
            return forms.CharField(max_length=200, required=False, **told)
        if name == "fan_interlocked":
            return YesNoField(**told)
        if column.choices:
            return forms.TypedChoiceField(choices=column.choices, coerce=int, **told)
        low = next((v.limit_value for v in column.validators if v.code == "min_value"), None)
        high = next((v.limit_value for v in column.validators if v.code == "max_value"), None)
        if name in self.bases:
            return QuantityField(base=self.bases[name], low=low, required=False, **told)
        return forms.FloatField(min_value=low, max_value=high, required=False, **told)

    def values(self) -> dict[str, Any]:
        return {
            "values": {name: self.exact(name) for name in self.columns},
            "seen_version": self.seen_version(),
        }


class BankChargerForm(_FactsForm):
    model = BankCharger
    columns = ("charger_v", "absorb_v_cell", "float_v_cell", "comp_mv_cell_k", "gas_ma_ah", "source")
    bases = {"charger_v": "v"}

    def __init__(self, *args: Any, bank: BatteryBank, fact: str = "", **kwargs: Any) -> None:
        super().__init__(*args, fact=fact, more={"charger_a": bank.charger_a}, **kwargs)
        rest = {name: self.fields.pop(name) for name in self.columns}
        field = QuantityField(
            base="a",
            low=0.1,
            required=False,
            label=_("Charger current"),
            help_text=_(
                "The most it gives to this bank: on its plate, or measured at the start of a charge."
            ),
        )
        self._add("charger_a", field, fact)
        self.fields.update(rest)

    def values(self) -> dict[str, Any]:
        said = super().values()
        said["values"]["charger_a"] = self.exact("charger_a")
        return said


class ChargingRoomForm(_FactsForm):
    model = ChargingRoom
    columns = (
        "inlet_cm2",
        "outlet_cm2",
        "free_volume_m3",
        "fan_m3_h",
        "fan_interlocked",
        "temp_high_c",
        "circuit_v",
        "circuit_phases",
        "power_factor",
        "breaker_a",
        "source",
    )
    bases = {
        "free_volume_m3": "m3",
        "fan_m3_h": "m3_h",
        "temp_high_c": "c",
        "circuit_v": "v",
        "breaker_a": "a",
    }

    def _field(self, name: str) -> forms.Field:
        field = super()._field(name)
        if name in ("inlet_cm2", "outlet_cm2"):
            field.label = f"{field.label} (cm²)"
        return field
