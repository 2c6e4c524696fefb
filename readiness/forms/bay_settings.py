"""Forms of how a depot charges. Each is sent twice: the second time with `previewed`, what the person was shown."""

from __future__ import annotations

from datetime import date, time
from hashlib import sha256
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.models.banks import Chemistry
from fleet.web.edited import EditedForm, values_of
from fleet.web.fields import QuantityField
from readiness.models import BayTerms, ChargerBay, CrewHours
from readiness.models.bays import Weekday
from readiness.services.bay_settings import said_columns, setting_shown

DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
STRETCHES = 2
FROM = gettext_lazy("From")
FROM_HELP = gettext_lazy("Today or later; what held before ends the day before.")


def clock_field(label: Any, *, required: bool = True, help_text: Any = "") -> forms.TimeField:
    return forms.TimeField(
        label=label,
        required=required,
        help_text=help_text,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        error_messages={"invalid": gettext_lazy("Type the time as 07:30.")},
    )


def chemistry_field(label: Any, *, required: bool, help_text: Any) -> forms.MultipleChoiceField:
    field = forms.MultipleChoiceField(
        label=label,
        required=required,
        choices=Chemistry.choices,
        widget=forms.CheckboxSelectMultiple,
        help_text=help_text,
    )
    field.wide = True  # type: ignore[attr-defined]
    return field


class SettingForm(EditedForm):
    """`seen`: the mark of the rows the page showed. `previewed`: the mark of the answer that was previewed."""

    previewed = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, system: Any = "si", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            if isinstance(field, QuantityField):
                field.system = system
                field.widget.attrs.setdefault("placeholder", field.symbol)

    @property
    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        return [("", self.visible_fields())]

    def values(self) -> dict[str, Any]:
        """What the service takes beside place, day and person."""
        raise NotImplementedError

    def mark_of_preview(self) -> str:
        """What the preview was about: nothing else is saved by the second send."""
        told = sorted((name, str(value)) for name, value in self.cleaned_data.items() if name != "previewed")
        return sha256(repr(told).encode()).hexdigest()[:16]

    def show(self, **hidden: str) -> None:
        """Sets hidden boxes of the form that is shown again."""
        data: Any = self.data
        self.data = data = data.copy()
        for name, value in hidden.items():
            data[self.add_prefix(name)] = value


class SpanForm(SettingForm):
    """A row that holds from a day on, `latest` or none before it."""

    columns: tuple[str, ...] = ()

    def __init__(self, *args: Any, latest: Any, today: date, **kwargs: Any) -> None:
        self.latest, self.today = latest, today
        day = max(today, latest.valid_from) if latest is not None else today
        shown = {"valid_from": day, "seen": setting_shown([latest] if latest else [])}
        kwargs["initial"] = {**kwargs.get("initial", {}), **values_of(latest, self.columns), **shown}
        super().__init__(*args, **kwargs)
        self.fields["valid_from"] = self.fields.pop("valid_from")  # last on the page
        if latest is None:
            self.fields["valid_from"].help_text = ""

    valid_from = forms.DateField(label=FROM, widget=DAY, help_text=FROM_HELP)

    def told(self) -> dict[str, Any]:
        return {name: self.exact(name) for name in self.columns}

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {"values": self.told(), "valid_from": data["valid_from"], "shown": data["seen"]}

    def changes(self) -> list[str]:
        """What the answer changes, line by line; nothing when it is the first."""
        if self.latest is None:
            return []
        return [
            f"{self.fields[name].label}: {self.said(name, getattr(self.latest, name))} → {self.said(name, value)}"
            for name, value in self.told().items()
            if getattr(self.latest, name) != value
        ]

    def said(self, name: str, value: Any) -> str:
        if isinstance(value, list):
            labels = dict(Chemistry.choices)
            return ", ".join(str(labels.get(code, code)) for code in value) or _("none")
        return super().said(name, value)


