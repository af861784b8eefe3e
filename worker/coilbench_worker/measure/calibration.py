"""What full scale means in volts: calibrations of an input chain at its gains, and the one that a take falls under.

Full scale is the RMS voltage at the input of a sine whose peak just reaches full scale. So a sample value x stands for
x * sqrt(2) * full_scale_v_rms, and a sine of that voltage reads 0 dBFS peak, -3.01 dBFS RMS (0 dB FS by AES17).
0 dBu is sqrt(0.6) V = 0.774597 V.

Uncertainties that users give are expanded ones, k = 2, and so is `expanded_uncertainty_db` of a calibration.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, log10, sqrt
from typing import Any, Literal

from coilbench_worker.measure.reference_tone import GREATEST_DISTORTION_DB, ReferenceTone
from coilbench_worker.measure.uncertainty import CERTIFICATE_FACTOR, Component, combined, percent_to_db

By = Literal["stated", "tone", "gain-difference"]

DBU_V_RMS = sqrt(0.6)
"""0 dBu in V RMS: 1 mW into 600 ohms."""
SAME_GAIN_DB = 0.05
"""Two gains closer than this are one setting: half of the finest step, 0.1 dB, that people write down."""
HARMONICS_SHARE = 3.0
"""An input that bends as x - k x^3 reads a tone low by three times the third harmonic that it adds, and a quieter
strum hardly at all. A generator's harmonics do less: a meter that averages misreads by a third of them at most."""

NO_CHAIN = "the description names no chain"
NO_GAIN = "the description names no input gain, so that no calibration of the chain can be chosen"


@dataclass(frozen=True, slots=True)
class GainCalibration:
    """Full scale of one chain at one gain; `budget` lists what makes it uncertain.

    `by` says where it came from: stated by the user, measured from a recorded tone, or moved here from another gain,
    by `moved_db`.
    """

    input_gain_db: float
    full_scale_v_rms: float
    by: By
    budget: tuple[Component, ...]
    moved_db: float = 0.0

    def __post_init__(self) -> None:
        """Raise ValueError unless the gain is finite and full scale finite and above 0."""
        if not isfinite(self.input_gain_db):
            raise ValueError(f"input_gain_db = {self.input_gain_db}; give a number of dB")
        _positive("full_scale_v_rms", self.full_scale_v_rms)

    @property
    def full_scale_dbu(self) -> float:
        """Full scale, dBu."""
        return v_rms_to_dbu(self.full_scale_v_rms)

    @property
    def standard_uncertainty_db(self) -> float:
        """Combined standard uncertainty of full scale, dB."""
        return combined(one.standard_uncertainty_db for one in self.budget)

    @property
    def coverage_factor(self) -> float:
        """k of `expanded_uncertainty_db`: 2, as calibration certificates have it."""
        return CERTIFICATE_FACTOR

    @property
    def expanded_uncertainty_db(self) -> float:
        """Expanded uncertainty of full scale (k = 2), dB."""
        return CERTIFICATE_FACTOR * self.standard_uncertainty_db

    def millivolts(self, level_dbfs: float) -> float:
        """The voltage at the input of a peak or RMS level, mV."""
        return 1000.0 * sqrt(2.0) * self.full_scale_v_rms * math.pow(10.0, level_dbfs / 20.0)

    def to_document(self) -> dict[str, Any]:
        """As JSON values, rounded to nothing: `from_document` gives the same calibration back."""
        return {
            "input_gain_db": self.input_gain_db,
            "by": self.by,
            "moved_db": self.moved_db,
            "full_scale_v_rms": self.full_scale_v_rms,
            "full_scale_dbu": self.full_scale_dbu,
            "expanded_uncertainty_db": self.expanded_uncertainty_db,
            "coverage_factor": self.coverage_factor,
            "budget": [
                {
                    "source": one.source,
                    "standard_uncertainty_db": one.standard_uncertainty_db,
                    "degrees_of_freedom": one.degrees_of_freedom,
                }
                for one in self.budget
            ],
        }


def from_document(document: Mapping[str, Any]) -> GainCalibration:
    """A calibration from its JSON values; what follows from the rest (dBu, expanded uncertainty) is not looked at.

    Raises
    ------
    KeyError, TypeError, ValueError : not a calibration
    """
    return GainCalibration(
        input_gain_db=float(document["input_gain_db"]),
        full_scale_v_rms=float(document["full_scale_v_rms"]),
        by=document["by"],
        budget=tuple(Component(**line) for line in document["budget"]),
        moved_db=float(document.get("moved_db", 0.0)),
    )


