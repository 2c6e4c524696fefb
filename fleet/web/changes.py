"""Who changed what: lines of the audit in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.core.exceptions import FieldDoesNotExist
from django.db import models
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.models import AuditEntry
from fleet.web.days import moment_words

# The last word of an action, as people say it. A verb that is not here is shown as it is.
VERBS: dict[str, Any] = {
    "record": gettext_lazy("written down"),
    "start": gettext_lazy("begun"),
    "stop": gettext_lazy("ended"),
    "end": gettext_lazy("ended"),
    "open": gettext_lazy("written down"),
    "close": gettext_lazy("mended"),
    "complete": gettext_lazy("completed"),
    "strike": gettext_lazy("struck out"),
    "supersede": gettext_lazy("corrected"),
    "superseded": gettext_lazy("replaced by the right one"),
    "restore": gettext_lazy("brought back"),
    "move": gettext_lazy("moved"),
    "home": gettext_lazy("kept by another depot from now on"),
    "add": gettext_lazy("added"),
    "create": gettext_lazy("added"),
    "edit": gettext_lazy("edited"),
    "update": gettext_lazy("edited"),
    "set": gettext_lazy("set"),
    "remove": gettext_lazy("taken away"),
    "standby": gettext_lazy("standby draw measured"),
    "take": gettext_lazy("taken on"),
    "give_back": gettext_lazy("given back"),
    "done": gettext_lazy("done"),
    "dropped": gettext_lazy("dropped"),
    "acknowledge": gettext_lazy("acknowledged"),
    "snooze": gettext_lazy("put off"),
    "wake": gettext_lazy("shown again"),
    "carried": gettext_lazy("earlier use worked out again"),
    "crew_week": gettext_lazy("has other hours of its crew"),
    "import": gettext_lazy("brought in from a file"),
    "import_undo": gettext_lazy("the import taken back"),
}
MOST_FIELDS = 4


@dataclass(frozen=True)
class ChangeLine:
    when_words: str
    who: str
    what: str
    subject: str
    fields: tuple[str, ...]
    note: str


def change_lines(entries: Iterable[AuditEntry], zone: str) -> list[ChangeLine]:
    kinds = {model._meta.model_name: model for model in apps.get_models()}
    return [
        ChangeLine(
            when_words=moment_words(entry.at, zone),
            who=str(entry.actor) if entry.actor else _("the program itself"),
            what=_what(entry, kinds.get(entry.subject_kind)),
            subject=entry.subject_label,
            fields=tuple(_changed(entry, kinds.get(entry.subject_kind))),
            note=entry.note,
        )
        for entry in entries
    ]


def _what(entry: AuditEntry, model: type[models.Model] | None) -> str:
    verb = entry.action.rpartition(".")[2]
    name = str(model._meta.verbose_name) if model else entry.subject_kind
    return f"{name[:1].upper()}{name[1:]} {VERBS.get(verb, verb.replace('_', ' '))}"


def _changed(entry: AuditEntry, model: type[models.Model] | None) -> list[str]:
    """What stood there before and stands there now, for the fields that had a value before."""
    before: Mapping[str, Any] = entry.before or {}
    after: Mapping[str, Any] = entry.after or {}
    changed = [(key, before[key], after[key]) for key in before if key in after and before[key] != after[key]]
    words = [
        _("%(field)s: %(old)s → %(new)s")
        % {"field": _label(model, key), "old": _plain(old), "new": _plain(new)}
        for key, old, new in changed[:MOST_FIELDS]
    ]
    return [*words, "…"] if len(changed) > MOST_FIELDS else words


def _label(model: type[models.Model] | None, key: str) -> str:
    try:
        return str(model._meta.get_field(key).verbose_name) if model else key  # type: ignore[union-attr]
    except (FieldDoesNotExist, AttributeError):
        return key.replace("_", " ")


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        return str(value.get("label", ""))
    if value is None or value == "":
        return "–"
    return str(value)
