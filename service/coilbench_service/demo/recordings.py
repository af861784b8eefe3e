"""Writes the invented shop's session: recordings, `takes.csv` beside them; in the folder above the sheets of pickups
and sessions, `truth.json`, and the tone by which the shop calibrates its input.

The same bytes every time, so that sending them again sends nothing.
"""

import csv
import hashlib
import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from coilbench_worker.model import shop
from coilbench_worker.model.chain import Chain
from coilbench_worker.model.take import Rendered, render
from coilbench_worker.model.truth import StrumTruth

RATE_HZ = 48000
BITS = 24
MANIFEST = "takes.csv"
PICKUP_SHEETS = "pickups.csv"
SESSION_SHEETS = "sessions.csv"
TRUTH = "truth.json"
TONE = "tone.wav"
TONE_V_RMS = 1.0
TONE_HZ = 1000.0
TONE_S = 10.0
TONE_SEED = 1000
COLUMNS = ("file", "label", "pickup", "session", "input_gain_db", "cable")
"""What the sheets say of all takes is not said again; the last two are of a take that differs from its session."""
SAID_OF_TRUTH = (
    "Known from the string model before noise and clipping: onset of the first string, RMS over 0-0.5 s from there, "
    "decay fitted from -3 to -23 dB of the energy decay curve; millivolts at the input over the same 0.5 s. Of "
    "pickups: level over that of the first pickup, the mean of many strokes of the same hands."
)


@dataclass(frozen=True)
class Recording:
    """One recording of the demonstration: file name, hash of its bytes, whose pickup, spoiled or not, its strums'
    truth.
    """

    file: str
    sha256: str
    pickup: str
    spoiled: bool
    strums: tuple[dict[str, Any], ...]


def write(folder: Path, progress: Callable[[int, int], None]) -> list[Recording]:
    """Write recordings/*.flac, recordings/takes.csv, pickups.csv, sessions.csv, tone.wav and truth.json into a folder.

    Parameters
    ----------
    folder : made if it is not there; files of other names in it are left alone
    progress : told how many of how many recordings are written

    Returns
    -------
    what was written, in the order of the session

    Raises
    ------
    OSError : the folder can't be written
    """
    recordings = folder / "recordings"
    recordings.mkdir(parents=True, exist_ok=True)
    session = shop.takes()
    written = []
    for number, take in enumerate(session, start=1):
        made = render(take.take, RATE_HZ)
        content = _keep_recording(recordings / take.file, made)
        written.append(
            Recording(
                file=take.file,
                sha256=hashlib.sha256(content).hexdigest(),
                pickup=str(take.about["pickup"]),
                spoiled=take.spoiled,
                strums=tuple(_truth_of(strum, take.take.chain) for strum in made.truth.strums),
            )
        )
        progress(number, len(session))
    _keep(recordings / MANIFEST, manifest(session).encode("utf-8"))
    _keep(folder / PICKUP_SHEETS, pickup_sheets().encode("utf-8"))
    _keep(folder / SESSION_SHEETS, session_sheets().encode("utf-8"))
    _keep(folder / TONE, tone(session[-1].take.chain))
    pickups = {
        pickup.key: {"level_re_first_db": shop.true_difference_db(shop.PICKUPS[0], pickup)} for pickup in shop.PICKUPS
    }
    truth = {"what": SAID_OF_TRUTH, "pickups": pickups, "takes": [asdict(recording) for recording in written]}
    _keep(folder / TRUTH, (json.dumps(truth, indent=1, allow_nan=False) + "\n").encode("utf-8"))
    return written


def tone(chain: Chain) -> bytes:
    """A sine of 1 V RMS as the chain records it at its gain, hum and hiss included; a 24-bit WAV file."""
    time_s = np.arange(round(TONE_S * RATE_HZ)) / RATE_HZ
    volts = np.sqrt(2.0) * TONE_V_RMS * np.sin(2 * np.pi * TONE_HZ * time_s)
    return _file_of(chain.recorded(chain.scaled(volts), RATE_HZ, TONE_SEED), RATE_HZ, "WAV")


def manifest(session: tuple[shop.ShopTake, ...]) -> str:
    """The table of files and what is known about each, as CSV."""
    return _csv(COLUMNS, [{"file": take.file, **take.about} for take in session])


def pickup_sheets() -> str:
    """The data sheets of the shop's pickups, as CSV."""
    sheets = [pickup.sheet() for pickup in shop.PICKUPS]
    return _csv(tuple(sheets[0]), sheets)


def session_sheets() -> str:
    """The shop's session with the conditions that its takes share, as CSV."""
    sheet = {
        "key": shop.SESSION,
        "name": "Week 14 at the bench",
        "date": shop.SESSION_DATE,
        **shop.CONDITIONS,
        "question": "Which of our pickups is hotter than harbour-neck, and what does that cost in top?",
        "reference": "harbour-neck",
    }
    return _csv(tuple(sheet), [sheet])


def _csv(columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    text = io.StringIO(newline="")
    table = csv.DictWriter(text, columns, lineterminator="\n")
    table.writeheader()
    table.writerows({name: _cell(value) for name, value in row.items()} for row in rows)
    return text.getvalue()


def _cell(value: Any) -> Any:
    """Yes and no as the service reads them."""
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else value


def _truth_of(strum: StrumTruth, chain: Chain) -> dict[str, Any]:
    """What is true of a strum, with the voltage that the chain's own gain and full scale make of its level."""
    full_scale_peak_v = chain.full_scale_v / 10 ** (chain.input_gain_db / 20)
    rms_mv = None if strum.rms_dbfs is None else 1000 * full_scale_peak_v * 10 ** (strum.rms_dbfs / 20)
    return {**asdict(strum), "rms_mv": rms_mv}


def _file_of(samples: NDArray[np.float64], rate_hz: int, kind: str) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, _as_codes(samples), rate_hz, format=kind, subtype=f"PCM_{BITS}")
    return file.getvalue()


def _as_codes(samples: NDArray[np.float64]) -> NDArray[np.int32]:
    """Samples as codes of 24 bits in the upper part of 32; full scale = 1.0."""
    greatest = 2 ** (BITS - 1)
    codes = np.clip(np.round(samples * greatest), -greatest, greatest - 1).astype(np.int32)
    shifted: NDArray[np.int32] = codes << (32 - BITS)
    return shifted


def _keep(path: Path, content: bytes) -> None:
    if not path.exists() or path.read_bytes() != content:
        path.write_bytes(content)


def _keep_recording(path: Path, made: Rendered) -> bytes:
    """The bytes of a recording: those that are there, if they hold the same samples, for another release of the sound
    library may pack them otherwise.
    """
    if path.exists():
        try:
            there, rate_hz = soundfile.read(path, dtype="int32")
        except soundfile.LibsndfileError:
            there, rate_hz = None, 0
        if rate_hz == made.rate_hz and np.array_equal(there, _as_codes(made.samples)):
            return path.read_bytes()
    content = _file_of(made.samples, made.rate_hz, "FLAC")
    path.write_bytes(content)
    return content
