"""The lines of a survey sheet: one small form for each fact. An empty line is left out; a half-filled one is asked about."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from itertools import groupby
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from fleet.lib.dates import find_zone
from fleet.models import SupplyState, Unit, WetState
from fleet.models.designs import CertificateKind
from fleet.web.fields import MomentField, QuantityField
from readiness.forms.records import METER_FIRST
from readiness.forms.unit_life import check_certificate_days
from readiness.models import Charge, Reading
from readiness.selectors.survey import Fact, UnitSurvey
from readiness.services.survey import Entry

DAY = {"type": "date"}
NOT_YET = ("", _("not looked at yet"))

FACT_NAMES: dict[str, Any] = {
    "place": _("Where it stands"),
    "bank": _("Its battery bank: serial number, chemistry, capacity, cells"),
    "reading": _("Reading of bank %(label)s"),
    "supply": _("How bank %(label)s is connected"),
    "charge": _("Last full charge of bank %(label)s"),
    "wet": _("Water side: dry, wet, preserved"),
    "certificate": _("Certificate: %(label)s"),
    "inspection": _("Inspection: %(label)s"),
    "kit": _("Kit, counted against its list"),
    "part": _("Part fitted: %(label)s"),
    "life": _("Use so far of: %(label)s"),
    "hours": _("Hours to mend its fault"),
}
SHARED_NAMES: dict[str, Any] = {
    "terms": _("The depot's notice and standard mission length"),
    "climate": _("The monthly temperatures where the units stand"),
}


def fact_name(fact: Fact) -> str:
    return str(FACT_NAMES[fact.key]) % {"label": _label(fact)}


def _label(fact: Fact) -> str:
    return str(CertificateKind(fact.subject).label) if fact.key == "certificate" else fact.label


GROUPS: dict[str, Any] = {
    "certificate": _("Certificates"),
    "inspection": _("Inspections"),
    "part": _("Parts fitted"),
    "life": _("Use so far"),
}


def facts_in_words(facts: Sequence[Fact]) -> list[str]:
    """The facts of a stop for reading: those of one kind together, the rest one by one."""
    words: list[str] = []
    for key, group in groupby(facts, key=lambda fact: fact.key):
        alike = list(group)
        if key in GROUPS and len(alike) > 1:
            words.append(f"{GROUPS[key]} ({len(alike)}): {'; '.join(_label(fact) for fact in alike)}")
        else:
            words += [fact_name(fact) for fact in alike]
    return words


class LineForm(forms.Form):
    """One fact of one unit. `typed` says whether anything was filled in."""

    needs: tuple[str, ...] = ()

    def __init__(self, *args: Any, unit: Unit, fact: Fact, system: str = "si", **kwargs: Any) -> None:
        kwargs.setdefault("prefix", f"{unit.pk}-{fact.key}-{fact.subject}")
        super().__init__(*args, **kwargs)
        self.unit, self.fact = unit, fact
        self.title = fact_name(fact)
        for field in self.fields.values():
            field.required = False
            if isinstance(field, QuantityField):
                field.system = system  # type: ignore[assignment]
                field.widget.attrs["placeholder"] = field.symbol

    @property
    def typed(self) -> bool:
        return any(value not in (None, "", False) for value in self.cleaned_data.values())

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if any(value not in (None, "", False) for value in data.values()):
            for name in self.needs:
                if data.get(name) in (None, "") and name not in self.errors:
                    self.add_error(name, _now("This is missing."))
        return data

    def values(self) -> dict[str, Any]:
        return dict(self.cleaned_data)

    def entry(self, token: uuid.UUID) -> Entry:
        return Entry(
            self.unit, self.fact.key, self.fact.subject, self.values(), uuid.uuid5(token, str(self.prefix))
        )

    def noon(self, day: dt.date) -> dt.datetime:
        """A day on which something was done, as a moment: noon there."""
        return dt.datetime.combine(day, dt.time(12), tzinfo=find_zone(self.unit.home.time_zone))


class ReadingLine(LineForm):
    needs = ("value",)
    value = QuantityField(label=_("Voltage"), base="v")
    temp_c = QuantityField(label=_("Temperature"), base="c")
    rest_h = QuantityField(label=_("Hours at rest"), base="h")

    def __init__(self, *args: Any, unit: Unit, fact: Fact, **kwargs: Any) -> None:
        self.by_meter = fact.bank is not None and fact.bank.chemistry in METER_FIRST
        super().__init__(*args, unit=unit, fact=fact, **kwargs)
        if self.by_meter:
            self.fields["value"] = QuantityField(label=_("Its meter shows"), base="soc", required=False)
            self.fields["value"].widget.attrs["placeholder"] = "%"
            self.order_fields(["value", "temp_c", "rest_h"])

    def values(self) -> dict[str, Any]:
        data = dict(self.cleaned_data)
        number = data.pop("value")
        if self.by_meter:
            return {"kind": Reading.Kind.METER, "meter_soc": number, **data}
        return {"kind": Reading.Kind.VOLTAGE, "volts_v": number, **data}


class SupplyLine(LineForm):
    needs = ("kind",)
    kind = forms.ChoiceField(label=_("Connected"), choices=[NOT_YET, *SupplyState.Kind.choices])
    standby_ma = QuantityField(label=_("Draw of its standby loads"), base="ma", low=0)
    check_interval_days = forms.IntegerField(label=_("Float is looked at every … days"), min_value=1)


class ChargeLine(LineForm):
    needs = ("ended_on", "hours", "end_sign")
    ended_on = forms.DateField(label=_("Ended on"), widget=forms.DateInput(attrs=DAY))
    hours = QuantityField(label=_("It took"), base="h", low=0)
    end_sign = forms.ChoiceField(label=_("It ended by"), choices=[NOT_YET, *Charge.EndSign.choices[1:]])

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {"ended_at": self.noon(data["ended_on"]), "hours": data["hours"], "end_sign": data["end_sign"]}


class WetLine(LineForm):
    needs = ("kind",)
    kind = forms.ChoiceField(label=_("Water side"), choices=[NOT_YET, *WetState.Kind.choices])
    good_until = forms.DateField(label=_("Good through"), widget=forms.DateInput(attrs=DAY))


class CertificateLine(LineForm):
    needs = ("issued_on",)
    number = forms.CharField(label=_("Number"), max_length=80)
    issued_on = forms.DateField(label=_("Issued on"), widget=forms.DateInput(attrs=DAY))
    expires_on = forms.DateField(label=_("Valid through"), widget=forms.DateInput(attrs=DAY))
    no_end = forms.BooleanField(label=_("It has no end"))

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if any(value not in (None, "", False) for value in data.values()):
            check_certificate_days(self)
        return data

    def values(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in ("number", "issued_on", "expires_on")}


class InspectionLine(LineForm):
    needs = ("done_on", "passed")
    done_on = forms.DateField(label=_("Done on"), widget=forms.DateInput(attrs=DAY))
    passed = forms.ChoiceField(
        label=_("Result"), choices=[NOT_YET, ("yes", _("passed")), ("no", _("failed"))]
    )

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {"happened_at": self.noon(data["done_on"]), "passed": data["passed"] == "yes"}


class HoursLine(LineForm):
    needs = ("mend_h",)
    mend_h = QuantityField(label=_("Hours to mend"), base="h", low=0)


class PlaceLine(LineForm):
    at_home = forms.BooleanField(label=_("It stands in its home depot"))

    def values(self) -> dict[str, Any]:
        return {"to": self.unit.home}


LINES: dict[str, type[LineForm]] = {
    "reading": ReadingLine,
    "supply": SupplyLine,
    "charge": ChargeLine,
    "wet": WetLine,
    "certificate": CertificateLine,
    "inspection": InspectionLine,
    "hours": HoursLine,
    "place": PlaceLine,
}


class SheetForm(forms.Form):
    """What the whole sheet shares: when the walk was, and a token that makes a double tap one survey."""

    token = forms.UUIDField(widget=forms.HiddenInput)
    at = MomentField(label=_("Looked at"))

    def __init__(self, *args: Any, zone: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["at"].zone = zone  # type: ignore[attr-defined]
        if not self.is_bound:
            self.initial.setdefault("token", uuid.uuid4())
            self.initial.setdefault("at", timezone.now())


def lines_of(stops: Sequence[UnitSurvey], *, data: Any = None, system: str = "si") -> list[list[LineForm]]:
    """The lines of each stop, in the order of the facts; facts with a page of their own are left out."""
    return [
        [
            LINES[fact.key](data, unit=stop.unit, fact=fact, system=system)
            for fact in stop.facts
            if fact.key in LINES
        ]
        for stop in stops
    ]
