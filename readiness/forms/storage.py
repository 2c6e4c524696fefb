"""The form of the storage policy: one of three ways, or a level of one's own, with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from readiness.domain.storage_choice import OWN, GroupCost
from readiness.forms.bay_settings import SpanForm
from readiness.web.storage import NAMES, SAME, percent

OTHER = "other"


class StorageForm(SpanForm):
    columns = ("reason",)

    policy = forms.ChoiceField(label=gettext_lazy("Kept"), widget=forms.RadioSelect)
    level_pct = forms.FloatField(
        label=gettext_lazy("Another level, in %"),
        required=False,
        min_value=5,
        max_value=100,
        help_text=gettext_lazy("Only with 'another level'."),
    )
    reason = forms.CharField(
        label=gettext_lazy("Why"),
        max_length=400,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=gettext_lazy("Kept with the choice, for whoever weighs it again."),
    )

    def __init__(
        self, *args: Any, latest: Any, today: date, costs: Sequence[GroupCost], wanted: str, **kwargs: Any
    ) -> None:
        self.levels = {cost.policy: cost.soc for cost in costs if cost.policy != OWN}
        kept = latest.store_soc if latest is not None else None
        now = next(
            (name for name, soc in self.levels.items() if kept is not None and abs(soc - kept) <= SAME), ""
        )
        chosen = wanted if wanted in self.levels else now or (OTHER if kept is not None else "")
        level = round(kept * 100, 1) if kept is not None and chosen == OTHER else None
        kwargs["initial"] = {"policy": chosen, "level_pct": level}
        super().__init__(*args, latest=latest, today=today, **kwargs)
        field = self.fields["policy"]
        field.choices = [  # type: ignore[attr-defined]
            *((name, f"{NAMES[name]()} ({percent(soc)})") for name, soc in self.levels.items()),
            (OTHER, _("Another level")),
        ]
        field.wide = self.fields["reason"].wide = True  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("policy") == OTHER and data.get("level_pct") is None and "level_pct" not in self.errors:
            self.add_error("level_pct", _("Type the level, between 5 and 100 %."))
        return data

    def told(self) -> dict[str, Any]:
        data = self.cleaned_data
        soc = self.levels.get(data["policy"])
        return {
            "store_soc": data["level_pct"] / 100.0 if soc is None else soc,
            "reason": data["reason"].strip(),
        }
