"""Findings: what follows from several readings of a visit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from assistant.trade import formulas
from assistant.trade.job import Gas, Job


@dataclass(frozen=True)
class Finding:
    """How a finding is worked out.

    spoken: how it is said. unit: pint name of the result. inputs: the quantities it needs, each in the unit of
    its question. work_out: raises ValueError with one sentence outside the formula's range.
    assumption: what the result rests on besides the readings, said with it.
    trend: how it goes over the years tells something; it is compared aloud with earlier visits.
    must_not_rise: from one reading to the next of the same burn, as `Quantity.must_not_rise`.
    """

    spoken: str
    unit: str
    inputs: tuple[str, ...]
    work_out: Callable[[Mapping[str, Decimal], Job], Decimal]
    assumption: str = ""
    trend: bool = False
    must_not_rise: bool = False


def _gas(job: Job) -> Gas:
    if job.gas is None:
        raise ValueError("The job file gives no heating value and no dial of the gas meter.")
    return job.gas


def _input_rate(readings: Mapping[str, Decimal], job: Job) -> Decimal:
    gas = _gas(job)
    return formulas.input_rate_btu_h(gas.dial_ft3, readings["meter-dial-seconds"], gas.heating_value_btu_ft3)


FINDINGS: dict[str, Finding] = {
    "temperature-rise": Finding(
        "temperature rise",
        "delta_degF",
        ("supply-temperature", "return-temperature"),
        lambda r, _: formulas.temperature_rise(r["supply-temperature"], r["return-temperature"]),
        trend=True,
    ),
    "inlet-drop": Finding(
        "inlet pressure drop",
        "inH2O",
        ("inlet-pressure", "inlet-pressure-running"),
        lambda r, _: r["inlet-pressure"] - r["inlet-pressure-running"],
    ),
    "co-air-free": Finding(
        "C O air free",
        "ppm",
        ("flue-co", "flue-oxygen"),
        lambda r, _: formulas.co_air_free_ppm(r["flue-co"], r["flue-oxygen"]),
        trend=True,
        must_not_rise=True,
    ),
    "input-rate": Finding(
        "input rate",
        "Btu_per_hour",
        ("meter-dial-seconds",),
        _input_rate,
        "at the supplier's heating value, meter pressure not corrected",
    ),
}
