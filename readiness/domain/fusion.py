"""Combining a prediction with a measurement, and when the two disagree.

References: inverse-variance mean; prediction error `0.5 x predicted loss + 0.02` is an engineering assumption.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from readiness.domain.errors import RejectedInput
from readiness.domain.inputs import FloatArray, as_array, as_given, require_soc

PESSIMISTIC_SIGMAS = 1.28
SIGMA_PER_LOSS = 0.5
SIGMA_AFTER_CHARGE = 0.02
UNEXPLAINED_SIGMAS = 3.0


def combine(soc_a: Any, sigma_a: Any, soc_b: Any, sigma_b: Any) -> tuple[FloatArray, FloatArray]:
    """Inverse-variance mean and its sigma, element by element; an infinite sigma carries no weight."""
    first, second = as_array(soc_a), as_array(soc_b)
    var_a, var_b = np.square(as_array(sigma_a)), np.square(as_array(sigma_b))
    total = var_a + var_b
    with np.errstate(divide="ignore", invalid="ignore"):
        weight_a = np.where(np.isinf(var_b), 1.0, np.where(np.isinf(var_a), 0.0, var_b / total))
        weight_a = np.where(total == 0.0, 0.5, weight_a)
        variance = np.where(np.isinf(var_b), var_a, np.where(np.isinf(var_a), var_b, var_a * var_b / total))
        variance = np.where(total == 0.0, 0.0, variance)
    mean = np.where(
        weight_a == 1.0,
        first,
        np.where(weight_a == 0.0, second, weight_a * first + (1.0 - weight_a) * second),
    )
    return mean, np.sqrt(variance)


def fuse_soc(soc_model: Any, sigma_model: Any, soc_ocv: Any = None, sigma_ocv: Any = None) -> tuple[Any, Any]:
    """Charge state and band [1] from prediction and reading; a reading without value or band leaves the prediction."""
    model = require_soc(soc_model, "soc_model")
    reading = model if soc_ocv is None else require_soc(soc_ocv, "soc_ocv")
    band_model = as_array(np.inf if sigma_model is None else sigma_model)
    band_reading = as_array(np.inf if sigma_ocv is None or soc_ocv is None else sigma_ocv)
    if np.any(band_model < 0.0) or np.any(band_reading < 0.0):
        raise RejectedInput("sigma_negative", sigma_model=sigma_model, sigma_ocv=sigma_ocv)
    mean, sigma = combine(model, band_model, reading, band_reading)
    return as_given(mean), as_given(sigma)


def unexplained(soc_model: Any, sigma_model: Any, soc_reading: Any, sigma_reading: Any) -> Any:
    """Whether reading and prediction differ by over three of their common sigma (hidden load, weak cell, wrong curve)."""
    gap = np.abs(as_array(soc_model) - as_array(soc_reading))
    return gap > UNEXPLAINED_SIGMAS * np.hypot(as_array(sigma_model), as_array(sigma_reading))
