"""The span of a hand-over."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from fleet.web.fields import MomentField

LONGEST = dt.timedelta(days=31)


class HandoverForm(forms.Form):
    """The two times, typed in the depot's own."""

    depot = forms.CharField(widget=forms.HiddenInput, required=False)
    since = MomentField(label=_("From"), required=True)
    until = MomentField(label=_("To"), required=True)

    def __init__(self, *args: Any, zone: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("since", "until"):
            self.fields[name].zone = zone  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        since, until = data.get("since"), data.get("until")
        if since and until and not since < until:
            self.add_error("until", _("This lies before the start. Turn the two round."))
        elif since and until and until - since > LONGEST:
            self.add_error("since", _("At most 31 days. Choose a later start."))
        return data
