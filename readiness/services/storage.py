"""The owner's choice of how full the banks of a chemistry are kept in a depot. It never reaches under a bank's floor."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import Place, User
from readiness.models import StoragePolicy
from readiness.services.bay_settings import span_write


def storage_choose(
    *,
    place: Place,
    chemistry: str,
    values: Mapping[str, Any],
    floors: Mapping[str, float],
    valid_from: date,
    today: date,
    actor: User | None,
    shown: str,
) -> StoragePolicy:
    """`values`: store_soc [1] and reason; `floors`: the floor [1] of every bank it is about, by serial.

    Raises DomainError where the level lies under a floor, SettingChanged where somebody chose meanwhile.
    """
    soc = values["store_soc"]
    higher = {serial: floor for serial, floor in floors.items() if soc < floor - 1e-9}
    if higher:
        serial, floor = max(higher.items(), key=lambda pair: pair[1])
        raise DomainError(
            "storage.under_floor",
            _(
                "{soc} is under the floor of {serial}, which is {floor}. A choice never lowers a floor: choose that level "
                "or more."
            ),
            soc=f"{100 * soc:.0f} %",
            serial=serial,
            floor=f"{100 * floor:.0f} %",
        )
    chosen: StoragePolicy = span_write(
        StoragePolicy,
        place=place,
        key={"chemistry": chemistry},
        values=values,
        valid_from=valid_from,
        today=today,
        actor=actor,
        shown=shown,
    )
    return chosen