class BayForm(SpanForm):
    columns = said_columns(ChargerBay)

    name = forms.CharField(
        label=gettext_lazy("Bay"), max_length=20, help_text=gettext_lazy("As it is painted on it.")
    )
    max_a = QuantityField(
        base="a",
        label=gettext_lazy("Greatest current"),
        help_text=gettext_lazy("What its charger can give, from its plate."),
    )
    max_v = QuantityField(
        base="v",
        label=gettext_lazy("Highest charging voltage"),
        help_text=gettext_lazy("A 24 V lead bank needs up to 31 V in the cold, a 48 V one 61 V."),
    )
    max_kw = QuantityField(
        base="kw",
        label=gettext_lazy("Greatest power from the wall"),
        required=False,
        help_text=gettext_lazy("Empty: worked out from current and voltage."),
    )
    profiles = chemistry_field(
        gettext_lazy("Its charger has a programme for"),
        required=False,
        help_text=gettext_lazy(
            "Only those: a charger with the wrong programme damages a bank, or sets it on fire."
        ),
    )
    note = forms.CharField(label=gettext_lazy("Note"), max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.latest is not None:
            del self.fields["name"]

    def key(self) -> dict[str, str]:
        return {"name": self.latest.name if self.latest is not None else self.cleaned_data["name"].strip()}

    def values(self) -> dict[str, Any]:
        return {**super().values(), "key": self.key()}


class BayTermsForm(SpanForm):
    columns = said_columns(BayTerms)

    base_kw = QuantityField(
        base="kw",
        low=0,
        label=gettext_lazy("Drawn anyway"),
        help_text=gettext_lazy("Light, heating, fans: not for charging."),
    )
    handlings_per_hour = forms.FloatField(
        label=gettext_lazy("Banks connected or disconnected an hour"),
        required=False,
        help_text=gettext_lazy("By the whole crew. Empty: no limit is known, and none is kept."),
    )
    least_h = QuantityField(
        base="h",
        low=0,
        label=gettext_lazy("Shortest time on a bay"),
        help_text=gettext_lazy("Nobody moves a bank on for less."),
    )
    horizon_days = forms.IntegerField(
        label=gettext_lazy("Planned ahead, days"),
        min_value=1,
        max_value=56,
        help_text=gettext_lazy("1 to 56."),
    )
    unattended = chemistry_field(
        gettext_lazy("May charge while nobody is there"),
        required=False,
        help_text=gettext_lazy(
            "Only what your fire service, insurer and house rules allow. None: every charge ends within the hours."
        ),
    )
    source = forms.CharField(
        label=gettext_lazy("Who decided it, and where it is written"), max_length=200, required=False
    )

    def __init__(self, *args: Any, latest: BayTerms | None, **kwargs: Any) -> None:
        if latest is None:
            kwargs["initial"] = values_of(BayTerms(), self.columns)
        super().__init__(*args, latest=latest, **kwargs)
        self.fields["source"].wide = True  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        return {**super().values(), "key": {}}


class SupplyLimitForm(SpanForm):
    """The depot's own limit, a column of its terms; what else they say stays."""

    columns = ("supply_limit_kw",)

    supply_limit_kw = QuantityField(
        base="kw",
        low=0,
        label=gettext_lazy("Supply limit of the depot"),
        help_text=gettext_lazy(
            "What the connection allows for all that runs, from the contract or the main breaker."
        ),
    )

    def values(self) -> dict[str, Any]:
        from fleet.models import DepotTerms

        row = self.latest or DepotTerms()
        kept = {name: getattr(row, name) for name in said_columns(DepotTerms)}
        return {**super().values(), "key": {}, "values": kept | self.told()}


class WeekForm(SettingForm):
    """The crew's week as a grid: two stretches a weekday, empty where nobody is there."""

    valid_from = forms.DateField(label=FROM, widget=DAY, help_text=FROM_HELP)

    def __init__(self, *args: Any, rows: list[CrewHours], today: date, **kwargs: Any) -> None:
        since = max((row.valid_from for row in rows), default=today)
        initial: dict[str, Any] = {"valid_from": max(today, since), "seen": setting_shown(rows)}
        stretches: dict[int, int] = {}
        for row in rows:
            place = stretches.get(row.weekday, 0)
            stretches[row.weekday] = place + 1
            initial |= {
                f"d{row.weekday}_{place}_opens": row.opens,
                f"d{row.weekday}_{place}_closes": row.closes,
            }
        kwargs["initial"] = initial
        super().__init__(*args, **kwargs)
        self.most = max([STRETCHES, *stretches.values()])
        for weekday in Weekday:
            for place in range(self.most):
                for end, word in (("opens", _("comes")), ("closes", _("leaves"))):
                    label = f"{weekday.label}, {word}{'' if place == 0 else ' ' + _('again')}"
                    self.fields[f"d{weekday}_{place}_{end}"] = clock_field(label, required=False)

    @property
    def grid(self) -> list[tuple[str, list[tuple[forms.BoundField, forms.BoundField]]]]:
        return [
            (
                str(weekday.label),
                [(self[f"d{weekday}_{n}_opens"], self[f"d{weekday}_{n}_closes"]) for n in range(self.most)],
            )
            for weekday in Weekday
        ]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for weekday in Weekday:
            for place in range(self.most):
                opens, closes = data.get(f"d{weekday}_{place}_opens"), data.get(f"d{weekday}_{place}_closes")
                if (opens is None) != (closes is None) and not self.errors.keys() & {
                    f"d{weekday}_{place}_opens",
                    f"d{weekday}_{place}_closes",
                }:
                    raise ValidationError(
                        _("%(day)s: give both when the crew comes and when it leaves, or neither.")
                        % {"day": weekday.label}
                    )
        return data

    def week(self) -> dict[int, list[tuple[time, time]]]:
        data = self.cleaned_data
        return {
            int(weekday): [
                (data[f"d{weekday}_{n}_opens"], data[f"d{weekday}_{n}_closes"])
                for n in range(self.most)
                if data[f"d{weekday}_{n}_opens"] is not None
            ]
            for weekday in Weekday
        }

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {"week": self.week(), "valid_from": data["valid_from"], "shown": data["seen"]}


class CrewDayForm(SettingForm):
    day = forms.DateField(label=gettext_lazy("Day"), widget=DAY)
    opens = clock_field(
        gettext_lazy("The crew comes"), required=False, help_text=gettext_lazy("Empty: closed all day.")
    )
    closes = clock_field(gettext_lazy("It leaves"), required=False)
    reason = forms.CharField(label=gettext_lazy("Why"), max_length=120)

    def values(self) -> dict[str, Any]:
        return {"values": {name: self.cleaned_data[name] for name in ("day", "opens", "closes", "reason")}}


class SupplyHoursForm(SettingForm):
    weekday = forms.TypedChoiceField(
        label=gettext_lazy("On"),
        required=False,
        coerce=int,
        empty_value=None,
        choices=[("", gettext_lazy("every day")), *Weekday.choices],
    )
    starts = clock_field(gettext_lazy("From the hour"))
    ends = clock_field(gettext_lazy("Until"), help_text=gettext_lazy("00:00 is the end of the day."))
    limit_kw = QuantityField(
        base="kw",
        label=gettext_lazy("The supply then allows"),
        help_text=gettext_lazy("For all that runs, light and heating too."),
    )
    reason = forms.CharField(label=gettext_lazy("Why"), max_length=120, required=False)
    valid_from = forms.DateField(label=gettext_lazy("Holds from the day"), widget=DAY)

    def values(self) -> dict[str, Any]:
        data = self.cleaned_data
        names = ("weekday", "starts", "ends", "limit_kw", "reason")
        return {"values": {name: data[name] for name in names}, "valid_from": data["valid_from"]}


class LastDayForm(SettingForm):
    """Until when something holds."""

    last_day = forms.DateField(
        label=gettext_lazy("Holds through"),
        widget=DAY,
        help_text=gettext_lazy("The last day, itself included."),
    )

    def values(self) -> dict[str, Any]:
        return {"last_day": self.cleaned_data["last_day"]}
