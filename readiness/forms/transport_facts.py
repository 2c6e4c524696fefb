"""What people enter about how a unit may travel that is no dated record: facts of a bank, measures of one unit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.domain.dangerous_goods.asked import facts_of_bank, may_discharge
from fleet.models import BankTransport, BatteryBank
from fleet.web.edited import EditedForm, values_of
from fleet.web.fields import QuantityField
from inventory.forms.goods import NOT_KNOWN, YesNoField, headed
from readiness.forms.records import RecordForm

# The column of `BankTransport` that holds a fact, where it is called otherwise.
COLUMN_OF = {"wh": "declared_wh"}
DISCHARGE = ("discharge_allowed", "discharge_w")
WHERE_IT_STANDS: dict[str, Any] = {
    "config": _("As it leaves: in the equipment it runs, in the same package beside it, or by itself."),
    "host": _(
        "What the bank runs. A container or trailer that only feeds others is a case of its own; if in doubt say so, and "
        "ask the specialist."
    ),
    "un383": _(
        "In the test summary that maker or seller must hand out (UN Manual of Tests and Criteria, 38.3.5). A summary in "
        "force among the certificates of the unit shows it, too."
    ),
    "declared_wh": _("On the case, in Wh. Empty: rated capacity × nominal voltage counts."),
    "net_mass_kg": _(
        "Batteries of one package without its packing; installed: all of them. Data sheet, or scale."
    ),
    "package_gross_kg": _(
        "Battery with its packing, as handed over: weigh it. Installed ones have no package."
    ),
    "spare_sets": _("Sets in the package beyond those the equipment needs to run."),
    "vib_pressure_ok": _(
        "In the maker's non-spillable test report. That it passed counts while the report is in force among the "
        "certificates of the unit."
    ),
    "no_free_liquid_55c": _("In the same report: nothing flows out of a cracked case at 55 °C."),
    "marked_nonspillable": _("On the battery and on its packing: look at both."),
    "adr_1137_ruling": _("Only if your adviser for dangerous goods put it in writing."),
    "discharge_allowed": _("In the maker's manual, under transport or storage."),
    "discharge_w": _("The load you would use; the hours follow from it."),
    "source": _("The paper, label or person, with its date."),
}


def columns_of_bank(bank: BatteryBank) -> tuple[str, ...]:
    """The columns of `BankTransport` that matter to a bank of this chemistry."""
    asked = tuple(COLUMN_OF.get(name, name) for name in facts_of_bank(bank.chemistry))
    return asked + DISCHARGE if may_discharge(bank.chemistry) else asked


class BankTransportForm(EditedForm, RecordForm):
    """Only what the rules ask of this chemistry; `fact` is the one the link was about."""

    def __init__(
        self, *args: Any, bank: BatteryBank, there: BankTransport | None, fact: str = "", **kwargs: Any
    ) -> None:
        self.columns = columns_of_bank(bank)
        kwargs["initial"] = {
            **kwargs.get("initial", {}),
            **values_of(there, (*self.columns, "source")),
            "seen": self.mark(there),
        }
        super().__init__(*args, **kwargs)
        for name in (*self.columns, "source"):
            field = self._field(name)
            field.wide = name == "source"  # type: ignore[attr-defined]
            if isinstance(field, QuantityField):
                field.system = self.system  # type: ignore[assignment]
                field.widget.attrs["placeholder"] = field.symbol
            if name == fact:
                field.widget.attrs["autofocus"] = True
            self.fields[name] = field

    def _field(self, name: str) -> forms.Field:
        column = BankTransport._meta.get_field(name)
        label = headed(str(column.verbose_name))  # type: ignore[union-attr]
        told = {"label": label, "help_text": WHERE_IT_STANDS.get(name, "")}
        if name in ("declared_wh", "net_mass_kg", "package_gross_kg", "discharge_w"):
            return QuantityField(base=name.rpartition("_")[2], low=0, required=False, **told)
        if name == "spare_sets":
            return forms.IntegerField(min_value=0, max_value=1000, required=False, **told)
        if name == "source":
            return forms.CharField(max_length=200, required=False, **told)
        if column.choices:  # type: ignore[union-attr]
            return forms.ChoiceField(choices=[NOT_KNOWN, *column.choices], required=False, **told)  # type: ignore[union-attr]
        return YesNoField(**told)

    def values(self) -> dict[str, Any]:
        return {
            "values": {name: self.exact(name) for name in (*self.columns, "source")},
            "seen_version": self.seen_version(),
        }


def bank_facts_said(bank: BatteryBank, there: BankTransport | None, system: Any) -> list[Mapping[str, str]]:
    """What is on file of a bank, as its page says it: label and value, '' while nobody knows."""
    form = BankTransportForm(bank=bank, there=there, system=system)
    return [
        {
            "label": str(form.fields[name].label),
            "value": ""
            if getattr(there, name, None) in (None, "")
            else form.said(name, getattr(there, name)),
        }
        for name in form.columns
    ]
