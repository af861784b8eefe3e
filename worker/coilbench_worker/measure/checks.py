"""The catalogue of checks: what a recording is judged by, with the wording that API, tables, documentation and reports
share.

Every threshold here is common practice, no source; the numbers beside a check let a reader judge for himself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from coilbench_worker.measure.results import Check, Scalar, Severity


@dataclass(frozen=True, slots=True)
class CheckKind:
    """One kind of check: `severities` it may have, what it means, and what to do about it."""

    code: str
    severities: tuple[Severity, ...]
    title: str
    meaning: str
    advice: str


CHECKS: tuple[CheckKind, ...] = (
    CheckKind(
        "clipped",
        ("caution", "reject"),
        "The recording is clipped",
        "Several samples in a row stand at the file's extreme code, or the crests are cut off at one level below it.",
        "Lower the input gain until the loudest strum peaks near -6 dBFS and record the take again.",
    ),
    CheckKind(
        "dc-offset",
        ("note", "caution"),
        "Direct current in the recording",
        "The mean of the samples is far from zero, which spoils peak readings.",
        "Switch on the input's high-pass or have the interface looked at; levels are read with the offset in them.",
    ),
    CheckKind(
        "hum",
        ("note", "caution"),
        "Mains hum",
        "Mains and its harmonics stand out in the quiet stretches.",
        "Turn away from transformers and screens, check the cable's screen and the ground, and record the take again.",
    ),
    CheckKind(
        "noisy",
        ("note", "caution", "reject"),
        "Noise close below the strums",
        "The noise of the quiet stretches is close below the strums.",
        "Raise the input gain or quieten the chain; decay and sustain end where the noise begins.",
    ),
    CheckKind(
        "too-quiet",
        ("caution",),
        "Recorded too quietly",
        "The greatest sample of all strums is below -40 dBFS.",
        "Raise the input gain until the loudest strum peaks near -6 dBFS.",
    ),
    CheckKind(
        "strum-count",
        ("caution",),
        "Another number of strums than expected",
        "More or fewer strums were found than the description says were played.",
        "Listen to the take at the onsets given, and correct the expected number or record the take again.",
    ),
    CheckKind(
        "no-strums",
        ("reject",),
        "No strums found",
        "Nothing in the recording begins like a strum.",
        "Check the cable, the volume control and the channel that was recorded.",
    ),
    CheckKind(
        "strum-cut-short",
        ("caution",),
        "A strum is cut short",
        "A strum ended before a window did, so the quantities of that window are empty.",
        "Let each strum ring for two seconds before the next, or choose shorter windows for all takes compared.",
    ),
    CheckKind(
        "uneven-strums",
        ("caution",),
        "The strums are uneven",
        "The levels of the strums scatter by more than a steady hand does.",
        "Practise the stroke and record again, or record more strums: the intervals show what is lost.",
    ),
    CheckKind(
        "digital-silence",
        ("note", "caution"),
        "Stretches of exact zeros",
        "Stretches of exact zeros: a gate or an editor has been at work, or the noise is finer than the steps of a "
        "16-bit file. It can't be measured there.",
        "Record without a gate, in 24 bits, and send the file as it was recorded.",
    ),
    CheckKind(
        "limited",
        ("caution",),
        "A compressor, limiter or gate in the chain",
        "The strums don't die away as strings do, or the noise goes with them: something changes the gain.",
        "Switch off compressor, limiter, gate and automatic gain, and record again: they alter dynamics and decay.",
    ),
    CheckKind(
        "too-short",
        ("reject",),
        "The recording is too short",
        "The recording is shorter than the level window.",
        "Send a recording that holds at least one strum and its ringing.",
    ),
    CheckKind(
        "channel-choice",
        ("note", "reject"),
        "Which channel to measure",
        "The file has several channels; one was chosen, or they differ and the program will not guess.",
        "Name the channel to be measured in the description (`channel`, counted from 1).",
    ),
    CheckKind(
        "not-finite",
        ("reject",),
        "Samples that are not numbers",
        "The file holds samples that are infinite, far beyond any scale, or not a number.",
        "Export the recording again, as 24-bit integers.",
    ),
    CheckKind(
        "truncated-file",
        ("caution",),
        "The file ends before its header says",
        "The header promises more audio than the file holds; what is there was measured.",
        "Copy the file again from where it was recorded, and compare its size.",
    ),
    CheckKind(
        "low-sample-rate",
        ("note", "caution"),
        "Low sample rate",
        "The sample rate leaves out the uppermost bands, which are empty.",
        "Record at 44.1 kHz or more.",
    ),
    CheckKind(
        "gain-unknown",
        ("note",),
        "Input gain unknown",
        "The description names no input gain, so the level of this take says little beside takes of another gain.",
        "Give `input_gain_db` in the description; tone and dynamics can be compared all the same.",
    ),
    CheckKind(
        "gain-uncalibrated",
        ("note", "caution"),
        "No calibration at this gain",
        "The take names an input chain that has no calibration of its own at the take's gain: the millivolts are "
        "empty, or were moved here from another gain.",
        "Calibrate the chain at this gain, by its full scale or by a recorded tone; no take need be measured again.",
    ),
)

_BY_CODE = {kind.code: kind for kind in CHECKS}


def check_kind(code: str) -> CheckKind:
    """The catalogue's entry for a code.

    Raises
    ------
    KeyError : no such check
    """
    return _BY_CODE[code]


def raised(
    code: str,
    severity: Severity,
    finding: str,
    *,
    strums: Sequence[int] = (),
    times_s: Sequence[float] = (),
    values: Mapping[str, Scalar] | None = None,
) -> Check:
    """A check of the catalogue, raised: the finding, a full sentence with its numbers, followed by the catalogue's
    advice.

    Raises
    ------
    ValueError : a severity that the catalogue doesn't give to this check
    """
    kind = check_kind(code)
    if severity not in kind.severities:
        raise ValueError(f"{code} is never {severity}; the catalogue gives it {', '.join(kind.severities)}")
    return Check(code, severity, f"{finding} {kind.advice}", tuple(strums), tuple(times_s), dict(values or {}))
