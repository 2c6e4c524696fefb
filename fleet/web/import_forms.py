"""What a person says when bringing in a file, answering what was asked, and choosing what is to happen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext_lazy as _

from fleet.lib.sheets import Limits
from fleet.services.imports.kinds import kinds_in_order
from fleet.web.fields import MomentField

MODES = (
    ("all", _("all rows or none")),
    ("good", _("the good rows")),
    ("skip", _("nothing")),
)


class ImportForm(forms.Form):
    """A workbook or a text file, and what a person may say about it beforehand."""

    file = forms.FileField(
        label=_("Workbook or text file"),
        help_text=_("XLSX or CSV, at most %(limit)s MB.") % {"limit": Limits().file_bytes // 1_000_000},
        widget=forms.ClearableFileInput(attrs={"accept": ".xlsx,.xlsm,.csv,.txt,.tsv"}),
    )
    sheet = forms.ChoiceField(
        label=_("What it holds"),
        required=False,
        help_text=_("Only for a file with one sheet that is not recognised by itself."),
    )
    decimal_mark = forms.ChoiceField(
        label=_("Decimal mark"),
        required=False,
        choices=[("", _("as the file shows")), (".", _("point: 12.65")), (",", _("comma: 12,65"))],
    )
    day_order = forms.ChoiceField(
        label=_("Dates"),
        required=False,
        choices=[
            ("", _("as the file shows")),
            ("day_first", _("day first: 03/11 is 3 November")),
            ("month_first", _("month first: 03/11 is 11 March")),
        ],
    )
    file_as_of = MomentField(
        label=_("The file shows the state of"),
        required=False,
        help_text=_(
            "UTC. Empty: when the workbook was last saved. What was changed here after that stays, "
            "unless you say otherwise."
        ),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = [(kind.name, kind.spec.label) for kind in kinds_in_order()]
        self.fields["sheet"].choices = [("", _("as the file shows")), *kinds]  # type: ignore[attr-defined]

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size > Limits().file_bytes:
            raise forms.ValidationError(
                _("The file has %(size)s MB; at most %(limit)s MB can be read."),
                params={"size": file.size // 1_000_000, "limit": Limits().file_bytes // 1_000_000},
            )
        return file

    def conventions(self) -> dict[str, str]:
        given = {name: self.cleaned_data.get(name) or "" for name in ("sheet", "decimal_mark", "day_order")}
        moment = self.cleaned_data.get("file_as_of")
        if moment is not None and self.data.get("file_as_of"):
            given["file_as_of"] = moment.isoformat()
        return {name: value for name, value in given.items() if value}


def answers_given(data: QueryDict, questions: list[dict[str, Any]]) -> tuple[dict[str, str], list[str]]:
    """The answers to what was asked, and the questions that have none."""
    answers: dict[str, str] = {}
    missing: list[str] = []
    for question in questions:
        value = data.get(question["key"], "")
        if value in {choice for choice, _text in question["choices"]}:
            answers[question["key"]] = value
        else:
            missing.append(question["key"])
    return answers, missing


def choices_made(data: QueryDict, preview: Mapping[str, Any]) -> dict[str, Any]:
    """What is to happen with each sheet, and which newer values the file may overwrite."""
    sheets: dict[str, str] = {}
    newer: dict[str, Any] = {}
    modes = {mode for mode, _label in MODES}
    for sheet in preview.get("sheets", []):
        name = sheet["name"]
        mode = data.get(f"mode-{name}", "all")
        sheets[name] = mode if mode in modes else "all"
        if data.get(f"newer-{name}-all"):
            newer[name] = "*"
        else:
            known = {f"{row['row']}:{cell['name']}" for row in sheet["newer"] for cell in row["cells"]}
            newer[name] = sorted(known & set(data.getlist(f"newer-{name}")))
    return {"sheets": sheets, "newer": newer}