def dbu_to_v_rms(level_dbu: float) -> float:
    """Volts RMS of a level in dBu; ValueError when not finite."""
    if not isfinite(level_dbu):
        raise ValueError(f"{level_dbu} dBu; give a number of dBu")
    return float(DBU_V_RMS * 10.0 ** (level_dbu / 20.0))


def v_rms_to_dbu(voltage_v_rms: float) -> float:
    """Level in dBu of volts RMS; ValueError unless finite and above 0."""
    _positive("v_rms", voltage_v_rms)
    return 20.0 * log10(voltage_v_rms / DBU_V_RMS)


def stated(
    input_gain_db: float,
    *,
    full_scale_v_rms: float,
    expanded_uncertainty_db: float,
    coverage_factor: float = CERTIFICATE_FACTOR,
) -> GainCalibration:
    """A calibration by a number: from the data sheet of the input, or measured elsewhere.

    Parameters
    ----------
    input_gain_db : gain it holds at, as it is set and written down
    full_scale_v_rms : V RMS of the sine whose peak just reaches full scale, > 0
    expanded_uncertainty_db : of that number, dB, >= 0
    coverage_factor : k of that uncertainty

    Raises
    ------
    ValueError : a value out of range
    """
    _not_negative("expanded_uncertainty_db", expanded_uncertainty_db)
    _positive("coverage_factor", coverage_factor)
    component = Component("stated full scale", expanded_uncertainty_db / coverage_factor)
    return GainCalibration(input_gain_db, full_scale_v_rms, "stated", (component,))


def from_tone(
    input_gain_db: float,
    tone: ReferenceTone,
    *,
    tone_v_rms: float,
    expanded_uncertainty_percent: float,
    coverage_factor: float = CERTIFICATE_FACTOR,
) -> GainCalibration:
    """A calibration by a recorded sine of known voltage.

    Parameters
    ----------
    input_gain_db : gain at which it was recorded
    tone : as measured
    tone_v_rms : its voltage at the input, V RMS, read while it was recorded, > 0
    expanded_uncertainty_percent : of that reading: the meter's accuracy at this frequency, its resolution; >= 0
    coverage_factor : k of that uncertainty

    Raises
    ------
    ValueError : a value out of range

    The budget: the voltage; the level as recorded (type A of the pieces' mean); the tone's steadiness (the meter was
    read at one moment: half the spread, rectangular); its harmonics (an overloaded input or a meter that averages:
    three times their sum at most, rectangular; where they lie above the band, they count as much as a tone may have).
    """
    _positive("tone_v_rms", tone_v_rms)
    _not_negative("expanded_uncertainty_percent", expanded_uncertainty_percent)
    _positive("coverage_factor", coverage_factor)
    harmonics_db = GREATEST_DISTORTION_DB if tone.harmonics_db is None else tone.harmonics_db
    bent_percent = 100.0 * HARMONICS_SHARE * 10.0 ** (harmonics_db / 20.0)
    budget = (
        Component("voltage of the tone", percent_to_db(expanded_uncertainty_percent / coverage_factor)),
        Component("level of the tone as recorded", tone.standard_uncertainty_db, tone.degrees_of_freedom),
        Component("steadiness of the tone", tone.stability_db / 2.0 / sqrt(3.0)),
        Component("harmonics of the tone", percent_to_db(bent_percent) / sqrt(3.0)),
    )
    full_scale_v_rms = tone_v_rms / (sqrt(2.0) * 10.0 ** (tone.rms_dbfs / 20.0))
    return GainCalibration(input_gain_db, full_scale_v_rms, "tone", budget)


