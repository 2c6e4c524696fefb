"""How full a lithium battery may be when it flies: the numbers and editions are those of the dangerous-goods rules.

This answers for the charge state alone; whether the battery may fly at all is answered by `fleet.domain.dangerous_goods`.
"""

from __future__ import annotations

from datetime import date

from fleet.domain.dangerous_goods.batteries import LIMIT_SOC_PCT
from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.roles import SOC_FREE_PACK_WH, SOC_FREE_VEHICLE_WH
from fleet.domain.dangerous_goods.words import Mode
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import require_not_negative, require_soc

AIR_SOC = LIMIT_SOC_PCT / 100.0
PACKED_WITH = "packed_with"
INSTALLED = "installed"
ALONE, IN_EQUIPMENT, VEHICLE = "3480", "3481", "3556"
SOURCE = (
    "ICAO Technical Instructions and IATA DGR of the ship date: PI 965, 966, 967 and 952, state of charge"
)
CANNOT_DECIDE = "cannot decide"


def air_soc_ok(
    un: str, soc: float, *, ship_date: date, wh: float | None = None, config: str | None = None
) -> str:
    """Whether a battery of `un` ('3480', '3481', '3556') may fly with the charge state `soc`: 'yes', 'no', 'advised_lower'
    or 'cannot decide'.

    `soc` is the high end of what may be in it; `wh` [Wh] of the battery; `config` of UN 3481 'packed_with' or 'installed'.
    Not known and needed, or a date for which no edition is held: 'cannot decide'. Raises RejectedInput: unknown_un,
    soc_out_of_range, negative_load.
    """
    number = un.upper().removeprefix("UN").strip()
    if number not in (ALONE, IN_EQUIPMENT, VEHICLE):
        raise RejectedInput("unknown_un", un=un)
    state = float(require_soc(soc))
    energy = None if wh is None else float(require_not_negative(wh, "negative_load", "wh"))
    edition = edition_for(Mode.AIR, ship_date)
    if edition is None:
        return CANNOT_DECIDE
    if state <= AIR_SOC + 1e-9:
        return "yes"
    if number == ALONE:
        return "no"
    if number == VEHICLE:
        return _over(energy, SOC_FREE_VEHICLE_WH, edition.soc_vehicle_mandatory)
    if config == INSTALLED:
        return "advised_lower"
    if config != PACKED_WITH:
        return CANNOT_DECIDE
    return _over(energy, SOC_FREE_PACK_WH, edition.soc_packed_with_mandatory)


def _over(energy_wh: float | None, free_wh: float, mandatory: bool) -> str:
    """The answer over the limit for a rule that begins above `free_wh` [Wh]; an unknown energy counts as above it."""
    if energy_wh is not None and energy_wh <= free_wh:
        return "yes"
    return "no" if mandatory else "advised_lower"
