"""The refusals of this app's calculations: one type, one stable key each."""

from __future__ import annotations

from typing import Any

from fleet.lib.errors import DomainError

SENTENCES = {
    "soc_out_of_range": "A charge state lies between 0 and 1 (0 % and 100 %).",
    "capacity_not_positive": "The capacity must be more than 0 Ah.",
    "current_not_positive": "The current must be more than 0 A.",
    "negative_load": "A standby draw cannot be negative.",
    "negative_duration": "A duration cannot be negative.",
    "temp_out_of_range": "The temperature lies outside -40 to 70 °C.",
    "unknown_chemistry": "There is no battery chemistry '{chemistry}'. Known are: {known}.",
    "ocv_not_usable": "The rest voltage of a nickel battery says nothing about its charge.",
    "not_rested": "The voltage counts only after {needed_h} hours at rest.",
    "ocv_implausible": "A lead-acid cell at rest shows between 1.0 and 2.30 V.",
    "sg_out_of_range": "A specific gravity lies between 1.000 and 1.320.",
    "sg_not_usable": "Specific gravity is measured in flooded lead-acid cells only.",
    "series_uneven": "Every temperature needs its number of days.",
    "series_empty": "The temperature record is empty.",
    "cells_not_positive": "The number of cells must be more than 0.",
    "rate_not_positive": "The rate must be more than 0.",
    "interval_not_positive": "An interval must be more than 0 days.",
    "doubling_not_positive": "The kelvin that double a rate must be more than 0.",
    "unknown_law": "The temperature law is 'doubling' or 'arrhenius'.",
    "unknown_decay": "The self-discharge law is 'constant' or 'first_order'.",
    "sigma_negative": "A band of doubt cannot be negative.",
    "band_negative": "A voltage band cannot be negative.",
    "fraction_out_of_range": "A fraction lies between 0 and 1.",
    "used_negative": "The part of an interval that is used cannot be negative.",
    "voltage_not_positive": "A voltage must be more than 0 V.",
    "temp_band_crossed": "The lowest temperature lies above the highest.",
    "efficiency_out_of_range": "An efficiency lies above 0 and is at most 1.",
    "power_factor_out_of_range": "A power factor lies above 0 and is at most 1.",
    "phases_unknown": "A supply has one phase or three.",
    "power_negative": "A power cannot be negative.",
    "over_largest_breaker": "The load is larger than the largest standard breaker, {largest_a} A.",
    "gas_current_negative": "A gas current cannot be negative.",
    "airflow_negative": "An airflow, a volume or an opening cannot be negative.",
    "resistance_not_positive": "An ohmic value must be more than 0.",
    "life_not_positive": "A life must be more than 0 years.",
    "percent_out_of_range": "A measured capacity lies between 0 and 150 %.",
    "unknown_un": "There is no state-of-charge rule for UN {un}.",
    "not_lithium": "Storage policies are a choice for lithium; {chemistry} is kept full.",
    "same_temperature": "Two different temperatures are needed.",
}


class RejectedInput(DomainError):
    """An input that no honest calculation can use; `key` is stable (`soc_out_of_range`, `not_rested`, ...)."""

    def __init__(self, key: str, **data: Any) -> None:
        super().__init__(key, SENTENCES[key], **data)
