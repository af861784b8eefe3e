"""One strum as sound: which stretch of which recording, at which gain, and the excerpt cut by a child process."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePath
from typing import Any, BinaryIO

import structlog
from flask import g

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.excerpt_shelf import PLACE_WITHIN_S, NoPlace
from coilbench_service.final_take import existing
from coilbench_service.problems import Problem
from coilbench_service.unmeasured import measured
from coilbench_worker.excerpt import FORM, GREATEST_DBTP, ExcerptFailed, ExcerptTooLoud, cut_excerpt
from coilbench_worker.store import measurements
from coilbench_worker.store.takes import TakeRecord

LEAST_LUFS, MOST_LUFS = -70.0, 0.0
PROBLEMS = (
    kinds.TAKE_NOT_FOUND,
    kinds.STRUM_UNKNOWN,
    kinds.NOT_MEASURED_YET,
    kinds.MEASURING_FAILED,
    kinds.RECORDING_REJECTED,
    kinds.NO_LOUDNESS,
    kinds.OVER_FULL_SCALE,
    kinds.EXCERPT_FAILED,
    kinds.TOO_MANY_EXCERPTS,
    *kinds.AUDIO_REFUSALS,
)
_log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class StrumSound:
    """A strum to be heard.

    Attributes
    ----------
    take : whose strum it is
    made : when it was measured
    number : of the strum, from 1
    channel : that was measured, from 1
    onset_s, end_s : in the recording
    loudness_lufs : as measured, or None
    match_lufs, gain_db : loudness asked for, and what leads to it; None: as recorded
    """

    take: TakeRecord
    made: datetime
    number: int
    channel: int
    onset_s: float
    end_s: float
    loudness_lufs: float | None
    match_lufs: float | None
    gain_db: float | None

    @property
    def tag(self) -> str:
        """Entity tag: says all that the bytes depend on."""
        recipe = [FORM, self.take.sha256, self.channel, self.onset_s, self.end_s, self.gain_db]
        return hashlib.sha256(json.dumps(recipe).encode()).hexdigest()

    @property
    def file_name(self) -> str:
        """For a download."""
        level = "" if self.match_lufs is None else f" at {self.match_lufs:g} LUFS"
        return f"{PurePath(self.take.file_name).stem} strum {self.number}{level}.wav"


def sound_of(bench: Bench, take_id: str, number: int, match_lufs: float | None) -> StrumSound:
    """What is to be heard.

    Parameters
    ----------
    number : of the strum, from 1
    match_lufs : loudness to bring it to; None: as recorded

    Raises
    ------
    Problem : there is no such strum, it is not measured yet or can't be, or it has no loudness
    """
    take = existing(bench, take_id)
    with bench.database.read() as connection:
        measurement = measured(take, measurements.current(connection, take.id))
    document = measurement.document
    strum = next((each for each in document["strums"] if each["number"] == number), None)
    if strum is None:
        counted = len(document["strums"])
        there = "one strum, number 1" if counted == 1 else f"{counted} strums, numbers 1 to {counted}"
        raise Problem(kinds.STRUM_UNKNOWN, f"The take has {there}; {number} was asked for.")
    loudness = strum["quantities"].get("loudness_lufs")
    if match_lufs is not None and loudness is None:
        raise Problem(kinds.NO_LOUDNESS, f"Strum {number} has no loudness: {_why_none(strum)}.")
    return StrumSound(
        take=take,
        made=measurement.made,
        number=number,
        channel=document["audio"]["channel_used"],
        onset_s=strum["onset_s"],
        end_s=strum["end_s"],
        loudness_lufs=loudness,
        match_lufs=match_lufs,
        gain_db=None if match_lufs is None or loudness is None else match_lufs - loudness,
    )


def opened(bench: Bench, sound: StrumSound) -> BinaryIO:
    """The excerpt as WAV, at its beginning.

    Raises
    ------
    Problem : it would clip, there is no place to cut it, or cutting failed
    AudioRefused : the recording is not what it was when it was measured
    OSError : the recording can't be reached now
    """

    def cut(into: Path) -> None:
        with bench.blobs.local_path(sound.take.blob) as path:
            cut_excerpt(
                path,
                into,
                channel=sound.channel,
                onset_s=sound.onset_s,
                end_s=sound.end_s,
                gain_db=sound.gain_db,
                limits=bench.audio_limits,
            )

    try:
        return bench.excerpts.open(sound.take.sha256 + sound.tag, cut)
    except ExcerptTooLoud as error:
        raise _too_loud(sound, error.true_peak_dbtp) from error
    except NoPlace as error:
        detail = f"No place was free within {PLACE_WITHIN_S:g} s, or too many wait for one."
        raise Problem(kinds.TOO_MANY_EXCERPTS, detail, headers={"Retry-After": "5"}) from error
    except ExcerptFailed as error:
        reference = g.get("request_id", "")
        _log.error("excerpt not cut", reason=str(error), said=error.log, take=sound.take.id, reference=reference)
        raise Problem(kinds.EXCERPT_FAILED, str(error), extensions={"reference": reference}) from error
    except OSError:
        existing(bench, sound.take.id)  # deleted since it was looked up?
        raise


def _too_loud(sound: StrumSound, true_peak_dbtp: float) -> Problem:
    """The problem of a strum that would clip, with the greatest level at which it doesn't."""
    if sound.loudness_lufs is None:
        detail = f"Its true peak is {true_peak_dbtp:.1f} dBTP, and it has no loudness to be matched at a lower level."
        return Problem(kinds.OVER_FULL_SCALE, detail, advice="Record or export the take at a lower level.")
    greatest = math.floor((sound.loudness_lufs + GREATEST_DBTP - true_peak_dbtp) * 10.0) / 10.0
    if sound.gain_db is None:
        now = f"As recorded its true peak is {true_peak_dbtp:.1f} dBTP, over full scale."
    else:
        now = (
            f"At {sound.match_lufs:g} LUFS its true peak would be {true_peak_dbtp + sound.gain_db:.1f} dBTP, and "
            f"{GREATEST_DBTP:g} dBTP is the most."
        )
    detail = f"{now} The greatest loudness that fits is {greatest:.1f} LUFS."
    return Problem(kinds.OVER_FULL_SCALE, detail, extensions={"greatest_match_lufs": greatest})


def _why_none(strum: dict[str, Any]) -> str:
    return str(strum.get("reasons", {}).get("loudness_lufs", "it could not be measured")).rstrip(".")
