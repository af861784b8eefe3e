"""Millivolts at the input: a measurement through the calibration of its chain.

Nothing is measured again: the levels of the measurement are multiplied, so that a chain may be calibrated after its
takes. The mean over strums is the arithmetic mean of their millivolts. A single strum's value carries the uncertainty
of the calibration alone; repeatability belongs to the mean.
"""

from collections.abc import Mapping
from typing import Any

from coilbench_worker.measure.calibration import GainCalibration
from coilbench_worker.measure.results import plain
from coilbench_worker.measure.statistics import summary
from coilbench_worker.measure.uncertainty import expanded_mean

LEVELS = {"peak_mv": "peak_dbfs", "rms_mv": "rms_dbfs"}
"""Each quantity in mV and the level it is taken from."""
SUMMARY = ("mean", "sd", "n", "low", "high", "min", "max")


def calibrated(
    document: Mapping[str, Any], calibration: GainCalibration | None, reason: str, *, chain: str | None = None
) -> dict[str, Any]:
    """A measurement with its millivolts.

    Parameters
    ----------
    document : a measurement as JSON values (`measure.results.to_document`); it is left as it is
    calibration : what holds for the take, None without one
    reason : why there is none; one plain sentence without a full stop
    chain : key of the chain, for the `calibration` block

    Returns
    -------
    A new document: `peak_mv` and `rms_mv` in every strum and in `summary`, there with `expanded_uncertainty_mv` (95 %,
    Student t at the effective degrees of freedom), `coverage_factor` and `degrees_of_freedom` (None beside an
    uncertainty: infinitely many); and the block `calibration`, None without one. Nulls have their reason.
    """
    strums = [_strum(strum, calibration, reason) for strum in document["strums"]]
    block = None if calibration is None else {"chain": chain, **calibration.to_document()}
    return {
        **document,
        "strums": strums,
        "summary": {**document["summary"], **{key: _summary(strums, key, calibration) for key in LEVELS}},
        "calibration": block,
    }


def _strum(strum: Mapping[str, Any], calibration: GainCalibration | None, reason: str) -> dict[str, Any]:
    quantities, reasons = dict(strum["quantities"]), dict(strum["reasons"])
    for key, level in LEVELS.items():
        value = quantities.get(level)
        if calibration is None:
            quantities[key], reasons[key] = None, reason
        elif value is None:
            quantities[key], reasons[key] = None, reasons.get(level, f"{level} is not known")
        else:
            quantities[key] = plain(calibration.millivolts(value))
    return {**strum, "quantities": quantities, "reasons": reasons}


def _summary(strums: list[dict[str, Any]], key: str, calibration: GainCalibration | None) -> dict[str, Any]:
    values = [value for strum in strums if (value := strum["quantities"][key]) is not None]
    over = summary(values)
    found = None if calibration is None else expanded_mean(values, calibration.budget)
    degrees = None if found is None else found.degrees_of_freedom
    return {
        **{name: plain(getattr(over, name)) for name in SUMMARY},
        "expanded_uncertainty_mv": None if found is None else plain(found.expanded_uncertainty),
        "coverage_factor": None if found is None else plain(found.coverage_factor),
        "degrees_of_freedom": None if degrees is None else plain(degrees),
    }
