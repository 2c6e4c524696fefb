"""Specific gravity of flooded lead-acid cells: correction, charge state, freezing point.

References: US Army TM 5-1185 Tables II-IV; hydrometer tables (S2, S3 in `tables/SOURCES.md`).
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from fleet.lib.tables import read_table
from readiness.domain.chemistry import TABLES
from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import (
    FloatArray,
    as_array,
    as_given,
    require_sg,
    require_soc,
    require_temp,
)

SG_REF_C = 25.0
SG_PER_K = 0.0007
SG_FULL = 1.265
SG_EMPTY = 1.120


def sg_correct(sg_obs: Any, temp_c: Any, *, ref_c: Any = SG_REF_C, coef_per_k: Any = SG_PER_K) -> Any:
    """Specific gravity as it would read at `ref_c` [degC]: thermal expansion of the acid, 0.0007 per K."""
    observed = require_sg(sg_obs, "sg_obs")
    return as_given(observed + as_array(coef_per_k) * (require_temp(temp_c) - require_temp(ref_c, "ref_c")))


def sg_to_soc(sg_ref: Any, *, sg_full: Any = SG_FULL, sg_empty: Any = SG_EMPTY) -> Any:
    """Charge state from the corrected gravity, linear between empty and full (nameplate), clamped to 0..1."""
    gravity = require_sg(sg_ref, "sg_ref")
    full, empty = require_sg(sg_full, "sg_full"), require_sg(sg_empty, "sg_empty")
    if np.any(full <= empty):
        raise RejectedInput("sg_out_of_range", sg_full=sg_full, sg_empty=sg_empty)
    return as_given(np.clip((gravity - empty) / (full - empty), 0.0, 1.0))


@cache
def _freezing_nodes() -> tuple[FloatArray, FloatArray]:
    rows = read_table(TABLES, "freezing_points")
    return as_array([float(row["sg"]) for row in rows]), as_array([float(row["freezes_c"]) for row in rows])


def freeze_point(sg: Any) -> Any:
    """Temperature [degC] at which acid of this gravity freezes, linear between the nodes of TM 5-1185 Table III."""
    gravity = require_sg(sg)
    nodes_sg, nodes_c = _freezing_nodes()
    return as_given(np.interp(gravity, nodes_sg, nodes_c))


def freeze_point_at_soc(soc: Any, *, sg_full: Any = SG_FULL, sg_empty: Any = SG_EMPTY) -> Any:
    """Temperature [degC] at which the acid of a lead-acid bank in this charge state freezes (1.265/1.120 acid)."""
    state = require_soc(soc)
    return freeze_point(as_array(sg_empty) + state * (as_array(sg_full) - as_array(sg_empty)))
