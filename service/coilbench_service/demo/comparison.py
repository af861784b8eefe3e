"""What was measured against what is true: onsets, differences of level between pickups, millivolts, decay."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any

from .recordings import Recording

ONSET_LIMIT_S = 0.005
LEVEL_LIMIT_DB = 0.1
DECAY_LIMIT = 0.05
MILLIVOLT_LIMIT = 0.02
"""0.1 dB of level is 1.2 %, and full scale follows from the tone within 0.1 %; the meter of the model does not err."""


@dataclass(frozen=True)
class Comparison:
    """Greatest errors over the good takes.

    `level_error_db` is that of a difference of mean level from the first good take; `decay_error` is a fraction of the
    rate, of a single strum, `millivolt_error` one of a single strum's voltage at the input. `compared_*` count what was
    compared. `faults` are sentences on what can't be right.
    """

    onset_error_s: float
    level_error_db: float
    decay_error: float
    millivolt_error: float
    compared_strums: int
    compared_differences: int
    compared_decays: int
    compared_millivolts: int
    faults: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether something was compared, all is within the limits, and nothing was found wrong."""
        compared = min(self.compared_strums, self.compared_differences, self.compared_decays, self.compared_millivolts)
        within = (
            self.onset_error_s <= ONSET_LIMIT_S
            and self.level_error_db <= LEVEL_LIMIT_DB
            and self.decay_error <= DECAY_LIMIT
            and self.millivolt_error <= MILLIVOLT_LIMIT
        )
        return bool(compared) and within and not self.faults


def compare(recordings: Sequence[Recording], measurements: Mapping[str, Mapping[str, Any] | None]) -> Comparison:
    """Hold measurements against the truth.

    Parameters
    ----------
    recordings : what was written
    measurements : by sha256 of the recording; None where there is none

    Returns
    -------
    Comparison : a spoiled recording counts only for being called unusable
    """
    faults: list[str] = []
    onset_errors: list[float] = []
    decay_errors: list[float] = []
    millivolt_errors: list[float] = []
    levels: list[tuple[float, float]] = []
    for recording in recordings:
        measurement = measurements.get(recording.sha256)
        if measurement is None:
            faults.append(f"{recording.file} was not measured.")
            continue
        if measurement["usable"] == recording.spoiled:
            said = "usable, and it is spoiled" if recording.spoiled else "unusable, and nothing is wrong with it"
            faults.append(f"{recording.file} was called {said}.")
        if recording.spoiled:
            continue
        found = measurement["strums"]
        if len(found) != len(recording.strums):
            faults.append(f"{recording.file} holds {len(recording.strums)} strums, {len(found)} were found.")
            continue
        pairs = list(zip(recording.strums, found, strict=True))
        onset_errors += [abs(strum["onset_s"] - true["onset_s"]) for true, strum in pairs]
        decay_errors += _errors(pairs, "decay_db_per_s", "decay", recording.file, faults)
        millivolt_errors += _errors(pairs, "rms_mv", "voltage", recording.file, faults)
        mean = _mean_levels(pairs, recording.file, faults)
        levels += [mean] if mean else []
    differences = [abs((measured - levels[0][1]) - (true - levels[0][0])) for true, measured in levels[1:]]
    return Comparison(
        onset_error_s=max(onset_errors, default=0.0),
        level_error_db=max(differences, default=0.0),
        decay_error=max(decay_errors, default=0.0),
        millivolt_error=max(millivolt_errors, default=0.0),
        compared_strums=len(onset_errors),
        compared_differences=len(differences),
        compared_decays=len(decay_errors),
        compared_millivolts=len(millivolt_errors),
        faults=tuple(faults),
    )


Pair = tuple[Mapping[str, Any], Mapping[str, Any]]


def _mean_levels(pairs: Sequence[Pair], file: str, faults: list[str]) -> tuple[float, float] | None:
    """Mean RMS level of a take, true and measured, dBFS."""
    true = [true["rms_dbfs"] for true, _ in pairs]
    measured = [found["quantities"]["rms_dbfs"] for _, found in pairs]
    if None in measured:
        faults.append(f"{file}: the level of a strum was not measured.")
        return None
    return fmean(true), fmean(measured)


def _errors(pairs: Sequence[Pair], key: str, what: str, file: str, faults: list[str]) -> list[float]:
    """Errors of a quantity of single strums, as fractions of the truth."""
    errors = []
    for true, found in pairs:
        measured = found["quantities"][key]
        if measured is None:
            faults.append(f"{file}: the {what} of the strum at {true['onset_s']:.2f} s was not measured.")
        else:
            errors.append(abs(measured / true[key] - 1))
    return errors
