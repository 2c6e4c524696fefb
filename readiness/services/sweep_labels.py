"""Names of what checks are about, looked up once for a chunk of units, so that a stored result can be read by itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from fleet.models import BatteryBank
from inventory.models import DesignItem, Item, Lot, PartDebt
from readiness.domain.check_rows import CHECK, CHECK_KINDS, CheckRows
from readiness.domain.checks_papers import CERTIFICATE_KINDS, EVIDENCE
from readiness.models import Fault, InspectionType


@dataclass(frozen=True)
class Labels:
    """Names by kind of subject and id."""

    names: Mapping[str, Mapping[int, str]] = field(default_factory=dict)

    def of(self, kind: str, number: int) -> str:
        return self.names.get(kind, {}).get(number, "")


_CERTIFICATES = {number + 1: kind for number, kind in enumerate(CERTIFICATE_KINDS)}
_EVIDENCE = {number + 1: word for number, word in enumerate(EVIDENCE)}


def load_labels(rows: CheckRows) -> Labels:
    """Names of all subjects of these rows: at most one query per kind of subject.

    Certificates and evidence are stored by their code and named when read.
    """
    wanted: dict[str, set[int]] = {}
    for number in np.unique(rows.check).tolist():
        kind = CHECK_KINDS[number].subject
        if kind != "unit":
            wanted.setdefault(kind, set()).update(np.unique(rows.subject[rows.check == number]).tolist())
    lots = rows.b[(rows.check == CHECK["lots_aboard"]) & (rows.b > 0)]
    names: dict[str, Mapping[int, str]] = {"certificate_kind": _CERTIFICATES, "evidence": _EVIDENCE}
    names["bank"] = _pairs(
        BatteryBank.objects.filter(pk__in=wanted.get("bank", ())).values_list("pk", "serial")
    )
    names["item"] = _pairs(Item.objects.filter(pk__in=wanted.get("item", ())).values_list("pk", "name"))
    names["position"] = {
        pk: f"{position}: {item}"
        for pk, position, item in DesignItem.objects.filter(pk__in=wanted.get("position", ())).values_list(
            "pk", "position", "item__name"
        )
    }
    types = InspectionType.objects.filter(pk__in=wanted.get("inspection_type", ()))
    names["inspection_type"] = _pairs(types.values_list("pk", "name"))
    names["fault"] = _pairs(
        Fault.objects.filter(pk__in=wanted.get("fault", ())).values_list("pk", "description")
    )
    names["debt"] = {
        pk: f"{item or bank} → {tag}"
        for pk, item, bank, tag in PartDebt.objects.filter(pk__in=wanted.get("debt", ())).values_list(
            "pk", "item__name", "bank__serial", "given_to__tag"
        )
    }
    names["lot"] = {
        pk: f"{item} {code}"
        for pk, item, code in Lot.objects.filter(pk__in=set(lots.astype(int).tolist())).values_list(
            "pk", "item__name", "code"
        )
    }
    return Labels(names)


def _pairs(rows: Iterable[tuple[int, str]]) -> dict[int, str]:
    return dict(rows)