def at_gain(
    calibrations: Sequence[GainCalibration],
    input_gain_db: float,
    *,
    gain_step_expanded_uncertainty_db: float | None,
) -> GainCalibration | None:
    """The calibration that holds at a gain.

    Parameters
    ----------
    calibrations : of one chain; where several are of one gain the last of them counts
    input_gain_db : gain of the take
    gain_step_expanded_uncertainty_db : how far a difference of two gain settings can be trusted (k = 2), dB; None: not
        known, and nothing is moved

    Returns
    -------
    GainCalibration : that of the gain (within 0.05 dB); else the nearest, moved by the difference of the gains, with
        one component more; None without either

    Raises
    ------
    ValueError : a value out of range
    """
    newest = _newest(calibrations)
    near = [one for one in newest if _apart(one, input_gain_db) <= SAME_GAIN_DB]
    if near:
        return min(near, key=lambda one: _apart(one, input_gain_db))
    if gain_step_expanded_uncertainty_db is None or not newest:
        return None
    _not_negative("gain_step_uncertainty_db", gain_step_expanded_uncertainty_db)
    nearest = min(newest, key=lambda one: (_apart(one, input_gain_db), one.standard_uncertainty_db))
    moved_db = input_gain_db - nearest.input_gain_db
    step = Component("gain step", gain_step_expanded_uncertainty_db / CERTIFICATE_FACTOR)
    return GainCalibration(
        input_gain_db,
        nearest.full_scale_v_rms * 10.0 ** (-moved_db / 20.0),
        "gain-difference",
        (*nearest.budget, step),
        moved_db,
    )


@dataclass(frozen=True, slots=True)
class ChainCalibrations:
    """What a chain says of its gains: see `at_gain`."""

    key: str
    calibrations: tuple[GainCalibration, ...]
    gain_step_expanded_uncertainty_db: float | None = None


@dataclass(frozen=True, slots=True)
class CalibrationState:
    """What a take's description leads to: a calibration, or `reason` why there is none.

    `chain` and `input_gain_db` are those of the description; `calibrated_gains_db` says at which gains that chain is
    calibrated.
    """

    chain: str | None
    input_gain_db: float | None
    calibration: GainCalibration | None
    reason: str
    calibrated_gains_db: tuple[float, ...]


def calibration_state(about: Mapping[str, Any], chain: ChainCalibrations | None) -> CalibrationState:
    """The calibration that a take falls under.

    Parameters
    ----------
    about : the take's description as the API keeps it: `chain`, `input_gain_db`
    chain : the chain of that key, None when there is no such chain
    """
    name, gain_db = about.get("chain"), about.get("input_gain_db")
    gains = () if chain is None else tuple(sorted({one.input_gain_db for one in chain.calibrations}))
    found, reason = None, ""
    if name is None:
        reason = NO_CHAIN
    elif chain is None:
        reason = f"there is no chain {name!r}"
    elif not chain.calibrations:
        reason = f"the chain {name!r} has no calibration"
    elif gain_db is None:
        reason = NO_GAIN
    else:
        found = at_gain(
            chain.calibrations,
            float(gain_db),
            gain_step_expanded_uncertainty_db=chain.gain_step_expanded_uncertainty_db,
        )
        if found is None:
            reason = (
                f"the chain {name!r} is not calibrated at a gain of {gain_db:g} dB, only at {in_words(gains)}, and "
                "does not say how far its gain steps can be trusted"
            )
    return CalibrationState(
        chain=name,
        input_gain_db=None if gain_db is None else float(gain_db),
        calibration=found,
        reason=reason,
        calibrated_gains_db=gains,
    )


def in_words(gains_db: Sequence[float]) -> str:
    """Gains as a list for a sentence: `10, 20 and 26.5 dB`."""
    shown = [f"{gain_db:g}" for gain_db in gains_db]
    return " and ".join(part for part in (", ".join(shown[:-1]), shown[-1]) if part) + " dB" if shown else "no gain"


def _newest(calibrations: Sequence[GainCalibration]) -> list[GainCalibration]:
    """One calibration for each gain: the last of those within 0.05 dB of each other."""
    kept: list[GainCalibration] = []
    for one in reversed(calibrations):
        if all(_apart(other, one.input_gain_db) > SAME_GAIN_DB for other in kept):
            kept.append(one)
    return kept


def _apart(calibration: GainCalibration, input_gain_db: float) -> float:
    """Distance of two gains, dB, rounded so that 20.05 lies within 0.05 of 20."""
    return round(abs(calibration.input_gain_db - input_gain_db), 9)


def _positive(name: str, value: float) -> None:
    if not (isfinite(value) and value > 0.0):
        raise ValueError(f"{name} = {value}; give a number above 0")


def _not_negative(name: str, value: float) -> None:
    if not (isfinite(value) and value >= 0.0):
        raise ValueError(f"{name} = {value}; give 0 or more")
