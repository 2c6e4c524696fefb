"""The rule of what may be written down as measure of a packed form, wherever it is typed: page, admin form or sheet."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.domain.transport.ordinary import measure_problems as measure_problems
from fleet.lib.errors import DomainError
from fleet.models import PackedForm
from fleet.models.designs import FormMeasures

IMPOSSIBLE = frozenset({"form.negative", "form.outside"})  # no confirmation helps
MEASURES = frozenset(field.name for field in FormMeasures._meta.fields)
Problem = tuple[str, DomainError]  # the measure it is about, and what is wrong


def measured(row: FormMeasures) -> dict[str, Any]:
    """The measures of a packed form or of what differs from one, by name."""
    return {name: getattr(row, name) for name in MEASURES}


def measures_on(form: PackedForm, own: Mapping[str, Any]) -> dict[str, Any]:
    """The measures of a packed form with those measured on one unit in their place."""
    return measured(form) | {name: value for name, value in own.items() if value is not None}


def refuse_problems(problems: Iterator[Problem], ask: str = "form.confirm") -> None:
    """Raises one DomainError that tells them all; `ask` is its key when a confirmation would do."""
    found = list(problems)
    if not found:
        return
    told = " ".join(error.sentence for _name, error in found)
    if any(error.key in IMPOSSIBLE for _name, error in found):
        raise DomainError("form.impossible", "{what}", what=told)
    raise DomainError(
        ask,
        _("{doubts} That is out of the ordinary: measure again, mend it, or confirm that it is right."),
        doubts=told,
    )


def check_packed_form(form: PackedForm, *, changed: Collection[str] | None = None, confirmed: bool) -> None:
    """Refuses measures that cannot be, and asks about those out of the ordinary. One query.

    `changed`: only what one of these fields has to do with. Raises DomainError.
    """
    others = PackedForm.objects.filter(design=form.design_id, mass_kg__isnull=False).exclude(pk=form.pk)
    refuse_problems(
        measure_problems(
            measured(form),
            changed,
            confirmed=confirmed,
            other_forms_kg=[mass for mass in others.values_list("mass_kg", flat=True) if mass],
        )
    )
