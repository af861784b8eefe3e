"""What pictures of a take are drawn from: courses thinned out to what an eye can tell apart, kept beside the figures.

An overview of the whole recording (least and greatest sample of some thousand stretches), and of each strum how its
level rises and falls and the energy decay curve with the line that was fitted to it. Nothing is measured from these.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coilbench_worker.measure.cells import Cells
from coilbench_worker.measure.decay import DecayCurve
from coilbench_worker.measure.source import FloatArray

OVERVIEW_COLUMNS = 1200
LEVEL_POINTS = 240
LEVEL_STEP_S = 0.01
CURVE_POINTS = 120
RISE_FROM_S, RISE_TO_S, RISE_STEP_S = -0.02, 0.12, 0.001
DECIMALS_DB, DECIMALS_SAMPLE, DECIMALS_S = 2, 4, 9


@dataclass(frozen=True, slots=True)
class Course:
    """Levels at even steps: `level_db` shape (n,), NaN for digital silence; each stands for `step_s` from its start."""

    start_s: float
    step_s: float
    level_db: FloatArray


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line on a level curve, s from the onset and dB re the curve's start."""

    from_s: float
    from_db: float
    to_s: float
    to_db: float


@dataclass(frozen=True, slots=True)
class StrumTrace:
    """One strum: RMS levels, dBFS, from 20 ms before the onset (`rise`) and from the onset to its end (`level`);
    the energy decay curve, dB re its start, and the fitted line, where there is one.
    """

    number: int
    rise: Course
    level: Course
    curve: Course | None
    fit: Line | None


@dataclass(frozen=True, slots=True)
class Overview:
    """Least and greatest sample, shape (n,), full scale = 1.0, of consecutive stretches of `step_s`."""

    step_s: float
    least: FloatArray
    greatest: FloatArray


@dataclass(frozen=True, slots=True)
class Traces:
    """What the pictures of one take need."""

    overview: Overview
    strums: tuple[StrumTrace, ...]


class OverviewCourse:
    """The overview of samples that come in blocks.

    Parameters
    ----------
    rate_hz : > 0
    frames : how many samples will come
    """

    def __init__(self, rate_hz: float, frames: int) -> None:
        self._width = max(-(-frames // OVERVIEW_COLUMNS), 1)
        self._rate_hz = rate_hz
        self._rest: FloatArray = np.zeros(0)
        self._least: list[FloatArray] = []
        self._greatest: list[FloatArray] = []

    def feed(self, samples: FloatArray) -> None:
        """Take the next samples: shape (n,), full scale = 1.0."""
        joined = np.concatenate((self._rest, samples)) if self._rest.size else samples
        count = joined.size // self._width
        self._add(joined[: count * self._width].reshape(count, self._width))
        self._rest = joined[count * self._width :].copy()

    def overview(self) -> Overview:
        """The overview of all that came; to be asked once."""
        if self._rest.size:
            self._add(self._rest[np.newaxis, :])
        return Overview(
            self._width / self._rate_hz,
            np.concatenate(self._least or [np.zeros(0)]),
            np.concatenate(self._greatest or [np.zeros(0)]),
        )

    def _add(self, rows: FloatArray) -> None:
        if rows.size:
            self._least.append(rows.min(axis=1))
            self._greatest.append(rows.max(axis=1))


def strum_trace(
    number: int, samples: FloatArray, onset: int, rate_hz: float, strum: Cells, curve: DecayCurve | None
) -> StrumTrace:
    """The courses of one strum.

    Parameters
    ----------
    number : of the strum, counted from 1
    samples : shape (n,), full scale = 1.0, around the onset, without direct current
    onset : index of the onset in `samples`
    strum : `cells` of the samples from the onset to the strum's end
    curve : what the decay was fitted to, or None
    """
    return StrumTrace(
        number=number,
        rise=_rise(samples, onset, rate_hz),
        level=_level(strum),
        curve=None if curve is None else _thinned(curve),
        fit=None if curve is None else _line(curve),
    )


def traces_document(traces: Traces) -> dict[str, Any]:
    """The traces as JSON values: None for digital silence."""
    return {
        "overview": {
            "step_s": round(traces.overview.step_s, DECIMALS_S),
            "least": _numbers(traces.overview.least, DECIMALS_SAMPLE),
            "greatest": _numbers(traces.overview.greatest, DECIMALS_SAMPLE),
        },
        "strums": [
            {
                "number": strum.number,
                "rise": _course(strum.rise),
                "level": _course(strum.level),
                "curve": None if strum.curve is None else _course(strum.curve),
                "fit": None if strum.fit is None else _fit(strum.fit),
            }
            for strum in traces.strums
        ],
    }


def _rise(samples: FloatArray, onset: int, rate_hz: float) -> Course:
    width = max(round(RISE_STEP_S * rate_hz), 1)
    before = min(round(-RISE_FROM_S / RISE_STEP_S), onset // width)
    first = onset - before * width
    count = min(before + round(RISE_TO_S / RISE_STEP_S), (samples.size - first) // width)
    rows = samples[first : first + count * width].reshape(count, width)
    return Course(-before * width / rate_hz, width / rate_hz, _level_db(np.einsum("ij,ij->i", rows, rows) / width))


def _level(strum: Cells) -> Course:
    size = strum.energies.size
    width = max(round(LEVEL_STEP_S / strum.cell_s), -(-size // LEVEL_POINTS), 1)
    count = size // width
    sums = strum.energies[: count * width].reshape(count, width).sum(axis=1)
    return Course(0.0, width * strum.cell_s, _level_db(sums / (width * strum.samples_per_cell)))


def _thinned(curve: DecayCurve) -> Course:
    step = max(-(-curve.level_db.size // CURVE_POINTS), 1)
    return Course(0.0, step * curve.cell_s, curve.level_db[::step].copy())  # a view would hold the whole curve


def _line(curve: DecayCurve) -> Line | None:
    if curve.fit is None:
        return None
    first, last, start_db, slope_db = curve.fit
    return Line(
        from_s=first * curve.cell_s,
        from_db=start_db,
        to_s=last * curve.cell_s,
        to_db=start_db + slope_db * (last - first),
    )


def _level_db(powers: FloatArray) -> FloatArray:
    levels: FloatArray = np.full(powers.shape, np.nan)
    np.log10(powers, out=levels, where=powers > 0.0)
    return 10.0 * levels


def _course(course: Course) -> dict[str, Any]:
    return {
        "start_s": round(course.start_s, DECIMALS_S),
        "step_s": round(course.step_s, DECIMALS_S),
        "db": _numbers(course.level_db, DECIMALS_DB),
    }


def _fit(line: Line) -> Mapping[str, float]:
    return {
        "from_s": round(line.from_s, DECIMALS_S),
        "from_db": round(line.from_db, DECIMALS_DB),
        "to_s": round(line.to_s, DECIMALS_S),
        "to_db": round(line.to_db, DECIMALS_DB),
    }


def _numbers(values: FloatArray, decimals: int) -> Sequence[float | None]:
    return [round(value, decimals) if np.isfinite(value) else None for value in values.tolist()]
